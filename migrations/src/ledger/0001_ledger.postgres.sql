-- Instants are whole milliseconds (_ms) or seconds (_s) since 1970. Ids, keys, hashes and signatures are bytes.
-- Sums are unsigned 64-bit numbers kept as the bit pattern of a signed one. An empty machine stands for "no machine".

CREATE TABLE store_identity (
    one             BIGINT  NOT NULL PRIMARY KEY CHECK (one = 1),
    store           BYTEA   NOT NULL CHECK (octet_length(store) = 16),
    epoch           BIGINT  NOT NULL CHECK (epoch >= 1),
    cursor_secret   BYTEA   NOT NULL CHECK (octet_length(cursor_secret) = 32),
    token_secret    BYTEA   NOT NULL CHECK (octet_length(token_secret) = 32),
    created_ms      BIGINT  NOT NULL
);

CREATE TABLE organisation (
    organisation        BYTEA   NOT NULL PRIMARY KEY CHECK (octet_length(organisation) = 16),
    name                TEXT    NOT NULL,
    directory_version   BIGINT  NOT NULL CHECK (directory_version >= 0),
    created_ms          BIGINT  NOT NULL
);

-- Where each ledger ends. Its row is the last one locked by a push, and held to the commit.
CREATE TABLE ledger_head (
    organisation    BYTEA   NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    position        BIGINT  NOT NULL CHECK (position >= 0),
    sum             BIGINT  NOT NULL
);

CREATE TABLE person (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    person          BYTEA   NOT NULL CHECK (octet_length(person) = 16),
    name            TEXT    NOT NULL,
    PRIMARY KEY (organisation, person)
);

CREATE TABLE device (
    device          BYTEA   NOT NULL PRIMARY KEY CHECK (octet_length(device) = 16),
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    key             BYTEA   NOT NULL CHECK (octet_length(key) = 32),
    mark            TEXT    NOT NULL,
    mark_folded     TEXT    NOT NULL,
    person          BYTEA   NOT NULL CHECK (octet_length(person) = 16),
    role            TEXT    NOT NULL CHECK (role IN ('crew', 'mechanic', 'office', 'owner')),
    revoked         BIGINT  NOT NULL CHECK (revoked IN (0, 1)),
    head_seq        BIGINT  NOT NULL CHECK (head_seq >= 0),
    head_link       BYTEA   NOT NULL CHECK (octet_length(head_link) = 32),
    baton           BYTEA   NOT NULL CHECK (octet_length(baton) = 16),
    baton_before    BYTEA   NOT NULL CHECK (octet_length(baton_before) = 16),
    wanted          BYTEA   CHECK (octet_length(wanted) % 16 = 0),
    enrolled_ms     BIGINT  NOT NULL,
    UNIQUE (organisation, device),
    UNIQUE (organisation, mark_folded),
    FOREIGN KEY (organisation, person) REFERENCES person (organisation, person)
);

CREATE TABLE enrolment_code (
    hash            BYTEA   NOT NULL PRIMARY KEY CHECK (octet_length(hash) = 32),
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    role            TEXT    NOT NULL CHECK (role IN ('crew', 'mechanic', 'office', 'owner')),
    expires_ms      BIGINT  NOT NULL,
    created_ms      BIGINT  NOT NULL,
    spent_by        BYTEA   CHECK (octet_length(spent_by) = 16),
    spent_ms        BIGINT,
    CHECK ((spent_by IS NULL) = (spent_ms IS NULL))
);

CREATE TABLE ledger (
    organisation    BYTEA   NOT NULL,
    position        BIGINT  NOT NULL CHECK (position >= 1),
    device          BYTEA   NOT NULL,
    seq             BIGINT  NOT NULL CHECK (seq >= 1),
    link            BYTEA   NOT NULL CHECK (octet_length(link) = 32),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) IN (0, 16)),
    kind            TEXT,
    at_s            BIGINT,
    received_ms     BIGINT  NOT NULL,
    off_s           BIGINT,
    aside           TEXT,
    bytes           BYTEA   NOT NULL CHECK (octet_length(bytes) >= 2),
    sum             BIGINT  NOT NULL,
    machine_count   BIGINT  NOT NULL CHECK (machine_count >= 1),
    machine_sum     BIGINT  NOT NULL,
    PRIMARY KEY (organisation, position),
    UNIQUE (device, seq),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
);

