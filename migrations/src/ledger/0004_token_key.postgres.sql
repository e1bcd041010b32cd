-- Keys that sign access tokens, beside the first, which lies in store_identity. Each signs from signs_ms on, until the
-- next does; with voids = 1 all that signed before it count no more from then on.
CREATE TABLE token_key (
    kid         TEXT    NOT NULL PRIMARY KEY,
    seed        BYTEA   NOT NULL CHECK (octet_length(seed) = 32),
    made_ms     BIGINT  NOT NULL,
    signs_ms    BIGINT  NOT NULL CHECK (signs_ms >= made_ms),
    voids       BIGINT  NOT NULL CHECK (voids IN (0, 1))
);

-- Assertions that have been answered, by hash, until they would be refused as too old anyway.
CREATE TABLE assertion_seen (
    hash        BYTEA   NOT NULL PRIMARY KEY CHECK (octet_length(hash) = 32),
    until_s     BIGINT  NOT NULL
);

CREATE INDEX assertion_seen_by_end ON assertion_seen (until_s);
