//! The tree behind the ledger: one step of it, and what is read of it.
//!
//! Promises: whoever builds holds the row of `tree_head` to the commit, so that one works at a time; another passes it
//! by instead of waiting. No row that a push locks is ever locked here.
//!
//! Never: a hash of its own; those are `pintle_core::proof`'s.

use super::epoch::epoch;
use super::failure::TxResult;
use super::row::{Row as Read, blob, limit, number, signed as signed_number, text};
use super::session::{Ended, Session, Tx, places};
use super::{Dialect, LEDGER, Table};
use crate::tree::{
    CheckpointRecord, Cosignature, Grown, MachineStamp, MachineStanding, MachineTree, StampRecord, TreeHead, added,
    is_whole, leaf_index, lines, opened, signed, telling,
};
use crate::{StoreError, StoreResult};
use pintle_core::ids::{DeviceId, Hash, MachineId, OrganisationId, PublicKey};
use pintle_core::proof::growth::{Growth, Reached};
use pintle_core::proof::leaf::{RollLeaf, Row};
use pintle_core::proof::merkle::Edge;
use pintle_core::proof::roll::key;
use pintle_core::proof::tile::{TileId, Tiles, open_tiles};
use sea_orm::{ConnectionTrait, Value};
use std::collections::{BTreeMap, BTreeSet};

const TREE_HEAD: Table = Table { name: "tree_head", key: "organisation" };
const TREE_TILE: Table = Table { name: "tree_tile", key: "number" };
const TREE_MACHINE: Table = Table { name: "tree_machine", key: "machine" };
const CHECKPOINT: Table = Table { name: "checkpoint", key: "size" };
const COSIGNATURE: Table = Table { name: "cosignature", key: "name" };
const STAMP: Table = Table { name: "stamp", key: "size" };
const CHECKPOINT_COLUMNS: &str = "size, epoch, position, machines, roll, made_ms, note";
/// Tiles read in one statement: more than any proof needs.
const TILES_AT_ONCE: usize = 64;
/// Machines read in one statement.
const MACHINES_AT_ONCE: usize = 1_000;

pub(super) async fn trees_behind<C: ConnectionTrait>(session: &Session<C>) -> TxResult<Vec<OrganisationId>> {
    let sql = "SELECT h.organisation FROM ledger_head h \
               LEFT JOIN tree_head t ON t.organisation = h.organisation \
               WHERE h.position > 0 AND (t.position IS NULL OR t.position < h.position OR NOT EXISTS \
               (SELECT 1 FROM checkpoint c, store_identity s \
               WHERE c.organisation = h.organisation AND c.size = t.size AND c.epoch = s.epoch)) \
               ORDER BY h.organisation";
    let rows = session.rows(TREE_HEAD, sql, []).await?;
    rows.iter().map(|row| Ok(OrganisationId(row.bytes("organisation")?))).collect()
}

pub(super) async fn tree_grow(
    tx: Tx,
    secret: &[u8; 32],
    organisation: OrganisationId,
    rows_max: usize,
    now_ms: i64,
) -> TxResult<Ended<Grown>> {
    let Some(head) = head_lock(&tx, organisation).await? else { return tx.leave(Grown::Nothing).await };
    let epoch = epoch(&tx).await?;
    let rows = rows_after(&tx, organisation, head.reached.position, rows_max.max(1)).await?;
    let newest = newest(&tx, organisation).await?.map(|newest| (newest.size, newest.epoch));
    if is_whole(&head, newest, epoch, rows.len()) {
        return tx.leave(Grown::Nothing).await;
    }
    let open = open_tiles(head.reached.size).into_iter().collect();
    let tiles = tiles(&tx, organisation, &open).await?;
    let link = link_at(&tx, organisation, head.reached.position).await?;
    let tree = opened(organisation, &head, link, tiles)?;
    let touched: BTreeSet<MachineId> = rows.iter().filter_map(|row| row.machine).collect();
    let edges = edges(&tx, organisation, &touched).await?;
    let mut growth = added(organisation, &head, tree, edges, &rows)?;
    let grown = if rows.len() < rows_max.max(1) {
        let kept = machines(&tx, organisation).await?;
        Grown::Signed(signed(secret, organisation, epoch, &mut growth, kept, now_ms))
    } else {
        Grown::More
    };
    write(&tx, organisation, &head, &growth).await?;
    if let Grown::Signed(checkpoint) = &grown {
        checkpoint_insert(&tx, organisation, checkpoint).await?;
    }
    tx.commit(grown).await
}

