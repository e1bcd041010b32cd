//! The batches of devices' logs that a machine's entries came in.
//!
//! Promises: in order of position; a stretch of a log is read whole, so that its chain can be followed to its seal.
//!
//! Never: more than the asked number of the machine's entries, but for the rest of the last batch.

use super::failure::TxResult;
use super::row::{Row, blob, limit, number};
use super::session::{Ended, Tx};
use super::{LEDGER, Table};
use crate::tree::{BatchedEntry, SealedBatch};
use pintle_core::chain::Seal;
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, Signature};

const SEAL: Table = Table { name: "seal", key: "position" };

/// The first entry about the machine in a batch, and where the batch ends.
struct Stretch {
    first: u64,
    sealed: u64,
    device: DeviceId,
    seq: u64,
}

pub(super) async fn machine_batches(
    tx: Tx,
    organisation: OrganisationId,
    machine: MachineId,
    after: u64,
    until: u64,
    rows_max: usize,
) -> TxResult<Ended<Vec<SealedBatch>>> {
    let mut batches = Vec::new();
    for stretch in stretches(&tx, organisation, machine, after, until, rows_max.max(1)).await? {
        batches.push(batch(&tx, organisation, &stretch).await?);
    }
    tx.leave(batches).await
}

async fn stretches(
    tx: &Tx,
    organisation: OrganisationId,
    machine: MachineId,
    after: u64,
    until: u64,
    rows_max: usize,
) -> TxResult<Vec<Stretch>> {
    let sql = "SELECT l.position, l.device, l.seq, (SELECT s.position FROM seal s \
               WHERE s.organisation = l.organisation AND s.position >= l.position ORDER BY s.position LIMIT 1) AS sealed \
               FROM ledger l WHERE l.organisation = $1 AND l.machine = $2 AND l.position > $3 AND l.position <= $4 \
               ORDER BY l.position LIMIT $5";
    let values = [blob(&organisation.0), blob(&machine.0), number(after), number(until), limit(rows_max)];
    let mut stretches: Vec<Stretch> = Vec::new();
    for row in tx.rows(LEDGER, sql, values).await? {
        let (first, sealed) = (row.number("position")?, row.number("sealed")?);
        if stretches.last().is_none_or(|last| last.sealed != sealed) {
            stretches.push(Stretch { first, sealed, device: DeviceId(row.bytes("device")?), seq: row.number("seq")? });
        }
    }
    Ok(stretches)
}

async fn batch(tx: &Tx, organisation: OrganisationId, stretch: &Stretch) -> TxResult<SealedBatch> {
    let sql = "SELECT position, seq, link, machine, received_ms, off_s, aside, bytes FROM ledger \
               WHERE organisation = $1 AND position BETWEEN $2 AND $3 ORDER BY position";
    let rows = tx.rows(LEDGER, sql, [blob(&organisation.0), number(stretch.first), number(stretch.sealed)]).await?;
    let received_ms = rows.first().map(|row| row.signed("received_ms")).transpose()?;
    let received_ms = received_ms.ok_or_else(|| tx.failed("a batch has no entries"))?;
    let entry = |row: &Row| -> TxResult<BatchedEntry> {
        Ok(BatchedEntry {
            machine: row.machine("machine")?,
            link: Hash(row.bytes("link")?),
            off_s: row.signed_or_null("off_s")?,
            aside: row.text_or_null("aside")?,
            entry: row.entry("bytes", row.number("seq")?)?,
        })
    };
    Ok(SealedBatch {
        position: stretch.sealed,
        seal: seal(tx, organisation, stretch.sealed).await?,
        received_ms,
        previous: link_before(tx, stretch).await?,
        entries: rows.iter().map(entry).collect::<TxResult<_>>()?,
    })
}

async fn seal(tx: &Tx, organisation: OrganisationId, position: u64) -> TxResult<Seal> {
    let sql = "SELECT position, device, seq_from, seq_to, link, signature FROM seal \
               WHERE organisation = $1 AND position = $2";
    let row = tx.row(SEAL, sql, [blob(&organisation.0), number(position)]).await?;
    let row = row.ok_or_else(|| tx.failed("a batch has no seal"))?;
    Ok(Seal {
        device: DeviceId(row.bytes("device")?),
        from: row.number("seq_from")?,
        to: row.number("seq_to")?,
        link: Hash(row.bytes("link")?),
        signature: Signature(row.bytes("signature")?),
    })
}

async fn link_before(tx: &Tx, stretch: &Stretch) -> TxResult<Option<Hash>> {
    let sql = "SELECT position, link FROM ledger WHERE device = $1 AND seq = $2";
    let row = tx.row(LEDGER, sql, [blob(&stretch.device.0), number(stretch.seq - 1)]).await?;
    row.map(|row| Ok(Hash(row.bytes("link")?))).transpose()
}
