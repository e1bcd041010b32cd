-- What the server writes down itself is signed with keys made from this secret; a database of before has none yet.
ALTER TABLE store_identity ADD COLUMN ledger_secret BYTEA CHECK (octet_length(ledger_secret) = 32);

-- The server's own log of an organisation is a device like others, one for each epoch. People's devices have none.
ALTER TABLE device ADD COLUMN server_epoch BIGINT CHECK (server_epoch >= 1);
CREATE UNIQUE INDEX device_by_server_epoch ON device (organisation, server_epoch);
-- When it last exchanged something.
ALTER TABLE device ADD COLUMN last_ms BIGINT;

-- Short names that devices had once: K7-412 means the same entry for ever, so nobody else gets K7.
CREATE TABLE mark_past (
    organisation    BYTEA  NOT NULL REFERENCES organisation (organisation),
    mark_folded     TEXT   NOT NULL,
    device          BYTEA  NOT NULL REFERENCES device (device),
    PRIMARY KEY (organisation, mark_folded)
);

ALTER TABLE enrolment_code ADD COLUMN cancelled_ms BIGINT;
CREATE INDEX enrolment_code_by_organisation ON enrolment_code (organisation, expires_ms);

-- Links with which an outsider reads one machine, by the hash of what the link holds.
CREATE TABLE share (
    hash            BYTEA  NOT NULL PRIMARY KEY CHECK (octet_length(hash) = 32),
    organisation    BYTEA  NOT NULL REFERENCES organisation (organisation),
    machine         BYTEA  NOT NULL CHECK (octet_length(machine) = 16),
    shows_names     BIGINT NOT NULL CHECK (shows_names IN (0, 1)),
    shows_words     BIGINT NOT NULL CHECK (shows_words IN (0, 1)),
    made_by         BYTEA  NOT NULL CHECK (octet_length(made_by) = 16),
    made_ms         BIGINT NOT NULL,
    until_ms        BIGINT NOT NULL,
    ended_ms        BIGINT,
    opened_count    BIGINT NOT NULL CHECK (opened_count >= 0),
    opened_ms       BIGINT
);

CREATE INDEX share_by_organisation ON share (organisation, made_ms);