/// Locks the tree's row, made first where there is none; none where another holds it.
async fn head_lock(tx: &Tx, organisation: OrganisationId) -> TxResult<Option<TreeHead>> {
    let nothing = TreeHead::nothing();
    let insert = "INSERT INTO tree_head (organisation, size, position, link, root) VALUES ($1, 0, 0, $2, $3) \
                  ON CONFLICT (organisation) DO NOTHING";
    tx.change(insert, [blob(&organisation.0), blob(&nothing.reached.link.0), blob(&nothing.root.0)]).await?;
    let lock = match tx.dialect {
        Dialect::Sqlite => "",
        Dialect::Postgres => " FOR UPDATE SKIP LOCKED",
    };
    let sql = format!("SELECT organisation, size, position, link, root FROM tree_head WHERE organisation = $1{lock}");
    let row = tx.row(TREE_HEAD, sql, [blob(&organisation.0)]).await?;
    row.map(|row| {
        let reached =
            Reached { size: row.number("size")?, position: row.number("position")?, link: Hash(row.bytes("link")?) };
        Ok(TreeHead { reached, root: Hash(row.bytes("root")?) })
    })
    .transpose()
}

async fn rows_after(tx: &Tx, organisation: OrganisationId, after: u64, rows_max: usize) -> TxResult<Vec<Row>> {
    let sql = "SELECT position, device, seq, link, machine, received_ms, off_s, aside FROM ledger \
               WHERE organisation = $1 AND position > $2 ORDER BY position LIMIT $3";
    let rows = tx.rows(LEDGER, sql, [blob(&organisation.0), number(after), limit(rows_max)]).await?;
    let read = |row: &Read| {
        Ok(Row {
            position: row.number("position")?,
            device: DeviceId(row.bytes("device")?),
            seq: row.number("seq")?,
            link: Hash(row.bytes("link")?),
            machine: row.machine("machine")?,
            received_ms: row.signed("received_ms")?,
            off_s: row.signed_or_null("off_s")?,
            aside: row.text_or_null("aside")?,
        })
    };
    rows.iter().map(read).collect()
}

async fn link_at(tx: &Tx, organisation: OrganisationId, position: u64) -> TxResult<Option<Hash>> {
    let sql = "SELECT position, link FROM ledger WHERE organisation = $1 AND position = $2";
    let row = tx.row(LEDGER, sql, [blob(&organisation.0), number(position)]).await?;
    row.map(|row| Ok(Hash(row.bytes("link")?))).transpose()
}

/// Many hashes in one column.
fn hashes(row: &Read, column: &'static str) -> StoreResult<Vec<Hash>> {
    let bytes = row.blob(column)?;
    let chunks = bytes.chunks(Hash::LEN).map(Hash::from_slice).collect::<Result<_, _>>();
    chunks.map_err(|error| row.damaged(column, error))
}

fn hashes_value(hashes: &[Hash]) -> Value {
    blob(&hashes.iter().flat_map(|hash| hash.0).collect::<Vec<u8>>())
}

pub(super) async fn tiles<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    ids: &BTreeSet<TileId>,
) -> TxResult<Tiles> {
    let ids: Vec<TileId> = ids.iter().copied().collect();
    let mut tiles = Tiles::new();
    for some in ids.chunks(TILES_AT_ONCE) {
        let place = |at: usize| format!("(level = ${} AND number = ${})", 2 * at + 2, 2 * at + 3);
        let any = (0..some.len()).map(place).collect::<Vec<_>>().join(" OR ");
        let sql = format!("SELECT level, number, hashes FROM tree_tile WHERE organisation = $1 AND ({any})");
        let keys = some.iter().flat_map(|id| [number(u64::from(id.level)), number(id.number)]);
        let rows = session.rows(TREE_TILE, sql, std::iter::once(blob(&organisation.0)).chain(keys)).await?;
        for row in &rows {
            let level = u32::try_from(row.number("level")?).map_err(|_| row.damaged("level", "it is no level"))?;
            tiles.insert(TileId { level, number: row.number("number")? }, hashes(row, "hashes")?);
        }
    }
    Ok(tiles)
}

