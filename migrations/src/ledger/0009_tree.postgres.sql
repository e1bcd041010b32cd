-- The ledger's Merkle tree, built behind it. How far it has come; its row is locked by whoever builds.
CREATE TABLE tree_head (
    organisation    BYTEA   NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    size            BIGINT  NOT NULL CHECK (size >= 0),
    position        BIGINT  NOT NULL CHECK (position >= 0),
    link            BYTEA   NOT NULL CHECK (octet_length(link) = 32),
    root            BYTEA   NOT NULL CHECK (octet_length(root) = 32)
);

-- Its hashes: tile (level, number) holds up to 256 roots over 256^level leaves each.
CREATE TABLE tree_tile (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    level           BIGINT  NOT NULL CHECK (level BETWEEN 0 AND 6),
    number          BIGINT  NOT NULL CHECK (number >= 0),
    hashes          BYTEA   NOT NULL CHECK (octet_length(hashes) % 32 = 0 AND octet_length(hashes) BETWEEN 32 AND 8192),
    PRIMARY KEY (organisation, level, number)
);

-- Each machine's own tree: its right edge, and its root over entry_count leaves.
CREATE TABLE tree_machine (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    machine         BYTEA   NOT NULL CHECK (octet_length(machine) = 16),
    entry_count     BIGINT  NOT NULL CHECK (entry_count >= 1),
    root            BYTEA   NOT NULL CHECK (octet_length(root) = 32),
    edge            BYTEA   NOT NULL CHECK (octet_length(edge) % 32 = 0 AND octet_length(edge) BETWEEN 32 AND 2016),
    PRIMARY KEY (organisation, machine)
);

-- What has been signed.
CREATE TABLE checkpoint (
    organisation    BYTEA   NOT NULL REFERENCES organisation (organisation),
    size            BIGINT  NOT NULL CHECK (size >= 1),
    epoch           BIGINT  NOT NULL CHECK (epoch >= 1),
    position        BIGINT  NOT NULL CHECK (position >= 1),
    machines        BIGINT  NOT NULL CHECK (machines >= 0),
    roll            BYTEA   NOT NULL CHECK (octet_length(roll) = 32),
    made_ms         BIGINT  NOT NULL,
    note            TEXT    NOT NULL,
    PRIMARY KEY (organisation, size)
);

-- Signature lines of others under a checkpoint: devices that have checked it, and outside witnesses.
CREATE TABLE cosignature (
    organisation    BYTEA   NOT NULL,
    size            BIGINT  NOT NULL,
    name            TEXT    NOT NULL,
    key             BYTEA   NOT NULL CHECK (octet_length(key) = 32),
    time_s          BIGINT  NOT NULL,
    line            TEXT    NOT NULL,
    PRIMARY KEY (organisation, size, name),
    FOREIGN KEY (organisation, size) REFERENCES checkpoint (organisation, size)
);

CREATE TRIGGER checkpoint_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON checkpoint
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();
