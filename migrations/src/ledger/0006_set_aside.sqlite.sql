-- What is set aside is listed for the office, with what decides whether it counts.
CREATE INDEX ledger_set_aside ON ledger (organisation, position) WHERE aside IS NOT NULL;
CREATE INDEX ledger_ruling ON ledger (organisation, position) WHERE kind IN ('released', 'struck');
