-- Where an organisation has its issued bills told, by its operator's setting. The secret signs each notice.
CREATE TABLE bill_hook (
    organisation    BLOB    NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    url             TEXT    NOT NULL,
    inside          INTEGER NOT NULL CHECK (inside IN (0, 1)),
    secret          BLOB    NOT NULL CHECK (length(secret) = 32),
    set_ms          INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- An issued bill that is to be told, written with the issue. next_ms is when it is told next: none once it has been taken, or
-- no more is tried.
CREATE TABLE bill_notice (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    place           INTEGER NOT NULL CHECK (place >= 1),
    bill            BLOB    NOT NULL CHECK (length(bill) = 16),
    tries           INTEGER NOT NULL CHECK (tries >= 0),
    tried_ms        INTEGER,
    answer          TEXT,
    next_ms         INTEGER,
    taken_ms        INTEGER,
    PRIMARY KEY (organisation, place),
    FOREIGN KEY (organisation, bill) REFERENCES bill (organisation, bill),
    CHECK (taken_ms IS NULL OR next_ms IS NULL)
) STRICT, WITHOUT ROWID;

CREATE INDEX bill_notice_due ON bill_notice (next_ms) WHERE next_ms IS NOT NULL;