async fn edges(
    tx: &Tx,
    organisation: OrganisationId,
    machines: &BTreeSet<MachineId>,
) -> TxResult<BTreeMap<MachineId, Edge>> {
    let machines: Vec<MachineId> = machines.iter().copied().collect();
    let mut edges = BTreeMap::new();
    for some in machines.chunks(MACHINES_AT_ONCE) {
        let sql = format!(
            "SELECT machine, entry_count, root, edge FROM tree_machine WHERE organisation = $1 AND machine IN ({})",
            places(2, some.len())
        );
        let keys = some.iter().map(|machine| blob(&machine.0));
        for row in tx.rows(TREE_MACHINE, sql, std::iter::once(blob(&organisation.0)).chain(keys)).await? {
            let edge = Edge::new(row.number("entry_count")?, hashes(&row, "edge")?);
            let edge = edge.ok_or_else(|| row.damaged("edge", "it has another number of hashes"))?;
            if edge.root() != Hash(row.bytes("root")?) {
                return Err(row.damaged("root", "the edge does not lead to it").into());
            }
            edges.insert(MachineId(row.bytes("machine")?), edge);
        }
    }
    Ok(edges)
}

async fn machines<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<BTreeMap<MachineId, MachineTree>> {
    let sql = "SELECT machine, entry_count, root FROM tree_machine WHERE organisation = $1";
    let rows = session.rows(TREE_MACHINE, sql, [blob(&organisation.0)]).await?;
    let read = |row: &Read| {
        let tree = MachineTree { count: row.number("entry_count")?, root: Hash(row.bytes("root")?) };
        Ok((MachineId(row.bytes("machine")?), tree))
    };
    rows.iter().map(read).collect()
}

async fn write(tx: &Tx, organisation: OrganisationId, before: &TreeHead, growth: &Growth) -> TxResult<()> {
    let id = blob(&organisation.0);
    let tile = |(tile, hashes): (&TileId, &Vec<Hash>)| {
        vec![id.clone(), number(u64::from(tile.level)), number(tile.number), hashes_value(hashes)]
    };
    let insert = "INSERT INTO tree_tile (organisation, level, number, hashes)";
    let tail = "ON CONFLICT (organisation, level, number) DO UPDATE SET hashes = excluded.hashes";
    tx.insert(insert, growth.tree().changed().iter().map(tile).collect(), tail).await?;
    let machine = |(machine, edge): (&MachineId, &Edge)| {
        let (root, edge_value) = (blob(&edge.root().0), hashes_value(edge.hashes()));
        vec![id.clone(), blob(&machine.0), number(edge.size()), root, edge_value]
    };
    let insert = "INSERT INTO tree_machine (organisation, machine, entry_count, root, edge)";
    let tail = "ON CONFLICT (organisation, machine) DO UPDATE \
                SET entry_count = excluded.entry_count, root = excluded.root, edge = excluded.edge";
    tx.insert(insert, growth.machines().iter().map(machine).collect(), tail).await?;
    let reached = growth.reached();
    let sql = "UPDATE tree_head SET size = $1, position = $2, link = $3, root = $4 \
               WHERE organisation = $5 AND size = $6 AND size < $1";
    let values = [
        number(reached.size),
        number(reached.position),
        blob(&reached.link.0),
        blob(&growth.tree().root().0),
        id,
        number(before.reached.size),
    ];
    tx.change_one(sql, values).await
}

async fn checkpoint_insert(tx: &Tx, organisation: OrganisationId, checkpoint: &CheckpointRecord) -> TxResult<()> {
    let sql =
        format!("INSERT INTO checkpoint (organisation, {CHECKPOINT_COLUMNS}) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)");
    let CheckpointRecord { size, epoch, roll, note } = checkpoint;
    let values = [
        blob(&organisation.0),
        number(*size),
        number(*epoch),
        number(roll.position),
        number(roll.machines),
        blob(&roll.root.0),
        signed_number(roll.made_ms),
        text(note),
    ];
    tx.change_one(sql, values).await
}

