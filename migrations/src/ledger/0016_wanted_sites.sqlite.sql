-- The sites whose machines a device wants, a line each; null for none.
ALTER TABLE device ADD COLUMN wanted_sites TEXT CHECK (instr(wanted_sites, char(0)) = 0);
