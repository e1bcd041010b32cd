-- Keys that sign access tokens, beside the first, which lies in store_identity. Each signs from signs_ms on, until the
-- next does; with voids = 1 all that signed before it count no more from then on.
CREATE TABLE token_key (
    kid         TEXT    NOT NULL PRIMARY KEY CHECK (instr(kid, char(0)) = 0),
    seed        BLOB    NOT NULL CHECK (length(seed) = 32),
    made_ms     INTEGER NOT NULL,
    signs_ms    INTEGER NOT NULL CHECK (signs_ms >= made_ms),
    voids       INTEGER NOT NULL CHECK (voids IN (0, 1))
) STRICT, WITHOUT ROWID;

-- Assertions that have been answered, by hash, until they would be refused as too old anyway.
CREATE TABLE assertion_seen (
    hash        BLOB    NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    until_s     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE INDEX assertion_seen_by_end ON assertion_seen (until_s);
