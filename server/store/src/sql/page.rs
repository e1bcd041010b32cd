//! Pages of the ledger, each from one snapshot.
//!
//! Promises: rows looked at are bounded, matching or not; bytes are read only of the entries that are given. The
//! digest of a wanted set at a position takes one indexed look per machine, of the whole ledger one in all.
//!
//! Never: a lock.

use super::failure::TxResult;
use super::row::{Row, blob, limit, machine_blob, number};
use super::session::{Ended, Session, Tx, places};
use super::{Dialect, LEDGER, LEDGER_HEAD, Table};
use crate::ledger::{Candidate, PagePlan};
use crate::{Page, PageAsk, StoreResult};
use pintle_core::Held;
use pintle_core::chain::Seal;
use pintle_core::exchange::Digest;
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, Signature};
use sea_orm::ConnectionTrait;
use std::collections::BTreeSet;

/// Rows looked at first, doubled until the page is full: the usual page of 64 KiB holds some 140 entries.
const FIRST_LOOK_ROWS: usize = 160;
/// Entries fetched in one statement where they do not lie side by side. Each number of places is a statement of its
/// own to the database, so it is always this one.
const PICKED_ROWS: usize = 64;
/// Machines whose digests are looked up in one statement.
const DIGEST_MACHINES: usize = 256;

const SEAL: Table = Table { name: "seal", key: "position" };

/// The columns that [`held`] reads.
pub(super) const HELD_COLUMNS: &str = "position, device, seq, link, received_ms, off_s, aside, bytes";

/// An entry of the ledger.
pub(super) fn held(row: &Row) -> StoreResult<Held> {
    Ok(Held {
        device: DeviceId(row.bytes("device")?),
        link: Hash(row.bytes("link")?),
        position: Some(row.number("position")?),
        received_ms: Some(row.signed("received_ms")?),
        off_s: row.signed_or_null("off_s")?,
        aside: row.text_or_null("aside")?,
        entry: row.entry("bytes", row.number("seq")?)?,
    })
}

pub(super) async fn page(tx: Tx, organisation: OrganisationId, ask: &PageAsk) -> TxResult<Ended<Page>> {
    let sql = "SELECT position FROM ledger_head WHERE organisation = $1";
    let end = match tx.row(LEDGER_HEAD, sql, [blob(&organisation.0)]).await? {
        Some(row) => row.number("position")?,
        None => 0,
    };
    let ask = PageAsk { after: ask.after.min(end), ..ask.clone() };
    let mut plan = PagePlan::new(&ask);
    let mut rows = FIRST_LOOK_ROWS;
    while plan.rows_left() > 0 && plan.position < end {
        let found = candidates(&tx, organisation, plan.position, rows.min(plan.rows_left())).await?;
        if found.is_empty() {
            return Err(tx.failed(format!("the ledger has no entry {}", plan.position + 1)));
        }
        plan.offer(found);
        rows *= 2;
    }
    let (position_link, whole) = at(&tx, organisation, plan.position).await?;
    let digest = match &ask.wanted.machines {
        None => whole,
        Some(machines) => digest(&tx, organisation, machines, plan.position).await?,
    };
    let page = Page {
        entries: entries(&tx, organisation, &plan).await?,
        seals: seals(&tx, organisation, &plan).await?,
        position: plan.position,
        position_link,
        more: plan.position < end,
        digest,
    };
    tx.leave(page).await
}

async fn candidates(tx: &Tx, organisation: OrganisationId, after: u64, rows_max: usize) -> TxResult<Vec<Candidate>> {
    let length = match tx.dialect {
        Dialect::Sqlite => "length(bytes)",
        Dialect::Postgres => "octet_length(bytes)::bigint",
    };
    let sql = format!(
        "SELECT position, device, machine, {length} AS size FROM ledger \
         WHERE organisation = $1 AND position > $2 ORDER BY position LIMIT $3"
    );
    let rows = tx.rows(LEDGER, sql, [blob(&organisation.0), number(after), limit(rows_max)]).await?;
    let read = |row: &Row| {
        Ok(Candidate {
            position: row.number("position")?,
            device: DeviceId(row.bytes("device")?),
            machine: row.machine("machine")?,
            bytes: usize::try_from(row.number("size")?).unwrap_or(usize::MAX),
        })
    };
    rows.iter().map(read).collect()
}

