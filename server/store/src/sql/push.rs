//! A push, in one transaction.
//!
//! Promises: locks are taken in one order: the device's row, the machines' by id, the ledger's head last and held to
//! the commit. A position is given under that last lock, so that positions have no hole and whoever sees position n
//! sees all before it. Entries are inserted plainly: a number that is already there is an error, never passed over.
//!
//! Never: a sequence, an identity column, a clock.

use super::branches;
use super::failure::TxResult;
use super::row::{blob, machine_blob, number, signed, sum, text};
use super::session::{Ended, Tx, places};
use super::{DEVICE, Dialect, LEDGER, LEDGER_HEAD, MACHINE_HEAD, Table};
use crate::ledger::{LedgerEnd, LedgerRow, MachineDigests, append, machine_of};
use crate::{DeviceScope, Pushed, same_device};
use pintle_core::admit::{self, Admission, Author, Checked, Fresh, Known, Stored};
use pintle_core::chain::{LogHead, Seal};
use pintle_core::exchange::{ClockSample, Digest};
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId};
use sea_orm::Value;
use std::collections::{BTreeMap, BTreeSet};

const DEVICE_MACHINE: Table = Table { name: "device_machine", key: "machine" };

pub(super) async fn push(
    tx: Tx,
    scope: DeviceScope,
    checked: &Checked,
    clock: &ClockSample,
    now_ms: i64,
) -> TxResult<Ended<Pushed>> {
    let pushed = push_in(&tx, scope, checked, clock, now_ms).await?;
    let changed = matches!(pushed.admission, Admission::Write { .. } | Admission::Fork { .. });
    if changed { tx.commit(pushed).await } else { tx.leave(pushed).await }
}

/// A push, as a part of a transaction that may do more.
pub(super) async fn push_in(
    tx: &Tx,
    scope: DeviceScope,
    checked: &Checked,
    clock: &ClockSample,
    now_ms: i64,
) -> TxResult<Pushed> {
    same_device("push", scope, checked)?;
    let mut known = known(tx, scope, checked).await?;
    let admission = admit::admit(checked, &known, clock, now_ms);
    match &admission {
        Admission::Write { fresh, head, machine_counts } => {
            head_set(tx, scope.device, head).await?;
            machine_counts_set(tx, scope.device, &known.machine_counts, machine_counts).await?;
            let rows = write(tx, scope, fresh, &checked.seal, now_ms).await?;
            let places = fresh.iter().zip(&rows);
            known.stored.extend(places.map(|(fresh, row)| (row.seq, fresh.stored(row.position, now_ms))));
            known.head = *head;
        }
        Admission::Fork { seq } => branches::keep(tx, scope, checked, *seq, now_ms).await?,
        Admission::Held | Admission::Gap { .. } => {}
    }
    let answer = admit::answer(&admission, checked, known.revoked, &known.stored);
    Ok(Pushed { admission, answer, head: known.head })
}

/// Locks the device and reads what the decision needs.
async fn known(tx: &Tx, scope: DeviceScope, checked: &Checked) -> TxResult<Known> {
    let sql = "SELECT device, head_seq, head_link, role, revoked, server_epoch FROM device WHERE device = $1 AND organisation = $2";
    let sql = format!("{sql}{}", tx.for_update());
    let row = tx.row(DEVICE, sql, [blob(&scope.device.0), blob(&scope.organisation.0)]).await?;
    let row = row.ok_or_else(|| tx.failed("there is no such device of the organisation"))?;
    let head = LogHead { seq: row.number("head_seq")?, link: Hash(row.bytes("head_link")?) };
    let revoked = row.signed("revoked")? != 0;
    let author = match row.signed_or_null("server_epoch")? {
        Some(_) => Author::Server,
        None => Author::Person(row.role("role")?),
    };
    let stored = match checked.from.saturating_sub(1) {
        before if before > head.seq => BTreeMap::new(),
        before => stored(tx, scope.device, before, checked.seal.to).await?,
    };
    let machines = checked.entries.iter().filter_map(|entry| entry.entry.head().ok()?.machine).collect();
    let machine_counts = machine_counts(tx, scope.device, &machines).await?;
    Ok(Known { head, author, revoked, stored, machine_counts })
}

