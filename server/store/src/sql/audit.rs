//! Reading everything there is, also where some of it cannot be read, for `crate::audit` to judge.
//!
//! Promises: all of it is read in one moment of the database, while others write. Where a batch of rows cannot be read
//! they are read one by one, so that one damaged page costs the rows on it and no others. An outage is an error; damage
//! is a finding.
//!
//! Never: a write, a judgement about entries.

mod sides;

use super::failure::{TxError, TxResult};
use super::row::{Row, blob, limit, number};
use super::session::{Ended, Tx};
use super::{DEVICE, Dialect, LEDGER, LEDGER_HEAD, MACHINE_HEAD, ORGANISATION, STORE_IDENTITY, SqlStore, Table};
use crate::audit::ledger::{DeviceFacts, Head, LedgerJudge};
use crate::audit::tree::TreeJudge;
use crate::audit::{Audit, Finder, Wrong, hex};
use crate::ledger::LedgerRow;
use crate::{StoreError, StoreResult};
use pintle_core::chain::{LogHead, Seal};
use pintle_core::exchange::Digest;
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, PublicKey, Signature};
use pintle_core::scribe::Scribe;
use sea_orm::Value;
use std::collections::BTreeMap;

/// Rows read at once: some 2 MB at most.
const BATCH_ROWS: u64 = 500;
/// Lines that SQLite's own check gives at most.
const FILE_LINES_MAX: usize = 200;

const SEAL: Table = Table { name: "seal", key: "position" };
const SCHEMA: Table = Table { name: "sqlite_master", key: "name" };
const LEDGER_COLUMNS: &str = "position, device, seq, link, machine, kind, at_s, received_ms, off_s, aside, bytes, sum, \
                              machine_count, machine_sum";

impl SqlStore {
    /// Looks through the whole database, in one moment of it.
    ///
    /// # Errors
    /// [`StoreError::Unavailable`] and its like; damage is no error.
    pub async fn audit(&self) -> StoreResult<Audit> {
        self.look("check", |tx| Box::pin(audit(tx, *self.secret()))).await
    }
}

/// A reading that goes on over damage.
struct Reader {
    tx: Tx,
    finder: Finder,
}

async fn audit(tx: Tx, secret: [u8; 32]) -> TxResult<Ended<Audit>> {
    let mut audit = Audit::default();
    let mut reader = Reader { tx, finder: Finder::default() };
    reader.file().await?;
    reader.identity().await?;
    let organisations = reader.organisations().await?;
    reader.token_keys().await?;
    for (organisation, name) in &organisations {
        reader.finder.organisation = (organisations.len() > 1).then(|| name.clone());
        reader.organisation(*organisation, &secret, &mut audit).await?;
    }
    let Reader { tx, finder } = reader;
    finder.findings.into_iter().for_each(|finding| audit.add(finding));
    tx.leave(audit).await
}

/// Whether an error means that the database is away, and not that it is damaged.
fn outage(error: &TxError) -> bool {
    matches!(error.error, StoreError::Unavailable { .. } | StoreError::Full { .. })
}

impl Reader {
    /// Rows of a query. `Err` inside `Ok` is damage; the transaction goes on.
    async fn rows(&self, table: Table, sql: &str, values: Vec<Value>) -> TxResult<Result<Vec<Row>, String>> {
        let savepoint = self.tx.dialect == Dialect::Postgres;
        if savepoint {
            self.tx.change("SAVEPOINT looking", []).await?;
        }
        let rows = self.tx.rows(table, sql, values).await;
        if savepoint {
            let end = if rows.is_ok() { "RELEASE SAVEPOINT looking" } else { "ROLLBACK TO SAVEPOINT looking" };
            self.tx.change(end, []).await?;
        }
        match rows {
            Ok(rows) => Ok(Ok(rows)),
            Err(error) if outage(&error) => Err(error),
            Err(error) => Ok(Err(error.error.to_string())),
        }
    }

