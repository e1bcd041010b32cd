-- Time stamps of checkpoints by authorities outside (RFC 3161), judged before they were kept.
CREATE TABLE stamp (
    organisation    BLOB    NOT NULL,
    size            INTEGER NOT NULL,
    authority       TEXT    NOT NULL CHECK (instr(authority, char(0)) = 0),
    at_s            INTEGER NOT NULL,
    received_ms     INTEGER NOT NULL,
    token           BLOB    NOT NULL CHECK (length(token) BETWEEN 1 AND 65536),
    PRIMARY KEY (organisation, size, authority),
    FOREIGN KEY (organisation, size) REFERENCES checkpoint (organisation, size)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER stamp_update_refused BEFORE UPDATE ON stamp
BEGIN SELECT RAISE(ABORT, 'table stamp is never changed'); END;
CREATE TRIGGER stamp_delete_refused BEFORE DELETE ON stamp
BEGIN SELECT RAISE(ABORT, 'table stamp is never changed'); END;

-- Which checkpoint was the first over an entry: that tells the place of its leaf.
CREATE INDEX checkpoint_by_position ON checkpoint (organisation, position);
