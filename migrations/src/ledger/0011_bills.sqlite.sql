-- Where an organisation's billing ends: the lock of every write below, and how many bills have been issued.
CREATE TABLE bill_head (
    organisation    BLOB    NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    issued_count    INTEGER NOT NULL CHECK (issued_count >= 0)
) STRICT, WITHOUT ROWID;

-- The last number of each beginning: 2026- counts by itself.
CREATE TABLE bill_series (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    prefix          TEXT    NOT NULL,
    last            INTEGER NOT NULL CHECK (last >= 1),
    PRIMARY KEY (organisation, prefix)
) STRICT, WITHOUT ROWID;

-- Drafts, invoices and credit notes. The document is canonical JSON; digest is what the ledger says of an issued one.
CREATE TABLE bill (
    organisation    BLOB    NOT NULL REFERENCES organisation (organisation),
    bill            BLOB    NOT NULL CHECK (length(bill) = 16),
    customer        BLOB    NOT NULL CHECK (length(customer) = 16),
    document        BLOB    NOT NULL,
    made_by         BLOB    NOT NULL CHECK (length(made_by) = 16),
    made_ms         INTEGER NOT NULL,
    issued_place    INTEGER CHECK (issued_place >= 1),
    number          TEXT,
    digest          BLOB    CHECK (length(digest) = 32),
    issued_by       BLOB    CHECK (length(issued_by) = 16),
    issued_ms       INTEGER,
    PRIMARY KEY (organisation, bill),
    CHECK ((issued_place IS NULL) = (number IS NULL) AND (number IS NULL) = (digest IS NULL)
       AND (digest IS NULL) = (issued_by IS NULL) AND (issued_by IS NULL) = (issued_ms IS NULL))
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX bill_by_number ON bill (organisation, number);
CREATE UNIQUE INDEX bill_by_place ON bill (organisation, issued_place);

-- What a bill is for. A matter is billed once: round 0; each change that is made up for is the next round.
CREATE TABLE bill_claim (
    organisation    BLOB    NOT NULL,
    matter          TEXT    NOT NULL,
    round           INTEGER NOT NULL CHECK (round >= 0),
    bill            BLOB    NOT NULL,
    PRIMARY KEY (organisation, matter, round),
    FOREIGN KEY (organisation, bill) REFERENCES bill (organisation, bill)
) STRICT, WITHOUT ROWID;

CREATE UNIQUE INDEX bill_claim_by_bill ON bill_claim (organisation, bill, matter);

CREATE TRIGGER bill_update_refused BEFORE UPDATE ON bill WHEN OLD.number IS NOT NULL
    BEGIN SELECT RAISE(ABORT, 'an issued bill is never changed'); END;
CREATE TRIGGER bill_delete_refused BEFORE DELETE ON bill WHEN OLD.number IS NOT NULL
    BEGIN SELECT RAISE(ABORT, 'an issued bill is never changed'); END;
CREATE TRIGGER bill_claim_update_refused BEFORE UPDATE ON bill_claim
    BEGIN SELECT RAISE(ABORT, 'what a bill is for is never changed'); END;
CREATE TRIGGER bill_claim_delete_refused BEFORE DELETE ON bill_claim
    WHEN EXISTS (SELECT 1 FROM bill WHERE organisation = OLD.organisation AND bill = OLD.bill AND number IS NOT NULL)
    BEGIN SELECT RAISE(ABORT, 'what an issued bill is for is never changed'); END;
CREATE TRIGGER bill_claim_insert_refused BEFORE INSERT ON bill_claim
    WHEN EXISTS (SELECT 1 FROM bill WHERE organisation = NEW.organisation AND bill = NEW.bill AND number IS NOT NULL)
    BEGIN SELECT RAISE(ABORT, 'what an issued bill is for is never changed'); END;