    /// Rows of a small table, each read by `read`; a row that cannot be is a finding. None if not all were read.
    async fn all<T>(
        &mut self,
        table: Table,
        sql: &str,
        values: Vec<Value>,
        read: impl Fn(&Row) -> StoreResult<T>,
    ) -> TxResult<(Vec<T>, bool)> {
        let rows = match self.rows(table, sql, values).await? {
            Ok(rows) => rows,
            Err(detail) => {
                self.finder.add(Wrong::RowUnreadable, table.name, "", detail);
                return Ok((Vec::new(), false));
            }
        };
        let (mut all, mut whole) = (Vec::with_capacity(rows.len()), true);
        for row in &rows {
            match read(row) {
                Ok(value) => all.push(value),
                Err(error) => {
                    whole = false;
                    self.odd(error);
                }
            }
        }
        Ok((all, whole))
    }

    /// A column that cannot be what it should be.
    fn odd(&mut self, error: StoreError) {
        match error {
            StoreError::Corrupt { table, row, column, detail } => {
                self.finder.add(Wrong::ColumnOdd, table, row, format!("column {column}: {detail}"));
            }
            other => self.finder.add(Wrong::RowUnreadable, "", "", other.to_string()),
        }
    }

    /// What SQLite itself finds. PostgreSQL has programs of its own for that.
    async fn file(&mut self) -> TxResult<()> {
        if self.tx.dialect == Dialect::Postgres {
            return Ok(());
        }
        let tables = self.rows(SCHEMA, "SELECT name, tbl_name, rootpage FROM sqlite_master", Vec::new()).await?;
        let mut roots = BTreeMap::new();
        for row in tables.unwrap_or_default() {
            if let (Ok(root), Ok(table)) = (row.number("rootpage"), row.text("tbl_name")) {
                roots.insert(root, table);
            }
        }
        let sql = format!("PRAGMA integrity_check({FILE_LINES_MAX})");
        match self.rows(SCHEMA, &sql, Vec::new()).await? {
            Ok(rows) => {
                for row in rows {
                    let line = row.text("integrity_check").unwrap_or_else(|error| error.to_string());
                    line.lines().filter(|line| *line != "ok" && !line.starts_with("*** in")).for_each(|line| {
                        let table = tree(line).and_then(|root| roots.get(&root)).map_or("", String::as_str);
                        self.finder.add(Wrong::FileDamaged, table, "", line);
                    });
                }
            }
            Err(detail) => self.finder.add(Wrong::FileDamaged, "", "", detail),
        }
        const CHECK: Table = Table { name: "foreign_key_check", key: "rowid" };
        match self.rows(CHECK, "PRAGMA foreign_key_check", Vec::new()).await? {
            Ok(rows) => {
                for row in rows {
                    let (table, parent) = (row.text("table"), row.text("parent"));
                    let at = row.signed_or_null("rowid").ok().flatten().map_or_else(String::new, |id| id.to_string());
                    let detail = format!("it refers to a row of {} that is not there", parent.unwrap_or_default());
                    self.finder.add(Wrong::ReferenceBroken, &table.unwrap_or_default(), at, detail);
                }
            }
            Err(detail) => self.finder.add(Wrong::FileDamaged, "", "", detail),
        }
        Ok(())
    }

    async fn identity(&mut self) -> TxResult<()> {
        let sql = "SELECT one, store, epoch, cursor_secret, token_secret, ledger_secret FROM store_identity";
        let read = |row: &Row| {
            row.bytes::<16>("store")?;
            for secret in ["cursor_secret", "token_secret", "ledger_secret"] {
                row.bytes::<32>(secret)?;
            }
            row.number("epoch")
        };
        let (epochs, whole) = self.all(STORE_IDENTITY, sql, Vec::new(), read).await?;
        if whole && (epochs.len() != 1 || epochs.contains(&0)) {
            let detail = format!("there are {} rows, not one with an epoch from 1", epochs.len());
            self.finder.add(Wrong::IdentityOdd, "store_identity", "", detail);
        }
        Ok(())
    }