CREATE UNIQUE INDEX ledger_by_machine ON ledger (organisation, machine, position);

-- One seal for each push that was written, under the position of the last entry it brought.
CREATE TABLE seal (
    organisation    BYTEA   NOT NULL,
    position        BIGINT  NOT NULL,
    device          BYTEA   NOT NULL,
    seq_from        BIGINT  NOT NULL CHECK (seq_from >= 1),
    seq_to          BIGINT  NOT NULL CHECK (seq_to >= seq_from),
    link            BYTEA   NOT NULL CHECK (octet_length(link) = 32),
    signature       BYTEA   NOT NULL CHECK (octet_length(signature) = 64),
    PRIMARY KEY (organisation, position),
    FOREIGN KEY (organisation, position) REFERENCES ledger (organisation, position),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
);

-- What a device pushed and the ledger cannot hold beside what it has: kept byte for byte.
CREATE TABLE branch (
    organisation    BYTEA   NOT NULL,
    device          BYTEA   NOT NULL,
    seq_from        BIGINT  NOT NULL CHECK (seq_from >= 1),
    link            BYTEA   NOT NULL CHECK (octet_length(link) = 32),
    previous        BYTEA   NOT NULL CHECK (octet_length(previous) = 32),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 1),
    received_ms     BIGINT  NOT NULL,
    seal_from       BIGINT  NOT NULL CHECK (seal_from >= 1),
    seal_to         BIGINT  NOT NULL CHECK (seal_to >= seal_from),
    signature       BYTEA   NOT NULL CHECK (octet_length(signature) = 64),
    PRIMARY KEY (device, seq_from, link),
    FOREIGN KEY (organisation, device) REFERENCES device (organisation, device)
);

CREATE INDEX branch_by_organisation ON branch (organisation, received_ms);

CREATE TABLE branch_entry (
    device          BYTEA   NOT NULL,
    seq_from        BIGINT  NOT NULL,
    link            BYTEA   NOT NULL,
    seq             BIGINT  NOT NULL CHECK (seq >= seq_from),
    entry_link      BYTEA   NOT NULL CHECK (octet_length(entry_link) = 32),
    bytes           BYTEA   NOT NULL CHECK (octet_length(bytes) >= 2),
    PRIMARY KEY (device, seq_from, link, seq),
    FOREIGN KEY (device, seq_from, link) REFERENCES branch (device, seq_from, link)
);

-- Each device's running count for each machine (mseq).
CREATE TABLE device_machine (
    device          BYTEA   NOT NULL REFERENCES device (device),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) = 16),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 0),
    PRIMARY KEY (device, machine)
);

-- Where each machine's part of the ledger ends; the empty machine counts the entries about none.
CREATE TABLE machine_head (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) IN (0, 16)),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 0),
    sum             BIGINT  NOT NULL,
    position        BIGINT  NOT NULL CHECK (position >= 0),
    PRIMARY KEY (organisation, machine)
);

-- Computed, and to be thrown away at will.
CREATE TABLE machine_view (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) = 16),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 0),
    sum             BIGINT  NOT NULL,
    json            TEXT    NOT NULL,
    PRIMARY KEY (organisation, machine)
);

CREATE FUNCTION ledger_change_refused() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'table % is never changed', TG_TABLE_NAME USING ERRCODE = 'restrict_violation';
END
$$;

-- For each statement, so that one that touches no row is refused too.
CREATE TRIGGER ledger_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON ledger
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();
CREATE TRIGGER seal_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON seal
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();
CREATE TRIGGER branch_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON branch
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();
CREATE TRIGGER branch_entry_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON branch_entry
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();