/// What the ledger holds of a device's log from one number to another.
pub(super) async fn stored(tx: &Tx, device: DeviceId, from: u64, to: u64) -> TxResult<BTreeMap<u64, Stored>> {
    let sql = "SELECT seq, link, position, received_ms, off_s, aside FROM ledger \
               WHERE device = $1 AND seq BETWEEN $2 AND $3";
    let rows = tx.rows(LEDGER, sql, [blob(&device.0), number(from), number(to)]).await?;
    let read = |row: &super::row::Row| {
        let stored = Stored {
            link: Hash(row.bytes("link")?),
            position: row.number("position")?,
            received_ms: row.signed("received_ms")?,
            off_s: row.signed_or_null("off_s")?,
            aside: row.text_or_null("aside")?,
        };
        Ok((row.number("seq")?, stored))
    };
    rows.iter().map(read).collect()
}

async fn machine_counts(
    tx: &Tx,
    device: DeviceId,
    machines: &BTreeSet<MachineId>,
) -> TxResult<BTreeMap<MachineId, u64>> {
    if machines.is_empty() {
        return Ok(BTreeMap::new());
    }
    // As many as a push has entries at most, so that no statement binds too many values.
    let sql = format!(
        "SELECT machine, entry_count FROM device_machine WHERE device = $1 AND machine IN ({})",
        places(2, machines.len())
    );
    let values = std::iter::once(blob(&device.0)).chain(machines.iter().map(|machine| blob(&machine.0)));
    let rows = tx.rows(DEVICE_MACHINE, sql, values).await?;
    rows.iter().map(|row| Ok((MachineId(row.bytes("machine")?), row.number("entry_count")?))).collect()
}

async fn head_set(tx: &Tx, device: DeviceId, head: &LogHead) -> TxResult<()> {
    let sql = "UPDATE device SET head_seq = $1, head_link = $2 WHERE device = $3";
    tx.change_one(sql, [number(head.seq), blob(&head.link.0), blob(&device.0)]).await
}

async fn machine_counts_set(
    tx: &Tx,
    device: DeviceId,
    before: &BTreeMap<MachineId, u64>,
    after: &BTreeMap<MachineId, u64>,
) -> TxResult<()> {
    let changed = after.iter().filter(|(machine, count)| before.get(machine) != Some(count));
    let rows = changed.map(|(machine, count)| vec![blob(&device.0), blob(&machine.0), number(*count)]).collect();
    let insert = "INSERT INTO device_machine (device, machine, entry_count)";
    let tail = "ON CONFLICT (device, machine) DO UPDATE SET entry_count = excluded.entry_count";
    tx.insert(insert, rows, tail).await?;
    Ok(())
}

/// Locks machines and ledger, gives the positions, inserts, and last of all moves the ledger's head.
async fn write(tx: &Tx, scope: DeviceScope, fresh: &[Fresh], seal: &Seal, now_ms: i64) -> TxResult<Vec<LedgerRow>> {
    let touched: BTreeSet<_> = fresh.iter().map(machine_of).collect();
    let mut machines = machines_lock(tx, scope.organisation, &touched).await?;
    let before = end_lock(tx, scope.organisation).await?;
    let mut end = before;
    let rows = append(scope.device, fresh, now_ms, &mut end, &mut machines);
    entries_insert(tx, scope.organisation, &rows).await?;
    machines_set(tx, scope.organisation, &rows).await?;
    seal_insert(tx, scope.organisation, seal, end.position).await?;
    let sql = "UPDATE ledger_head SET position = $1, sum = $2 WHERE organisation = $3 AND position = $4";
    let organisation = blob(&scope.organisation.0);
    tx.change_one(sql, [number(end.position), sum(end.sum), organisation, number(before.position)]).await?;
    Ok(rows)
}