    async fn organisations(&mut self) -> TxResult<Vec<(OrganisationId, String)>> {
        let sql = "SELECT organisation, name FROM organisation ORDER BY organisation";
        let read = |row: &Row| Ok((OrganisationId(row.bytes("organisation")?), row.text("name")?));
        Ok(self.all(ORGANISATION, sql, Vec::new(), read).await?.0)
    }

    async fn organisation(&mut self, id: OrganisationId, secret: &[u8; 32], audit: &mut Audit) -> TxResult<()> {
        let (devices, devices_whole) = self.devices(id, secret).await?;
        let head = self.ledger_head(id).await?;
        let finder = std::mem::take(&mut self.finder);
        self.finder.organisation = finder.organisation.clone();
        let tree = TreeJudge::new(id, *secret, self.tree(id).await?);
        let mut judge = LedgerJudge::new(finder, id, &devices, devices_whole, tree);
        let end = head.map_or(0, |head| head.position);
        let logs: u64 = devices.values().filter_map(|facts| facts.head).map(|head| head.seq).sum();
        while self.batch(id, &mut judge, end.max(logs)).await? {}
        let machine_heads = self.machine_heads(id).await?;
        let walked = judge.end(head, machine_heads.as_ref());
        let later = std::mem::replace(&mut self.finder, walked.finder);
        self.finder.findings.extend(later.findings);
        audit.entries += walked.entries;
        audit.seals += walked.seals;
        audit.logs += devices.len() as u64;
        self.orphan_seals(id).await?;
        self.machine_counts(id, &walked.counts).await?;
        audit.branches += self.branches(id, &devices).await?;
        self.administration(id, secret, &walked.administration).await
    }

    async fn devices(
        &mut self,
        id: OrganisationId,
        secret: &[u8; 32],
    ) -> TxResult<(BTreeMap<DeviceId, DeviceFacts>, bool)> {
        let sql = "SELECT device, key, mark, mark_folded, head_seq, head_link, server_epoch FROM device \
                   WHERE organisation = $1 ORDER BY device";
        let rows = match self.rows(DEVICE, sql, vec![blob(&id.0)]).await? {
            Ok(rows) => rows,
            Err(detail) => {
                self.finder.add(Wrong::RowUnreadable, "device", "", detail);
                return Ok((BTreeMap::new(), false));
            }
        };
        let (mut devices, mut whole) = (BTreeMap::new(), true);
        for row in &rows {
            let device = match row.bytes("device") {
                Ok(device) => DeviceId(device),
                Err(error) => {
                    whole = false;
                    self.odd(error);
                    continue;
                }
            };
            let facts = DeviceFacts {
                key: self.or_odd(row.bytes("key")).map(PublicKey),
                mark: self.or_odd(row.text("mark")).unwrap_or_default(),
                head: self.or_odd(device_head(row)),
                server_epoch: self.or_odd(row.signed_or_null("server_epoch")).flatten().map(i64::cast_unsigned),
            };
            self.device(device, &facts, row, id, secret);
            devices.insert(device, facts);
        }
        Ok((devices, whole))
    }

    fn or_odd<T>(&mut self, read: StoreResult<T>) -> Option<T> {
        read.map_err(|error| self.odd(error)).ok()
    }