fn read_checkpoint(row: &Read) -> TxResult<CheckpointRecord> {
    let roll = RollLeaf {
        machines: row.number("machines")?,
        made_ms: row.signed("made_ms")?,
        position: row.number("position")?,
        root: Hash(row.bytes("roll")?),
    };
    Ok(CheckpointRecord { size: row.number("size")?, epoch: row.number("epoch")?, roll, note: row.text("note")? })
}

pub(super) async fn newest<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<Option<CheckpointRecord>> {
    let sql = format!("SELECT {CHECKPOINT_COLUMNS} FROM checkpoint WHERE organisation = $1 ORDER BY size DESC LIMIT 1");
    session.row(CHECKPOINT, sql, [blob(&organisation.0)]).await?.as_ref().map(read_checkpoint).transpose()
}

pub(super) async fn checkpoint_at<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    size: u64,
) -> TxResult<Option<CheckpointRecord>> {
    let sql = format!("SELECT {CHECKPOINT_COLUMNS} FROM checkpoint WHERE organisation = $1 AND size = $2");
    let row = session.row(CHECKPOINT, sql, [blob(&organisation.0), number(size)]).await?;
    row.as_ref().map(read_checkpoint).transpose()
}

pub(super) async fn checkpoint_epochs<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<Vec<u64>> {
    let sql = "SELECT MAX(size) AS size, epoch FROM checkpoint WHERE organisation = $1 GROUP BY epoch ORDER BY epoch";
    let rows = session.rows(CHECKPOINT, sql, [blob(&organisation.0)]).await?;
    rows.iter().map(|row| Ok(row.number("epoch")?)).collect()
}

pub(super) async fn cosignature_add(
    tx: Tx,
    organisation: OrganisationId,
    size: u64,
    cosignature: &Cosignature,
) -> TxResult<Ended<bool>> {
    if checkpoint_at(&tx, organisation, size).await?.is_none() {
        return tx.leave(false).await;
    }
    let sql = "INSERT INTO cosignature (organisation, size, name, key, time_s, line) VALUES ($1, $2, $3, $4, $5, $6) \
               ON CONFLICT (organisation, size, name) DO NOTHING";
    let Cosignature { name, key, time_s, line } = cosignature;
    let values = [blob(&organisation.0), number(size), text(name), blob(&key.0), number(*time_s), text(line)];
    tx.change(sql, values).await?;
    tx.commit(true).await
}

pub(super) async fn machine_standing(
    tx: Tx,
    organisation: OrganisationId,
    machine: MachineId,
) -> TxResult<Ended<Option<MachineStanding>>> {
    let Some(checkpoint) = newest(&tx, organisation).await? else { return tx.leave(None).await };
    let sql = "SELECT organisation, size FROM tree_head WHERE organisation = $1";
    let head = tx.row(TREE_HEAD, sql, [blob(&organisation.0)]).await?;
    if head.map(|head| head.number("size")).transpose()? != Some(checkpoint.size) {
        let detail = "the tree is being built; its next checkpoint comes in a moment".into();
        return Err(StoreError::Unavailable { act: "machine_standing", detail }.into());
    }
    let kept = machines(&tx, organisation).await?;
    let Some((line, proof)) = lines(&organisation, &kept).prove(&key(&organisation, &machine)) else {
        return tx.leave(None).await;
    };
    let cosignatures = cosignatures(&tx, organisation, checkpoint.size).await?;
    tx.leave(Some(MachineStanding { checkpoint, line, proof, cosignatures })).await
}

pub(super) async fn cosignatures<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    size: u64,
) -> TxResult<Vec<Cosignature>> {
    let sql = "SELECT name, key, time_s, line FROM cosignature WHERE organisation = $1 AND size = $2 ORDER BY name";
    let rows = session.rows(COSIGNATURE, sql, [blob(&organisation.0), number(size)]).await?;
    let read = |row: &Read| {
        let key = PublicKey(row.bytes("key")?);
        Ok(Cosignature { name: row.text("name")?, key, time_s: row.number("time_s")?, line: row.text("line")? })
    };
    rows.iter().map(read).collect()
}

pub(super) async fn cosigned_newest(
    tx: Tx,
    organisation: OrganisationId,
    name: &str,
) -> TxResult<Ended<Option<CheckpointRecord>>> {
    let sql = "SELECT size FROM cosignature WHERE organisation = $1 AND name = $2 ORDER BY size DESC LIMIT 1";
    let row = tx.row(COSIGNATURE, sql, [blob(&organisation.0), text(name)]).await?;
    let Some(size) = row.map(|row| row.number("size")).transpose()? else { return tx.leave(None).await };
    let checkpoint = checkpoint_at(&tx, organisation, size).await?;
    tx.leave(checkpoint).await
}

