//! The schema of a device's database, as steps of SQL for SQLite.
//!
//! Promises: steps are numbered 1, 2, 3 … and a landed step is never edited; a change is a new step. Whoever runs
//! them does so in one transaction and keeps the number of the last one in the database.
//!
//! Never: runs anything. The device opens its own database and knows its own driver.
//!
//! Rules of the tables: strict types; ids, keys and hashes are bytes of one length; instants of the server are
//! milliseconds, what people claim is seconds; decimals are thousandths. An entry, once written, is neither changed
//! nor deleted: only its place in the ledger and its standing are learned later, and where two copies of one device went
//! apart, entries of the branch that was given up move to `branch` and name where they were recorded again. Everything in `machine` and
//! `outlook` can be computed again from `entry`; it is kept so that recording need not read the whole log of a machine.

/// One step of the device's schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Step {
    /// Its number, from 1 without a hole.
    pub version: u32,
    /// The statements.
    pub sql: &'static str,
}

/// Every step, in order.
pub const STEPS: &[Step] = &[
    Step {
        version: 1,
        sql: r#"
CREATE TABLE own (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  device BLOB NOT NULL CHECK (length(device) = 16),
  public_key BLOB NOT NULL CHECK (length(public_key) = 32),
  head_seq INTEGER NOT NULL CHECK (head_seq >= 0),
  head_link BLOB NOT NULL CHECK (length(head_link) = 32),
  mark TEXT NOT NULL,
  person BLOB NOT NULL CHECK (length(person) = 16),
  last_machine BLOB CHECK (length(last_machine) = 16),
  seen INTEGER NOT NULL DEFAULT 0 CHECK (seen >= 0),
  recover_seq INTEGER CHECK (recover_seq >= 1),
  recover_link BLOB CHECK (length(recover_link) = 32)
) STRICT;

CREATE TABLE entry (
  device BLOB NOT NULL CHECK (length(device) = 16),
  seq INTEGER NOT NULL CHECK (seq >= 1),
  link BLOB NOT NULL CHECK (length(link) = 32),
  position INTEGER CHECK (position >= 1),
  received_ms INTEGER,
  off_s INTEGER,
  aside TEXT,
  machine BLOB CHECK (length(machine) = 16),
  at_s INTEGER NOT NULL,
  kind TEXT NOT NULL,
  bytes BLOB NOT NULL,
  PRIMARY KEY (device, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX entry_by_machine ON entry (machine, at_s);
CREATE INDEX entry_deciding ON entry (kind) WHERE kind IN ('machine_added', 'settled', 'struck');
CREATE UNIQUE INDEX entry_by_position ON entry (position) WHERE position IS NOT NULL;

CREATE TABLE branch (
  device BLOB NOT NULL CHECK (length(device) = 16),
  seq INTEGER NOT NULL CHECK (seq >= 1),
  link BLOB NOT NULL CHECK (length(link) = 32),
  bytes BLOB NOT NULL,
  again_device BLOB NOT NULL CHECK (length(again_device) = 16),
  again_seq INTEGER NOT NULL CHECK (again_seq >= 1),
  PRIMARY KEY (device, seq, link)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER entry_is_kept BEFORE DELETE ON entry
WHEN NOT EXISTS (SELECT 1 FROM branch WHERE device = OLD.device AND seq = OLD.seq AND link = OLD.link AND bytes = OLD.bytes)
BEGIN SELECT RAISE(ABORT, 'an entry is never deleted'); END;
CREATE TRIGGER branch_is_kept BEFORE DELETE ON branch
BEGIN SELECT RAISE(ABORT, 'an entry is never deleted'); END;
CREATE TRIGGER branch_is_not_changed BEFORE UPDATE ON branch
BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END;
CREATE TRIGGER entry_is_not_changed BEFORE UPDATE OF device, seq, link, machine, at_s, kind, bytes ON entry
BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END;

CREATE TABLE machine (
  id BLOB PRIMARY KEY CHECK (length(id) = 16),
  name TEXT NOT NULL,
  folded TEXT NOT NULL,
  meter_kind TEXT NOT NULL,
  serial TEXT,
  site TEXT,
  retired TEXT,
  own_count INTEGER NOT NULL CHECK (own_count >= 0),
  reading_milli INTEGER,
  reading_at_s INTEGER,
  open_findings INTEGER NOT NULL CHECK (open_findings >= 0),
  tagged_out TEXT NOT NULL,
  stands_for BLOB CHECK (length(stands_for) = 16),
  last_at_s INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX machine_by_name ON machine (folded);

CREATE TABLE person (
  id BLOB PRIMARY KEY CHECK (length(id) = 16),
  name TEXT NOT NULL,
  folded TEXT NOT NULL,
  shared INTEGER NOT NULL CHECK (shared IN (0, 1))
) STRICT, WITHOUT ROWID;

CREATE TABLE device (
  id BLOB PRIMARY KEY CHECK (length(id) = 16),
  mark TEXT NOT NULL,
  public_key BLOB NOT NULL CHECK (length(public_key) = 32),
  person BLOB NOT NULL CHECK (length(person) = 16),
  revoked INTEGER NOT NULL CHECK (revoked IN (0, 1))
) STRICT, WITHOUT ROWID;

CREATE TABLE seal (
  device BLOB NOT NULL CHECK (length(device) = 16),
  to_seq INTEGER NOT NULL CHECK (to_seq >= 1),
  from_seq INTEGER NOT NULL CHECK (from_seq >= 1),
  link BLOB NOT NULL CHECK (length(link) = 32),
  signature BLOB NOT NULL CHECK (length(signature) = 64),
  PRIMARY KEY (device, to_seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE sync (
  one INTEGER PRIMARY KEY CHECK (one = 1),
  server TEXT NOT NULL,
  organisation BLOB NOT NULL CHECK (length(organisation) = 16),
  organisation_name TEXT NOT NULL,
  store BLOB NOT NULL CHECK (length(store) = 16),
  epoch INTEGER NOT NULL,
  baton BLOB NOT NULL CHECK (length(baton) = 16),
  cursor TEXT,
  digest_count INTEGER NOT NULL CHECK (digest_count >= 0),
  digest_sum BLOB NOT NULL CHECK (length(digest_sum) = 8),
  copied INTEGER NOT NULL CHECK (copied IN (0, 1)),
  directory INTEGER NOT NULL CHECK (directory >= 0),
  bytes_max INTEGER NOT NULL CHECK (bytes_max >= 1),
  last_at_s INTEGER,
  last_outcome TEXT
) STRICT;

CREATE TABLE notice (
  number INTEGER PRIMARY KEY,
  at_s INTEGER NOT NULL,
  code TEXT NOT NULL,
  sentence TEXT NOT NULL
) STRICT;
"#,
    },
    // `folded` 0: some entries were taken in since the fold, good for an answer at once. `made_by` names the program that
    // folded, so that another version folds anew. Whether an outlook is up to date is told by `counted`, the number
    // of this device's entries about the machine that it knows: pulled entries are folded as they come.
    Step {
        version: 2,
        sql: r#"
CREATE TABLE outlook (
  machine BLOB PRIMARY KEY CHECK (length(machine) = 16),
  counted INTEGER NOT NULL CHECK (counted >= 0),
  folded INTEGER NOT NULL CHECK (folded IN (0, 1)),
  made_by TEXT NOT NULL,
  json TEXT NOT NULL
) STRICT, WITHOUT ROWID;
"#,
    },
    // What the organisation lets the device's person do, as the reply to the enrolment named it; unknown where a device was
    // enrolled before this step.
    Step {
        version: 3,
        sql: r#"
ALTER TABLE sync ADD COLUMN role TEXT;
"#,
    },
    // Runs of other devices' entries that came by carry, as they came, for the server: whole, so that nothing of them is lost
    // where their entries make room for others. `said` is what the server answered last.
    Step {
        version: 4,
        sql: r#"
CREATE TABLE carried (
  device BLOB NOT NULL CHECK (length(device) = 16),
  from_seq INTEGER NOT NULL CHECK (from_seq >= 1),
  to_seq INTEGER NOT NULL CHECK (to_seq >= from_seq),
  link BLOB NOT NULL CHECK (length(link) = 32),
  bytes BLOB NOT NULL,
  came_at_s INTEGER NOT NULL,
  said TEXT,
  PRIMARY KEY (device, to_seq, from_seq, link)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER carried_is_kept BEFORE DELETE ON carried
BEGIN SELECT RAISE(ABORT, 'what came by carry is never deleted'); END;
CREATE TRIGGER carried_is_not_changed BEFORE UPDATE OF device, from_seq, to_seq, link, bytes ON carried
BEGIN SELECT RAISE(ABORT, 'what came by carry is never changed'); END;
"#,
    },
    // Which machines the device wants: null for all, else JSON as in an exchange; whether the server has been told; and for
    // which machines the cursor was made, their ids one after the other, null for all.
    Step {
        version: 5,
        sql: r#"
ALTER TABLE sync ADD COLUMN wanted TEXT;
ALTER TABLE sync ADD COLUMN wanted_told INTEGER NOT NULL DEFAULT 1 CHECK (wanted_told IN (0, 1));
ALTER TABLE sync ADD COLUMN held BLOB CHECK (length(held) % 16 = 0);
"#,
    },
    // The checkpoint held of each ledger and epoch; beside it what the server showed in its place and does not follow from it.
    // One of an earlier epoch is never deleted: it is what this device can show of that ledger.
    Step {
        version: 6,
        sql: r#"
CREATE TABLE checkpoint (
  store BLOB NOT NULL CHECK (length(store) = 16),
  epoch INTEGER NOT NULL CHECK (epoch >= 0),
  key BLOB NOT NULL CHECK (length(key) = 32),
  note TEXT NOT NULL,
  size INTEGER NOT NULL CHECK (size >= 1),
  root BLOB NOT NULL CHECK (length(root) = 32),
  shown_why TEXT,
  shown_at_s INTEGER,
  shown_key BLOB CHECK (length(shown_key) = 32),
  shown_note TEXT,
  shown_proof BLOB CHECK (length(shown_proof) % 32 = 0),
  CHECK ((shown_why IS NULL) = (shown_note IS NULL) AND (shown_why IS NULL) = (shown_key IS NULL)
    AND (shown_why IS NULL) = (shown_proof IS NULL) AND (shown_why IS NULL) = (shown_at_s IS NULL)),
  PRIMARY KEY (store, epoch)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER checkpoint_is_kept BEFORE DELETE ON checkpoint
BEGIN SELECT RAISE(ABORT, 'a checkpoint is never deleted'); END;
"#,
    },
    // The photos and documents that this device recorded: the entry that names each first, and the database and epoch that had
    // all of it when this device last looked. The bytes lie in files beside the database.
    Step {
        version: 7,
        sql: r#"
CREATE TABLE file (
  sha256 BLOB PRIMARY KEY CHECK (length(sha256) = 32),
  device BLOB NOT NULL CHECK (length(device) = 16),
  seq INTEGER NOT NULL CHECK (seq >= 1),
  bytes INTEGER NOT NULL CHECK (bytes >= 1),
  media TEXT NOT NULL,
  name TEXT NOT NULL,
  there_store BLOB CHECK (length(there_store) = 16),
  there_epoch INTEGER CHECK ((there_epoch IS NULL) = (there_store IS NULL))
) STRICT, WITHOUT ROWID;
CREATE TRIGGER file_is_kept BEFORE DELETE ON file
BEGIN SELECT RAISE(ABORT, 'what names a file is never deleted'); END;
"#,
    },
];
