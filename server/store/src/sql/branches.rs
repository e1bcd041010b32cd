//! Branches of a device's log, kept beside the ledger.
//!
//! Promises: kept byte for byte and once; the same push again changes nothing.
//!
//! Never: a position. A branch is not part of the ledger until a person has judged it.

use super::failure::TxResult;
use super::row::{blob, number, signed};
use super::session::{Ended, Session, Tx};
use super::{DEVICE, Table, push};
use crate::ledger::branch_of;
use crate::{Branch, BranchEntry, DeviceScope, same_device};
use pintle_core::admit::{Checked, Stored};
use pintle_core::chain::Seal;
use pintle_core::ids::{DeviceId, Hash, OrganisationId, Signature};
use sea_orm::ConnectionTrait;
use std::collections::BTreeMap;

const BRANCH: Table = Table { name: "branch", key: "link" };
const BRANCH_ENTRY: Table = Table { name: "branch_entry", key: "entry_link" };

pub(super) async fn branch_keep(
    tx: Tx,
    scope: DeviceScope,
    checked: &Checked,
    now_ms: i64,
) -> TxResult<Ended<BTreeMap<u64, Stored>>> {
    same_device("branch_keep", scope, checked)?;
    let sql = format!("SELECT device FROM device WHERE device = $1 AND organisation = $2{}", tx.for_update());
    let found = tx.row(DEVICE, sql, [blob(&scope.device.0), blob(&scope.organisation.0)]).await?;
    if found.is_none() {
        return Err(tx.failed("there is no such device of the organisation"));
    }
    keep(&tx, scope, checked, checked.from, now_ms).await?;
    let stored = push::stored(&tx, scope.device, checked.from, checked.seal.to).await?;
    tx.commit(stored).await
}

/// Keeps what a push brings from number `differs`, unless it is kept already. The device is locked.
pub(super) async fn keep(tx: &Tx, scope: DeviceScope, checked: &Checked, differs: u64, now_ms: i64) -> TxResult<()> {
    let Some((branch, entries)) = branch_of(checked, differs, now_ms) else { return Ok(()) };
    let key = [blob(&branch.device.0), number(branch.from), blob(&branch.link.0)];
    let sql = "SELECT link FROM branch WHERE device = $1 AND seq_from = $2 AND link = $3";
    if tx.row(BRANCH, sql, key.clone()).await?.is_some() {
        return Ok(());
    }
    let sql = "INSERT INTO branch (device, seq_from, link, organisation, previous, entry_count, received_ms, \
               seal_from, seal_to, signature) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)";
    let values = [
        blob(&scope.organisation.0),
        blob(&branch.previous.0),
        number(branch.count),
        signed(branch.received_ms),
        number(branch.seal.from),
        number(branch.seal.to),
        blob(&branch.seal.signature.0),
    ];
    tx.change_one(sql, key.iter().cloned().chain(values)).await?;
    let row = |entry: &pintle_core::admit::CheckedEntry| {
        let own = [number(entry.entry.seq()), blob(&entry.link.0), blob(&entry.bytes)];
        key.iter().cloned().chain(own).collect()
    };
    let insert = "INSERT INTO branch_entry (device, seq_from, link, seq, entry_link, bytes)";
    tx.insert(insert, entries.iter().map(row).collect(), "").await?;
    Ok(())
}

pub(super) async fn branches<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<Vec<Branch>> {
    let sql = "SELECT device, seq_from, link, previous, entry_count, received_ms, seal_from, seal_to, signature \
               FROM branch WHERE organisation = $1 ORDER BY received_ms DESC, device, seq_from, link";
    let rows = session.rows(BRANCH, sql, [blob(&organisation.0)]).await?;
    let read = |row: &super::row::Row| {
        let device = DeviceId(row.bytes("device")?);
        let link = Hash(row.bytes("link")?);
        Ok(Branch {
            device,
            from: row.number("seq_from")?,
            link,
            previous: Hash(row.bytes("previous")?),
            count: row.number("entry_count")?,
            received_ms: row.signed("received_ms")?,
            seal: Seal {
                device,
                from: row.number("seal_from")?,
                to: row.number("seal_to")?,
                link,
                signature: Signature(row.bytes("signature")?),
            },
        })
    };
    rows.iter().map(read).collect()
}

pub(super) async fn branch_entries<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    device: DeviceId,
    from: u64,
    link: Hash,
) -> TxResult<Vec<BranchEntry>> {
    let sql = "SELECT e.seq, e.entry_link, e.bytes FROM branch_entry AS e JOIN branch AS b \
               ON b.device = e.device AND b.seq_from = e.seq_from AND b.link = e.link \
               WHERE b.organisation = $1 AND b.device = $2 AND b.seq_from = $3 AND b.link = $4 ORDER BY e.seq";
    let key = [blob(&organisation.0), blob(&device.0), number(from), blob(&link.0)];
    let rows = session.rows(BRANCH_ENTRY, sql, key).await?;
    let read = |row: &super::row::Row| {
        let entry = row.entry("bytes", row.number("seq")?)?;
        Ok(BranchEntry { link: Hash(row.bytes("entry_link")?), entry })
    };
    rows.iter().map(read).collect()
}
