-- The device whose key vouched for this one, where no code did.
ALTER TABLE device ADD COLUMN follows BYTEA CHECK (octet_length(follows) = 16);
