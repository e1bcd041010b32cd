-- The device whose key vouched for this one, where no code did.
ALTER TABLE device ADD COLUMN follows BLOB CHECK (length(follows) = 16);
