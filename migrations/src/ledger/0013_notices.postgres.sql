-- Where an organisation has its issued bills told, by its operator's setting. The secret signs each notice.
CREATE TABLE bill_hook (
    organisation    BYTEA  NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    url             TEXT   NOT NULL,
    inside          BIGINT NOT NULL CHECK (inside IN (0, 1)),
    secret          BYTEA  NOT NULL CHECK (octet_length(secret) = 32),
    set_ms          BIGINT NOT NULL
);

-- An issued bill that is to be told, written with the issue. next_ms is when it is told next: none once it has been taken, or
-- no more is tried.
CREATE TABLE bill_notice (
    organisation    BYTEA  NOT NULL REFERENCES organisation (organisation),
    place           BIGINT NOT NULL CHECK (place >= 1),
    bill            BYTEA  NOT NULL CHECK (octet_length(bill) = 16),
    tries           BIGINT NOT NULL CHECK (tries >= 0),
    tried_ms        BIGINT,
    answer          TEXT,
    next_ms         BIGINT,
    taken_ms        BIGINT,
    PRIMARY KEY (organisation, place),
    FOREIGN KEY (organisation, bill) REFERENCES bill (organisation, bill),
    CHECK (taken_ms IS NULL OR next_ms IS NULL)
);

CREATE INDEX bill_notice_due ON bill_notice (next_ms) WHERE next_ms IS NOT NULL;
