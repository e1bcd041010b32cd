-- What the server writes down itself is signed with keys made from this secret; a database of before has none yet.
ALTER TABLE store_identity ADD COLUMN ledger_secret BLOB CHECK (length(ledger_secret) = 32);

-- The server's own log of an organisation is a device like others, one for each epoch. People's devices have none.
ALTER TABLE device ADD COLUMN server_epoch INTEGER CHECK (server_epoch >= 1);
CREATE UNIQUE INDEX device_by_server_epoch ON device (organisation, server_epoch);
-- When it last exchanged something.
ALTER TABLE device ADD COLUMN last_ms INTEGER;

-- Short names that devices had once: K7-412 means the same entry for ever, so nobody else gets K7.
CREATE TABLE mark_past (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    mark_folded     TEXT    NOT NULL,
    device          BLOB    NOT NULL REFERENCES device (device),
    PRIMARY KEY (organisation, mark_folded)
) STRICT, WITHOUT ROWID;

ALTER TABLE enrolment_code ADD COLUMN cancelled_ms INTEGER;
CREATE INDEX enrolment_code_by_organisation ON enrolment_code (organisation, expires_ms);

-- Links with which an outsider reads one machine, by the hash of what the link holds.
CREATE TABLE share (
    hash            BLOB    NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    machine         BLOB    NOT NULL CHECK (length(machine) = 16),
    shows_names     INTEGER NOT NULL CHECK (shows_names IN (0, 1)),
    shows_words     INTEGER NOT NULL CHECK (shows_words IN (0, 1)),
    made_by         BLOB    NOT NULL CHECK (length(made_by) = 16),
    made_ms         INTEGER NOT NULL,
    until_ms        INTEGER NOT NULL,
    ended_ms        INTEGER,
    opened_count    INTEGER NOT NULL CHECK (opened_count >= 0),
    opened_ms       INTEGER
) STRICT, WITHOUT ROWID;

CREATE INDEX share_by_organisation ON share (organisation, made_ms);