pub(super) async fn stamp_add(tx: Tx, organisation: OrganisationId, stamp: &StampRecord) -> TxResult<Ended<bool>> {
    let StampRecord { size, authority, at_s, received_ms, token } = stamp;
    if checkpoint_at(&tx, organisation, *size).await?.is_none() {
        return tx.leave(false).await;
    }
    let sql = "INSERT INTO stamp (organisation, size, authority, at_s, received_ms, token) \
               VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (organisation, size, authority) DO NOTHING";
    let id = blob(&organisation.0);
    let times = [signed_number(*at_s), signed_number(*received_ms)];
    let [at_s, received_ms] = times;
    tx.change(sql, [id, number(*size), text(authority), at_s, received_ms, blob(token)]).await?;
    tx.commit(true).await
}

pub(super) async fn stamp_newest<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    authority: &str,
) -> TxResult<Option<(u64, i64)>> {
    let sql =
        "SELECT size, received_ms FROM stamp WHERE organisation = $1 AND authority = $2 ORDER BY size DESC LIMIT 1";
    let row = session.row(STAMP, sql, [blob(&organisation.0), text(authority)]).await?;
    row.map(|row| Ok((row.number("size")?, row.signed("received_ms")?))).transpose()
}

pub(super) async fn machine_stamps(
    tx: Tx,
    organisation: OrganisationId,
    machine: MachineId,
    until: u64,
    most: usize,
) -> TxResult<Ended<Vec<MachineStamp>>> {
    let id = || blob(&organisation.0);
    let sql = "SELECT s.size, s.authority, c.position FROM stamp s \
               JOIN checkpoint c ON c.organisation = s.organisation AND c.size = s.size \
               WHERE s.organisation = $1 AND c.position <= $2 ORDER BY s.size, s.at_s, s.authority";
    let rows = tx.rows(STAMP, sql, [id(), number(until)]).await?;
    let read = |row: &Read| Ok((row.number("size")?, row.text("authority")?, row.number("position")?));
    let stamps = rows.iter().map(read).collect::<StoreResult<Vec<(u64, String, u64)>>>()?;
    if stamps.is_empty() {
        return tx.leave(Vec::new()).await;
    }
    let sql =
        "SELECT position FROM ledger WHERE organisation = $1 AND machine = $2 AND position <= $3 ORDER BY position";
    let rows = tx.rows(LEDGER, sql, [id(), blob(&machine.0), number(until)]).await?;
    let positions = rows.iter().map(|row| row.number("position")).collect::<StoreResult<Vec<u64>>>()?;
    let reached: Vec<(&str, u64)> =
        stamps.iter().map(|(_, authority, position)| (authority.as_str(), *position)).collect();
    let mut found = Vec::new();
    for (place, count, position) in telling(&positions, &reached, most) {
        let Some((size, authority, _)) = stamps.get(place) else { continue };
        let sql = "SELECT size, at_s, received_ms, token FROM stamp \
                   WHERE organisation = $1 AND size = $2 AND authority = $3";
        let row = tx.row(STAMP, sql, [id(), number(*size), text(authority)]).await?;
        let (Some(row), Some(checkpoint)) = (row, checkpoint_at(&tx, organisation, *size).await?) else { continue };
        let stamp = StampRecord {
            size: *size,
            authority: authority.clone(),
            at_s: row.signed("at_s")?,
            received_ms: row.signed("received_ms")?,
            token: row.blob("token")?,
        };
        let sql = "SELECT size, position FROM checkpoint WHERE organisation = $1 AND position >= $2 \
                   ORDER BY position, size LIMIT 1";
        let Some(row) = tx.row(CHECKPOINT, sql, [id(), number(position)]).await? else { continue };
        let index = leaf_index(position, (row.number("size")?, row.number("position")?));
        let index = index.ok_or_else(|| row.damaged("size", "a checkpoint is smaller than what it is over"))?;
        found.push(MachineStamp { stamp, checkpoint, count, position, index });
    }
    tx.leave(found).await
}
