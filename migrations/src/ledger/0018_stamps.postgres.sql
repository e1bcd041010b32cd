-- Time stamps of checkpoints by authorities outside (RFC 3161), judged before they were kept.
CREATE TABLE stamp (
    organisation    BYTEA   NOT NULL,
    size            BIGINT  NOT NULL,
    authority       TEXT    NOT NULL,
    at_s            BIGINT  NOT NULL,
    received_ms     BIGINT  NOT NULL,
    token           BYTEA   NOT NULL CHECK (octet_length(token) BETWEEN 1 AND 65536),
    PRIMARY KEY (organisation, size, authority),
    FOREIGN KEY (organisation, size) REFERENCES checkpoint (organisation, size)
);

CREATE TRIGGER stamp_change_refused BEFORE UPDATE OR DELETE OR TRUNCATE ON stamp
    FOR EACH STATEMENT EXECUTE FUNCTION ledger_change_refused();

-- Which checkpoint was the first over an entry: that tells the place of its leaf.
CREATE INDEX checkpoint_by_position ON checkpoint (organisation, position);
