-- Where an organisation's billing ends: the lock of every write below, and how many bills have been issued.
CREATE TABLE bill_head (
    organisation    BYTEA  NOT NULL PRIMARY KEY REFERENCES organisation (organisation),
    issued_count    BIGINT NOT NULL CHECK (issued_count >= 0)
);

-- The last number of each beginning: 2026- counts by itself.
CREATE TABLE bill_series (
    organisation    BYTEA  NOT NULL REFERENCES organisation (organisation),
    prefix          TEXT   NOT NULL,
    last            BIGINT NOT NULL CHECK (last >= 1),
    PRIMARY KEY (organisation, prefix)
);

-- Drafts, invoices and credit notes. The document is canonical JSON; digest is what the ledger says of an issued one.
CREATE TABLE bill (
    organisation    BYTEA  NOT NULL REFERENCES organisation (organisation),
    bill            BYTEA  NOT NULL CHECK (octet_length(bill) = 16),
    customer        BYTEA  NOT NULL CHECK (octet_length(customer) = 16),
    document        BYTEA  NOT NULL,
    made_by         BYTEA  NOT NULL CHECK (octet_length(made_by) = 16),
    made_ms         BIGINT NOT NULL,
    issued_place    BIGINT CHECK (issued_place >= 1),
    number          TEXT,
    digest          BYTEA  CHECK (octet_length(digest) = 32),
    issued_by       BYTEA  CHECK (octet_length(issued_by) = 16),
    issued_ms       BIGINT,
    PRIMARY KEY (organisation, bill),
    CHECK ((issued_place IS NULL) = (number IS NULL) AND (number IS NULL) = (digest IS NULL)
       AND (digest IS NULL) = (issued_by IS NULL) AND (issued_by IS NULL) = (issued_ms IS NULL))
);

CREATE UNIQUE INDEX bill_by_number ON bill (organisation, number);
CREATE UNIQUE INDEX bill_by_place ON bill (organisation, issued_place);

-- What a bill is for. A matter is billed once: round 0; each change that is made up for is the next round.
CREATE TABLE bill_claim (
    organisation    BYTEA  NOT NULL,
    matter          TEXT   NOT NULL,
    round           BIGINT NOT NULL CHECK (round >= 0),
    bill            BYTEA  NOT NULL,
    PRIMARY KEY (organisation, matter, round),
    FOREIGN KEY (organisation, bill) REFERENCES bill (organisation, bill)
);

CREATE UNIQUE INDEX bill_claim_by_bill ON bill_claim (organisation, bill, matter);

CREATE FUNCTION bill_change_refused() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'an issued bill is never changed';
END $$;
CREATE FUNCTION bill_claim_checked() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    claim bill_claim;
BEGIN
    IF TG_OP = 'INSERT' THEN claim := NEW; ELSE claim := OLD; END IF;
    IF TG_OP = 'UPDATE' OR EXISTS (
        SELECT 1 FROM bill WHERE organisation = claim.organisation AND bill = claim.bill AND number IS NOT NULL
    ) THEN
        RAISE EXCEPTION 'what an issued bill is for is never changed';
    END IF;
    RETURN claim;
END $$;
CREATE TRIGGER bill_change_refused BEFORE UPDATE OR DELETE ON bill
    FOR EACH ROW WHEN (OLD.number IS NOT NULL) EXECUTE FUNCTION bill_change_refused();
CREATE TRIGGER bill_truncate_refused BEFORE TRUNCATE ON bill
    FOR EACH STATEMENT EXECUTE FUNCTION bill_change_refused();
CREATE TRIGGER bill_claim_checked BEFORE INSERT OR UPDATE OR DELETE ON bill_claim
    FOR EACH ROW EXECUTE FUNCTION bill_claim_checked();
CREATE TRIGGER bill_claim_truncate_refused BEFORE TRUNCATE ON bill_claim
    FOR EACH STATEMENT EXECUTE FUNCTION bill_change_refused();
