//! Machines as the ledger counts them, their entries, and the views kept of them.
//!
//! Promises: pages by key, each one indexed statement; the entries about no machine are never listed as one.
//!
//! Never: what a view holds; it is the caller's text.

use super::failure::TxResult;
use super::page::{HELD_COLUMNS, held};
use super::row::{Row, blob, limit, machine_blob, number, sum, text};
use super::session::{Ended, Session, Tx};
use super::{LEDGER, LEDGER_HEAD, MACHINE_HEAD, Table};
use crate::{Lane, MachineHead, MachineView, ViewSort};
use pintle_core::exchange::Digest;
use pintle_core::ids::{MachineId, OrganisationId};
use pintle_core::{EntryRef, Held};
use sea_orm::ConnectionTrait;
use std::collections::BTreeMap;

const MACHINE_VIEW: Table = Table { name: "machine_view", key: "machine" };
const MACHINE_GLANCE: Table = Table { name: "machine_glance", key: "machine" };
const HEAD_COLUMNS: &str = "machine, entry_count, sum, position";
const VIEW_COLUMNS: &str = "machine, entry_count, sum, json";

pub(super) async fn machines<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    after: Option<MachineId>,
    rows_max: usize,
) -> TxResult<Vec<MachineHead>> {
    // The empty machine, which counts the entries about none, is the least: whatever comes after it is a machine.
    let sql = format!(
        "SELECT {HEAD_COLUMNS} FROM machine_head WHERE organisation = $1 AND machine > $2 AND entry_count > 0 \
         ORDER BY machine LIMIT $3"
    );
    let values = [blob(&organisation.0), machine_blob(after), limit(rows_max)];
    session.rows(MACHINE_HEAD, sql, values).await?.iter().map(head).collect()
}

pub(super) async fn machine<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    machine: MachineId,
) -> TxResult<Option<MachineHead>> {
    let sql =
        format!("SELECT {HEAD_COLUMNS} FROM machine_head WHERE organisation = $1 AND machine = $2 AND entry_count > 0");
    let row = session.row(MACHINE_HEAD, sql, [blob(&organisation.0), blob(&machine.0)]).await?;
    row.as_ref().map(head).transpose()
}

fn head(row: &Row) -> TxResult<MachineHead> {
    Ok(MachineHead {
        machine: MachineId(row.bytes("machine")?),
        digest: row.digest("entry_count", "sum")?,
        position: row.number("position")?,
    })
}

pub(super) async fn machine_entries<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    machine: MachineId,
    after: u64,
    rows_max: usize,
) -> TxResult<Vec<Held>> {
    let sql = format!(
        "SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND machine = $2 AND position > $3 \
         ORDER BY position LIMIT $4"
    );
    let values = [blob(&organisation.0), blob(&machine.0), number(after), limit(rows_max)];
    let rows = session.rows(LEDGER, sql, values).await?;
    rows.iter().map(|row| Ok(held(row)?)).collect()
}

/// An entry by its name.
pub(super) async fn entry<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    EntryRef { device, seq }: EntryRef,
) -> TxResult<Option<Held>> {
    // A number beyond those of the database names nothing.
    if i64::try_from(seq).is_err() {
        return Ok(None);
    }
    let sql = format!("SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND device = $2 AND seq = $3");
    let row = session.row(LEDGER, &sql, [blob(&organisation.0), blob(&device.0), number(seq)]).await?;
    row.as_ref().map(|row| Ok(held(row)?)).transpose()
}

/// Entries of a lane after a position.
pub(super) async fn lane<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    lane: Lane,
    after: u64,
    rows_max: usize,
) -> TxResult<Vec<Held>> {
    // As the indexes say it.
    let within = match lane {
        Lane::Aside => "aside IS NOT NULL",
        Lane::Rulings => "kind IN ('released', 'struck')",
    };
    let sql = format!(
        "SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND {within} AND position > $2 \
         ORDER BY position LIMIT $3"
    );
    let rows = session.rows(LEDGER, sql, [blob(&organisation.0), number(after), limit(rows_max)]).await?;
    rows.iter().map(|row| Ok(held(row)?)).collect()
}

/// The digest of the whole ledger.
pub(super) async fn ledger_digest<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<Digest> {
    // Positions have no hole: the last one counts the entries.
    let sql = "SELECT position, sum FROM ledger_head WHERE organisation = $1";
    let row = session.row(LEDGER_HEAD, sql, [blob(&organisation.0)]).await?;
    Ok(row.as_ref().map_or_else(|| Ok(Digest::default()), |row| row.digest("position", "sum"))?)
}

/// The table of a sort of view.
fn table(sort: ViewSort) -> Table {
    match sort {
        ViewSort::Glance => MACHINE_GLANCE,
        ViewSort::Book => MACHINE_VIEW,
    }
}

pub(super) async fn views<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    sort: ViewSort,
    after: Option<MachineId>,
    rows_max: usize,
) -> TxResult<Vec<MachineView>> {
    let sql = format!(
        "SELECT {VIEW_COLUMNS} FROM {} WHERE organisation = $1 AND machine > $2 ORDER BY machine LIMIT $3",
        table(sort).name
    );
    let values = [blob(&organisation.0), machine_blob(after), limit(rows_max)];
    session.rows(table(sort), sql, values).await?.iter().map(|row| read_view(sort, row)).collect()
}

pub(super) async fn view<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    sort: ViewSort,
    machine: MachineId,
) -> TxResult<Option<MachineView>> {
    let sql = format!("SELECT {VIEW_COLUMNS} FROM {} WHERE organisation = $1 AND machine = $2", table(sort).name);
    let row = session.row(table(sort), sql, [blob(&organisation.0), blob(&machine.0)]).await?;
    row.as_ref().map(|row| read_view(sort, row)).transpose()
}

fn read_view(sort: ViewSort, row: &Row) -> TxResult<MachineView> {
    Ok(MachineView {
        sort,
        machine: MachineId(row.bytes("machine")?),
        digest: row.digest("entry_count", "sum")?,
        json: row.text("json")?,
    })
}

pub(super) async fn views_put(tx: Tx, organisation: OrganisationId, views: &[MachineView]) -> TxResult<Ended<()>> {
    // In one order, so that two who keep the same views do not wait for each other; the last of two for one machine.
    let last: BTreeMap<_, _> = views.iter().map(|view| ((view.sort, view.machine), view)).collect();
    for sort in [ViewSort::Glance, ViewSort::Book] {
        let of_sort = last.values().filter(|view| view.sort == sort);
        let values = |view: &&MachineView| {
            let Digest { count, sum: links } = view.digest;
            vec![blob(&organisation.0), blob(&view.machine.0), number(count), sum(links), text(&view.json)]
        };
        let rows: Vec<_> = of_sort.map(values).collect();
        let expected = rows.len() as u64;
        let insert = format!("INSERT INTO {} (organisation, {VIEW_COLUMNS})", table(sort).name);
        let tail = "ON CONFLICT (organisation, machine) DO UPDATE \
                    SET entry_count = excluded.entry_count, sum = excluded.sum, json = excluded.json";
        if tx.insert(&insert, rows, tail).await? != expected {
            return Err(tx.failed("not every view was kept"));
        }
    }
    tx.commit(()).await
}
