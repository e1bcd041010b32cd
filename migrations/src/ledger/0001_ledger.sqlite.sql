-- Instants are whole milliseconds (_ms) or seconds (_s) since 1970. Ids, keys, hashes and signatures are bytes.
-- Sums are unsigned 64-bit numbers kept as the bit pattern of a signed one. An empty machine stands for "no machine".

CREATE TABLE store_identity (
    one             INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    store           BLOB    NOT NULL CHECK (length(store) = 16),
    epoch           INTEGER NOT NULL CHECK (epoch >= 1),
    cursor_secret   BLOB    NOT NULL CHECK (length(cursor_secret) = 32),
    token_secret    BLOB    NOT NULL CHECK (length(token_secret) = 32),
    created_ms      INTEGER NOT NULL
) STRICT;

CREATE TABLE organisation (
    organisation        BLOB    NOT NULL PRIMARY KEY CHECK (length(organisation) = 16),
    name                TEXT    NOT NULL CHECK (instr(name, char(0)) = 0),
    directory_version   INTEGER NOT NULL CHECK (directory_version >= 0),
    created_ms          INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Where each ledger ends. Its row is the last one locked by a push, and held to the commit.
CREATE TABLE ledger_head (
    organisation    BLOB    NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    position        INTEGER NOT NULL CHECK (position >= 0),
    sum             INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE person (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    person          BLOB    NOT NULL CHECK (length(person) = 16),
    name            TEXT    NOT NULL CHECK (instr(name, char(0)) = 0),
    PRIMARY KEY (organisation, person)
) STRICT, WITHOUT ROWID;

CREATE TABLE device (
    device          BLOB    NOT NULL PRIMARY KEY CHECK (length(device) = 16),
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    key             BLOB    NOT NULL CHECK (length(key) = 32),
    mark            TEXT    NOT NULL CHECK (instr(mark, char(0)) = 0),
    mark_folded     TEXT    NOT NULL CHECK (instr(mark_folded, char(0)) = 0),
    person          BLOB    NOT NULL CHECK (length(person) = 16),
    role            TEXT    NOT NULL CHECK (role IN ('crew', 'mechanic', 'office', 'owner')),
    revoked         INTEGER NOT NULL CHECK (revoked IN (0, 1)),
    head_seq        INTEGER NOT NULL CHECK (head_seq >= 0),
    head_link       BLOB    NOT NULL CHECK (length(head_link) = 32),
    baton           BLOB    NOT NULL CHECK (length(baton) = 16),
    baton_before    BLOB    NOT NULL CHECK (length(baton_before) = 16),
    wanted          BLOB    CHECK (length(wanted) % 16 = 0),
    enrolled_ms     INTEGER NOT NULL,
    UNIQUE (organisation, device),
    UNIQUE (organisation, mark_folded),
    FOREIGN KEY (organisation, person) REFERENCES person (organisation, person)
) STRICT, WITHOUT ROWID;

CREATE TABLE enrolment_code (
    hash            BLOB    NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    role            TEXT    NOT NULL CHECK (role IN ('crew', 'mechanic', 'office', 'owner')),
    expires_ms      INTEGER NOT NULL,
    created_ms      INTEGER NOT NULL,
    spent_by        BLOB    CHECK (length(spent_by) = 16),
    spent_ms        INTEGER,
    CHECK ((spent_by IS NULL) = (spent_ms IS NULL))
) STRICT, WITHOUT ROWID;

CREATE TABLE ledger (
    organisation    BLOB    NOT NULL,
    position        INTEGER NOT NULL CHECK (position >= 1),
    device          BLOB    NOT NULL,
    seq             INTEGER NOT NULL CHECK (seq >= 1),
    link            BLOB    NOT NULL CHECK (length(link) = 32),
    machine         BLOB    NOT NULL CHECK (length(machine) IN (0, 16)),
    kind            TEXT,
    at_s            INTEGER,
    received_ms     INTEGER NOT NULL,
    off_s           INTEGER,
    aside           TEXT,
    bytes           BLOB    NOT NULL CHECK (length(bytes) >= 2),
    sum             INTEGER NOT NULL,
    machine_count   INTEGER NOT NULL CHECK (machine_count >= 1),
    machine_sum     INTEGER NOT NULL,
    PRIMARY KEY (organisation, position),
    UNIQUE (device, seq),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
) STRICT;

CREATE UNIQUE INDEX ledger_by_machine ON ledger (organisation, machine, position);

-- One seal for each push that was written, under the position of the last entry it brought.
CREATE TABLE seal (
    organisation    BLOB    NOT NULL,
    position        INTEGER NOT NULL,
    device          BLOB    NOT NULL,
    seq_from        INTEGER NOT NULL CHECK (seq_from >= 1),
    seq_to          INTEGER NOT NULL CHECK (seq_to >= seq_from),
    link            BLOB    NOT NULL CHECK (length(link) = 32),
    signature       BLOB    NOT NULL CHECK (length(signature) = 64),
    PRIMARY KEY (organisation, position),
    FOREIGN KEY (organisation, position) REFERENCES ledger (organisation, position),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
) STRICT;

-- What a device pushed and the ledger cannot hold beside what it has: kept byte for byte.
CREATE TABLE branch (
    organisation    BLOB    NOT NULL,
    device          BLOB    NOT NULL,
    seq_from        INTEGER NOT NULL CHECK (seq_from >= 1),
    link            BLOB    NOT NULL CHECK (length(link) = 32),
    previous        BLOB    NOT NULL CHECK (length(previous) = 32),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 1),
    received_ms     INTEGER NOT NULL,
    seal_from       INTEGER NOT NULL CHECK (seal_from >= 1),
    seal_to         INTEGER NOT NULL CHECK (seal_to >= seal_from),
    signature       BLOB    NOT NULL CHECK (length(signature) = 64),
    PRIMARY KEY (device, seq_from, link),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
) STRICT;

CREATE INDEX branch_by_organisation ON branch (organisation, received_ms);

CREATE TABLE branch_entry (
    device          BLOB    NOT NULL,
    seq_from        INTEGER NOT NULL,
    link            BLOB    NOT NULL,
    seq             INTEGER NOT NULL CHECK (seq >= seq_from),
    entry_link      BLOB    NOT NULL CHECK (length(entry_link) = 32),
    bytes           BLOB    NOT NULL CHECK (length(bytes) >= 2),
    PRIMARY KEY (device, seq_from, link, seq),
    FOREIGN KEY (device, seq_from, link) REFERENCES branch (device, seq_from, link)
) STRICT;

-- Each device's running count for each machine (mseq).
CREATE TABLE device_machine (
    device          BLOB    NOT NULL REFERENCES device (device),
    machine         BLOB    NOT NULL CHECK (length(machine) = 16),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 0),
    PRIMARY KEY (device, machine)
) STRICT, WITHOUT ROWID;