    fn device(&mut self, device: DeviceId, facts: &DeviceFacts, row: &Row, id: OrganisationId, secret: &[u8; 32]) {
        let name = format!("{} ({})", hex(&device.0), facts.mark);
        if facts.key.is_some_and(|key| DeviceId::of_key(&key) != device) {
            self.finder.add(Wrong::DeviceAltered, "device", name.clone(), "its id is not that of its key");
        }
        if row.text("mark_folded").is_ok_and(|folded| folded != crate::ledger::folded(&facts.mark)) {
            self.finder.add(Wrong::DeviceAltered, "device", name.clone(), "column mark_folded is not that of its mark");
        }
        let own = |epoch| Scribe::new(secret, id, epoch).key();
        if let (Some(epoch), Some(key)) = (facts.server_epoch, facts.key)
            && own(epoch) != key
        {
            let detail = format!("its key is not the one of the server's log in epoch {epoch}");
            self.finder.add(Wrong::ServerLogForeign, "device", name, detail);
        }
    }

    async fn ledger_head(&mut self, id: OrganisationId) -> TxResult<Option<Head>> {
        let sql = "SELECT position, sum FROM ledger_head WHERE organisation = $1";
        let read = |row: &Row| {
            let position = row.number("position")?;
            Ok(Head { position, digest: Digest { count: position, sum: row.sum("sum")? } })
        };
        let (heads, whole) = self.all(LEDGER_HEAD, sql, vec![blob(&id.0)], read).await?;
        if heads.is_empty() && whole {
            self.finder.add(Wrong::LedgerHeadWrong, "ledger_head", "", "it is missing");
        }
        Ok(heads.first().copied())
    }

    async fn machine_heads(&mut self, id: OrganisationId) -> TxResult<Option<BTreeMap<Option<MachineId>, Head>>> {
        let sql = "SELECT machine, entry_count, sum, position FROM machine_head WHERE organisation = $1";
        let read = |row: &Row| {
            let head = Head { digest: row.digest("entry_count", "sum")?, position: row.number("position")? };
            Ok((row.machine("machine")?, head))
        };
        let (heads, whole) = self.all(MACHINE_HEAD, sql, vec![blob(&id.0)], read).await?;
        Ok(whole.then(|| heads.into_iter().collect()))
    }

    /// The next rows of the ledger; false at its end. `end` is where it should end, for as long as rows cannot be read.
    async fn batch(&mut self, id: OrganisationId, judge: &mut LedgerJudge<'_>, end: u64) -> TxResult<bool> {
        let after = judge.position();
        let sql = format!(
            "SELECT {LEDGER_COLUMNS} FROM ledger WHERE organisation = $1 AND position > $2 ORDER BY position LIMIT $3"
        );
        let values = vec![blob(&id.0), number(after), limit(BATCH_ROWS as usize)];
        match self.rows(LEDGER, &sql, values).await? {
            Ok(rows) => {
                let last = rows.last().and_then(|row| row.number("position").ok()).unwrap_or(after);
                let seals = self.seals(id, after, last).await?;
                for row in &rows {
                    judged(judge, row, &seals);
                }
                // A row that cannot be told its position would be read without end.
                Ok(!rows.is_empty() && judge.position() > after)
            }
            Err(_) => self.one_by_one(id, judge, after, end).await,
        }
    }

    async fn one_by_one(
        &mut self,
        id: OrganisationId,
        judge: &mut LedgerJudge<'_>,
        after: u64,
        end: u64,
    ) -> TxResult<bool> {
        let sql = format!("SELECT {LEDGER_COLUMNS} FROM ledger WHERE organisation = $1 AND position = $2");
        let last = end.max(after + 1).min(after + BATCH_ROWS);
        let seals = self.seals(id, after, last).await?;
        for position in after + 1..=last {
            match self.rows(LEDGER, &sql, vec![blob(&id.0), number(position)]).await? {
                Ok(rows) => rows.iter().for_each(|row| judged(judge, row, &seals)),
                Err(detail) => judge.unreadable(position, Wrong::RowUnreadable, detail),
            }
        }
        if last < end {
            judge.seek(last);
        }
        Ok(last < end)
    }

