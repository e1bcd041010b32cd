-- The small part of what is computed of each machine: what a list of all machines needs. Apart from the whole, so that
-- reading it for ten thousand machines does not pass over their books. To be thrown away at will.
CREATE TABLE machine_glance (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) = 16),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 0),
    sum             BIGINT  NOT NULL,
    json            TEXT    NOT NULL,
    PRIMARY KEY (organisation, machine)
);