/// Link and digest of the whole ledger at a position.
async fn at(tx: &Tx, organisation: OrganisationId, position: u64) -> TxResult<(Hash, Digest)> {
    if position == 0 {
        return Ok((Hash::ZERO, Digest::default()));
    }
    let sql = "SELECT position, link, sum FROM ledger WHERE organisation = $1 AND position = $2";
    let row = tx.row(LEDGER, sql, [blob(&organisation.0), number(position)]).await?;
    let row = row.ok_or_else(|| tx.failed(format!("the ledger has no entry {position}")))?;
    Ok((Hash(row.bytes("link")?), Digest { count: position, sum: row.sum("sum")? }))
}

/// Digest of some machines' entries, and of those about none, up to a position.
async fn digest(
    tx: &Tx,
    organisation: OrganisationId,
    machines: &BTreeSet<MachineId>,
    position: u64,
) -> TxResult<Digest> {
    let mut digest = Digest::default();
    let all: Vec<_> = std::iter::once(None).chain(machines.iter().copied().map(Some)).collect();
    for some in all.chunks(DIGEST_MACHINES) {
        let sought: Vec<_> = (3..3 + some.len()).map(|place| format!("(${place})")).collect();
        let sql = format!(
            "WITH sought (machine) AS (VALUES {}) \
             SELECT position, machine_count, machine_sum FROM ledger WHERE organisation = $1 AND position IN ( \
                 SELECT (SELECT max(l.position) FROM ledger AS l \
                         WHERE l.organisation = $1 AND l.machine = sought.machine AND l.position <= $2) FROM sought)",
            sought.join(",")
        );
        let fixed = [blob(&organisation.0), number(position)];
        let values = fixed.into_iter().chain(some.iter().map(|machine| machine_blob(*machine)));
        for row in tx.rows(LEDGER, sql, values).await? {
            digest = digest.and(row.digest("machine_count", "machine_sum")?);
        }
    }
    Ok(digest)
}

async fn entries(tx: &Tx, organisation: OrganisationId, plan: &PagePlan<'_>) -> TxResult<Vec<Held>> {
    let (Some(first), Some(last)) = (plan.positions.first(), plan.positions.last()) else { return Ok(Vec::new()) };
    let id = blob(&organisation.0);
    let mut rows = Vec::with_capacity(plan.positions.len());
    if last - first + 1 == plan.positions.len() as u64 {
        let sql = format!(
            "SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND position BETWEEN $2 AND $3 ORDER BY position"
        );
        rows = tx.rows(LEDGER, sql, [id, number(*first), number(*last)]).await?;
    } else {
        let sql = format!(
            "SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND position IN ({}) ORDER BY position",
            places(2, PICKED_ROWS)
        );
        for picked in plan.positions.chunks(PICKED_ROWS) {
            // Places that are left over ask for the last position again.
            let filled = picked.iter().chain(std::iter::repeat(last)).take(PICKED_ROWS);
            let values = std::iter::once(id.clone()).chain(filled.map(|position| number(*position)));
            rows.extend(tx.rows(LEDGER, sql.clone(), values).await?);
        }
    }
    if rows.len() != plan.positions.len() {
        return Err(tx.failed(format!("{} entries were to be read, {} were", plan.positions.len(), rows.len())));
    }
    rows.iter().map(|row| Ok(held(row)?)).collect()
}

async fn seals(tx: &Tx, organisation: OrganisationId, plan: &PagePlan<'_>) -> TxResult<Vec<Seal>> {
    let (Some(first), Some(last)) = (plan.positions.first(), plan.positions.last()) else { return Ok(Vec::new()) };
    let sql = "SELECT position, device, seq_from, seq_to, link, signature FROM seal \
               WHERE organisation = $1 AND position BETWEEN $2 AND $3 ORDER BY position";
    let rows = tx.rows(SEAL, sql, [blob(&organisation.0), number(*first), number(*last)]).await?;
    let mut seals = Vec::with_capacity(rows.len());
    for row in rows {
        if plan.positions.binary_search(&row.number("position")?).is_ok() {
            seals.push(Seal {
                device: DeviceId(row.bytes("device")?),
                from: row.number("seq_from")?,
                to: row.number("seq_to")?,
                link: Hash(row.bytes("link")?),
                signature: Signature(row.bytes("signature")?),
            });
        }
    }
    Ok(seals)
}

pub(super) async fn link_at<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    position: u64,
) -> TxResult<Option<Hash>> {
    if position == 0 {
        return Ok(Some(Hash::ZERO));
    }
    let sql = "SELECT position, link FROM ledger WHERE organisation = $1 AND position = $2";
    let row = session.row(LEDGER, sql, [blob(&organisation.0), number(position)]).await?;
    row.map(|row| Ok(Hash(row.bytes("link")?))).transpose()
}