    /// Seals by position; where they cannot be read at once, those that can one by one.
    async fn seals(&mut self, id: OrganisationId, after: u64, to: u64) -> TxResult<BTreeMap<u64, Seal>> {
        const COLUMNS: &str = "position, device, seq_from, seq_to, link, signature";
        let sql = format!("SELECT {COLUMNS} FROM seal WHERE organisation = $1 AND position > $2 AND position <= $3");
        let values = |after, to| vec![blob(&id.0), number(after), number(to)];
        let mut rows = Vec::new();
        match self.rows(SEAL, &sql, values(after, to)).await? {
            Ok(all) => rows = all,
            Err(_) => {
                for position in after + 1..=to {
                    match self.rows(SEAL, &sql, values(position - 1, position)).await? {
                        Ok(one) => rows.extend(one),
                        Err(detail) => self.finder.add(Wrong::RowUnreadable, "seal", position, detail),
                    }
                }
            }
        }
        let mut seals = BTreeMap::new();
        for row in &rows {
            if let Some((position, seal)) = self.or_odd(seal(row)) {
                seals.insert(position, seal);
            }
        }
        Ok(seals)
    }

    /// Seals under positions that have no entry.
    async fn orphan_seals(&mut self, id: OrganisationId) -> TxResult<()> {
        let sql = "SELECT s.position FROM seal AS s WHERE s.organisation = $1 AND NOT EXISTS \
                   (SELECT 1 FROM ledger AS l WHERE l.organisation = s.organisation AND l.position = s.position)";
        let (orphans, _) = self.all(SEAL, sql, vec![blob(&id.0)], |row| row.number("position")).await?;
        for position in orphans {
            self.finder.add(Wrong::SealAltered, "seal", position, "there is no entry at its position");
        }
        Ok(())
    }
}

/// Shows one row to the judge.
fn judged(judge: &mut LedgerJudge<'_>, row: &Row, seals: &BTreeMap<u64, Seal>) {
    match ledger_row(row) {
        Ok(read) => judge.row(&read, seals.get(&read.position)),
        Err(error) => {
            let position = row.number("position").unwrap_or(judge.position() + 1);
            let detail = match error {
                StoreError::Corrupt { column, detail, .. } => format!("column {column}: {detail}"),
                other => other.to_string(),
            };
            judge.unreadable(position, Wrong::ColumnOdd, detail);
        }
    }
}

fn ledger_row(row: &Row) -> StoreResult<LedgerRow> {
    Ok(LedgerRow {
        position: row.number("position")?,
        device: DeviceId(row.bytes("device")?),
        seq: row.number("seq")?,
        link: Hash(row.bytes("link")?),
        machine: row.machine("machine")?,
        kind: row.text_or_null("kind")?,
        at_s: row.signed_or_null("at_s")?,
        received_ms: row.signed("received_ms")?,
        off_s: row.signed_or_null("off_s")?,
        aside: row.text_or_null("aside")?,
        bytes: row.blob("bytes")?,
        sum: row.sum("sum")?,
        machine_digest: row.digest("machine_count", "machine_sum")?,
    })
}

fn device_head(row: &Row) -> StoreResult<LogHead> {
    Ok(LogHead { seq: row.number("head_seq")?, link: Hash(row.bytes("head_link")?) })
}

fn seal(row: &Row) -> StoreResult<(u64, Seal)> {
    let seal = Seal {
        device: DeviceId(row.bytes("device")?),
        from: row.number("seq_from")?,
        to: row.number("seq_to")?,
        link: Hash(row.bytes("link")?),
        signature: Signature(row.bytes("signature")?),
    };
    Ok((row.number("position")?, seal))
}

/// The root page that a line of SQLite's check speaks of: `Tree 12 page 40: …`.
fn tree(line: &str) -> Option<u64> {
    line.strip_prefix("Tree ")?.split(' ').next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_sqlite_names_its_tree() {
        assert_eq!(tree("Tree 12 page 40 cell 2: Rowid 9 out of order"), Some(12));
        assert_eq!(tree("row 5 missing from index ledger_by_machine"), None);
    }
}
