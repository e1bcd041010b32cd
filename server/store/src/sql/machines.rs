//! Machines as the ledger counts them, their entries, and the views kept of them.
//!
//! Promises: pages by key, each one indexed statement; the entries about no machine are never listed as one.
//!
//! Never: what a view holds; it is the caller's text.

use super::failure::TxResult;
use super::page::{HELD_COLUMNS, held};
use super::row::{Row, blob, limit, machine_blob, number, sum, text};
use super::session::{Ended, Session, Tx};
use super::{LEDGER, MACHINE_HEAD, Table};
use crate::{MachineHead, MachineView};
use pintle_core::Held;
use pintle_core::ids::{MachineId, OrganisationId};
use sea_orm::ConnectionTrait;

const MACHINE_VIEW: Table = Table { name: "machine_view", key: "machine" };
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

pub(super) async fn views<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    after: Option<MachineId>,
    rows_max: usize,
) -> TxResult<Vec<MachineView>> {
    let sql = format!(
        "SELECT {VIEW_COLUMNS} FROM machine_view WHERE organisation = $1 AND machine > $2 ORDER BY machine LIMIT $3"
    );
    let values = [blob(&organisation.0), machine_blob(after), limit(rows_max)];
    session.rows(MACHINE_VIEW, sql, values).await?.iter().map(read_view).collect()
}

pub(super) async fn view<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    machine: MachineId,
) -> TxResult<Option<MachineView>> {
    let sql = format!("SELECT {VIEW_COLUMNS} FROM machine_view WHERE organisation = $1 AND machine = $2");
    let row = session.row(MACHINE_VIEW, sql, [blob(&organisation.0), blob(&machine.0)]).await?;
    row.as_ref().map(read_view).transpose()
}

fn read_view(row: &Row) -> TxResult<MachineView> {
    Ok(MachineView {
        machine: MachineId(row.bytes("machine")?),
        digest: row.digest("entry_count", "sum")?,
        json: row.text("json")?,
    })
}

pub(super) async fn view_put(tx: Tx, organisation: OrganisationId, view: &MachineView) -> TxResult<Ended<()>> {
    let sql = format!(
        "INSERT INTO machine_view (organisation, {VIEW_COLUMNS}) VALUES ($1, $2, $3, $4, $5) \
         ON CONFLICT (organisation, machine) DO UPDATE \
         SET entry_count = excluded.entry_count, sum = excluded.sum, json = excluded.json"
    );
    let values = [
        blob(&organisation.0),
        blob(&view.machine.0),
        number(view.digest.count),
        sum(view.digest.sum),
        text(&view.json),
    ];
    tx.change_one(sql, values).await?;
    tx.commit(()).await
}
