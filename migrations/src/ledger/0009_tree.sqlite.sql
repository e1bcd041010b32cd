-- The ledger's Merkle tree, built behind it. How far it has come; its row is locked by whoever builds.
CREATE TABLE tree_head (
    organisation    BLOB    NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    size            INTEGER NOT NULL CHECK (size >= 0),
    position        INTEGER NOT NULL CHECK (position >= 0),
    link            BLOB    NOT NULL CHECK (length(link) = 32),
    root            BLOB    NOT NULL CHECK (length(root) = 32)
) STRICT, WITHOUT ROWID;

-- Its hashes: tile (level, number) holds up to 256 roots over 256^level leaves each.
CREATE TABLE tree_tile (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    level           INTEGER NOT NULL CHECK (level BETWEEN 0 AND 6),
    number          INTEGER NOT NULL CHECK (number >= 0),
    hashes          BLOB    NOT NULL CHECK (length(hashes) % 32 = 0 AND length(hashes) BETWEEN 32 AND 8192),
    PRIMARY KEY (organisation, level, number)
) STRICT;

-- Each machine's own tree: its right edge, and its root over entry_count leaves.
CREATE TABLE tree_machine (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    machine         BLOB    NOT NULL CHECK (length(machine) = 16),
    entry_count     INTEGER NOT NULL CHECK (entry_count >= 1),
    root            BLOB    NOT NULL CHECK (length(root) = 32),
    edge            BLOB    NOT NULL CHECK (length(edge) % 32 = 0 AND length(edge) BETWEEN 32 AND 2016),
    PRIMARY KEY (organisation, machine)
) STRICT, WITHOUT ROWID;

-- What has been signed.
CREATE TABLE checkpoint (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    size            INTEGER NOT NULL CHECK (size >= 1),
    epoch           INTEGER NOT NULL CHECK (epoch >= 1),
    position        INTEGER NOT NULL CHECK (position >= 1),
    machines        INTEGER NOT NULL CHECK (machines >= 0),
    roll            BLOB    NOT NULL CHECK (length(roll) = 32),
    made_ms         INTEGER NOT NULL,
    note            TEXT    NOT NULL CHECK (instr(note, char(0)) = 0),
    PRIMARY KEY (organisation, size)
) STRICT, WITHOUT ROWID;

-- Signature lines of others under a checkpoint: devices that have checked it, and outside witnesses.
CREATE TABLE cosignature (
    organisation    BLOB    NOT NULL,
    size            INTEGER NOT NULL,
    name            TEXT    NOT NULL CHECK (instr(name, char(0)) = 0),
    key             BLOB    NOT NULL CHECK (length(key) = 32),
    time_s          INTEGER NOT NULL,
    line            TEXT    NOT NULL CHECK (instr(line, char(0)) = 0),
    PRIMARY KEY (organisation, size, name),
    FOREIGN KEY (organisation, size) REFERENCES checkpoint (organisation, size)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER checkpoint_update_refused BEFORE UPDATE ON checkpoint
BEGIN SELECT RAISE(ABORT, 'table checkpoint is never changed'); END;
CREATE TRIGGER checkpoint_delete_refused BEFORE DELETE ON checkpoint
BEGIN SELECT RAISE(ABORT, 'table checkpoint is never changed'); END;