/// Locks the machines' rows in order of id, so that two pushes about one machine come one after the other and the
/// later sees the earlier. A machine that is new is given its row first, for there to be something to lock.
async fn machines_lock(
    tx: &Tx,
    organisation: OrganisationId,
    machines: &BTreeSet<Option<MachineId>>,
) -> TxResult<MachineDigests> {
    let id = blob(&organisation.0);
    if tx.dialect == Dialect::Postgres {
        let row = |machine: &Option<MachineId>| vec![id.clone(), machine_blob(*machine), number(0), sum(0), number(0)];
        let insert = "INSERT INTO machine_head (organisation, machine, entry_count, sum, position)";
        let rows = machines.iter().map(row).collect();
        tx.insert(insert, rows, "ON CONFLICT (organisation, machine) DO NOTHING").await?;
    }
    let sql = format!(
        "SELECT machine, entry_count, sum FROM machine_head WHERE organisation = $1 AND machine IN ({}) \
         ORDER BY machine{}",
        places(2, machines.len()),
        tx.for_update()
    );
    let values = std::iter::once(id).chain(machines.iter().map(|machine| machine_blob(*machine)));
    let rows = tx.rows(MACHINE_HEAD, sql, values).await?;
    rows.iter().map(|row| Ok((row.machine("machine")?, row.digest("entry_count", "sum")?))).collect()
}

/// Locks the ledger's head: from here to the commit this push alone gives positions.
async fn end_lock(tx: &Tx, organisation: OrganisationId) -> TxResult<LedgerEnd> {
    let sql = format!("SELECT position, sum FROM ledger_head WHERE organisation = $1{}", tx.for_update());
    let row = tx.row(LEDGER_HEAD, sql, [blob(&organisation.0)]).await?;
    let row = row.ok_or_else(|| tx.failed("the organisation has no ledger"))?;
    Ok(LedgerEnd { position: row.number("position")?, sum: row.sum("sum")? })
}

async fn entries_insert(tx: &Tx, organisation: OrganisationId, rows: &[LedgerRow]) -> TxResult<()> {
    let insert = "INSERT INTO ledger (organisation, position, device, seq, link, machine, kind, at_s, received_ms, \
                  off_s, aside, bytes, sum, machine_count, machine_sum)";
    let values = rows.iter().map(|row| entry_values(organisation, row)).collect();
    let inserted = tx.insert(insert, values, "").await?;
    if inserted == rows.len() as u64 { Ok(()) } else { Err(tx.failed("not every entry was inserted")) }
}

fn entry_values(organisation: OrganisationId, row: &LedgerRow) -> Vec<Value> {
    let Digest { count: machine_count, sum: machine_sum } = row.machine_digest;
    vec![
        blob(&organisation.0),
        number(row.position),
        blob(&row.device.0),
        number(row.seq),
        blob(&row.link.0),
        machine_blob(row.machine),
        Value::String(row.kind.clone()),
        Value::BigInt(row.at_s),
        signed(row.received_ms),
        Value::BigInt(row.off_s),
        row.aside.as_deref().map_or(Value::String(None), text),
        blob(&row.bytes),
        sum(row.sum),
        number(machine_count),
        sum(machine_sum),
    ]
}

/// Moves the machines' heads to their last rows.
async fn machines_set(tx: &Tx, organisation: OrganisationId, rows: &[LedgerRow]) -> TxResult<()> {
    let last: BTreeMap<_, _> = rows.iter().map(|row| (row.machine, row)).collect();
    let values = |(machine, row): (Option<MachineId>, &LedgerRow)| {
        let Digest { count, sum: links } = row.machine_digest;
        vec![blob(&organisation.0), machine_blob(machine), number(count), sum(links), number(row.position)]
    };
    let insert = "INSERT INTO machine_head (organisation, machine, entry_count, sum, position)";
    let tail = "ON CONFLICT (organisation, machine) DO UPDATE \
                SET entry_count = excluded.entry_count, sum = excluded.sum, position = excluded.position";
    tx.insert(insert, last.into_iter().map(values).collect(), tail).await?;
    Ok(())
}

async fn seal_insert(tx: &Tx, organisation: OrganisationId, seal: &Seal, position: u64) -> TxResult<()> {
    let sql = "INSERT INTO seal (organisation, position, device, seq_from, seq_to, link, signature) \
               VALUES ($1, $2, $3, $4, $5, $6, $7)";
    let values = [
        blob(&organisation.0),
        number(position),
        blob(&seal.device.0),
        number(seal.from),
        number(seal.to),
        blob(&seal.link.0),
        blob(&seal.signature.0),
    ];
    tx.change_one(sql, values).await
}
