-- The small part of what is computed of each machine: what a list of all machines needs. Apart from the whole, so that
-- reading it for ten thousand machines does not pass over their books. To be thrown away at will.
CREATE TABLE machine_glance (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    machine         BLOB    NOT NULL CHECK (length(machine) = 16),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 0),
    sum             INTEGER NOT NULL,
    json            TEXT    NOT NULL CHECK (instr(json, char(0)) = 0),
    PRIMARY KEY (organisation, machine)
) STRICT;