-- Where each machine's part of the ledger ends; the empty machine counts the entries about none.
CREATE TABLE machine_head (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    machine         BLOB    NOT NULL CHECK (length(machine) IN (0, 16)),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 0),
    sum             INTEGER NOT NULL,
    position        INTEGER NOT NULL CHECK (position >= 0),
    PRIMARY KEY (organisation, machine)
) STRICT, WITHOUT ROWID;

-- Computed, and to be thrown away at will.
CREATE TABLE machine_view (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    machine         BLOB    NOT NULL CHECK (length(machine) = 16),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 0),
    sum             INTEGER NOT NULL,
    json            TEXT    NOT NULL CHECK (instr(json, char(0)) = 0),
    PRIMARY KEY (organisation, machine)
) STRICT;

CREATE TRIGGER ledger_update_refused BEFORE UPDATE ON ledger
    BEGIN SELECT RAISE(ABORT, 'the ledger is never changed'); END;
CREATE TRIGGER ledger_delete_refused BEFORE DELETE ON ledger
    BEGIN SELECT RAISE(ABORT, 'the ledger is never changed'); END;
CREATE TRIGGER seal_update_refused BEFORE UPDATE ON seal
    BEGIN SELECT RAISE(ABORT, 'a seal is never changed'); END;
CREATE TRIGGER seal_delete_refused BEFORE DELETE ON seal
    BEGIN SELECT RAISE(ABORT, 'a seal is never changed'); END;
CREATE TRIGGER branch_update_refused BEFORE UPDATE ON branch
    BEGIN SELECT RAISE(ABORT, 'a branch is never changed'); END;
CREATE TRIGGER branch_delete_refused BEFORE DELETE ON branch
    BEGIN SELECT RAISE(ABORT, 'a branch is never changed'); END;
CREATE TRIGGER branch_entry_update_refused BEFORE UPDATE ON branch_entry
    BEGIN SELECT RAISE(ABORT, 'a branch is never changed'); END;
CREATE TRIGGER branch_entry_delete_refused BEFORE DELETE ON branch_entry
    BEGIN SELECT RAISE(ABORT, 'a branch is never changed'); END;
