//! The server's own log, written in the transaction of what it tells of.
//!
//! Promises: what is written down and what it tells of become lasting together or not at all. Each epoch has a log
//! under a key of its own, whose device is made when there is first something to write.
//!
//! Locks: the organisation's row before the server's device where that is new, the server's device before the ledger's
//! head, as every push. A caller that holds a person's device or the organisation's row is in order.

use super::epoch::epoch;
use super::failure::TxResult;
use super::people::{device_insert, device_lock, directory_raise, marks, people_insert};
use super::push::push_in;
use super::row::{blob, number};
use super::session::Tx;
use super::{LEDGER_HEAD, ORGANISATION};
use crate::ledger::free_mark;
use crate::{Actor, DeviceRecord, DeviceScope, Noted, Role};
use pintle_core::admit::Admission;
use pintle_core::chain::LogHead;
use pintle_core::exchange::{ClockSample, Person, Wanted};
use pintle_core::ids::{Baton, OrganisationId, PersonId};
use pintle_core::moment::Moment;
use pintle_core::scribe::{SERVER_MARK, SERVER_NAME, Scribe};
use pintle_core::{EntryRef, Fact};

/// Writes down what an actor has had done.
pub(super) async fn write_down(tx: &Tx, secret: &[u8; 32], actor: Actor, fact: &Fact, now_ms: i64) -> TxResult<()> {
    write_office(tx, secret, actor, &Noted { fact: fact.clone(), office: None }, now_ms).await.map(|_| ())
}

/// Writes down what the office has had done, with the part that crews do not get. Gives the entry's name.
pub(super) async fn write_office(
    tx: &Tx,
    secret: &[u8; 32],
    actor: Actor,
    noted: &Noted,
    now_ms: i64,
) -> TxResult<EntryRef> {
    let organisation = actor.organisation;
    let epoch = epoch(tx).await?;
    let scribe = Scribe::new(secret, organisation, epoch);
    let head = match device_lock(tx, scribe.device()).await? {
        Some(device) => device.head,
        None => begin_log(tx, organisation, &scribe, epoch, now_ms).await?,
    };
    let seen = position(tx, organisation).await?;
    let checked = scribe.write_office(&head, seen, actor.person, &noted.fact, noted.office.clone(), now_ms);
    let checked = checked.map_err(|fault| tx.failed(fault.to_string()))?;
    let at = Moment::at(now_ms.div_euclid(1000), 0).map_err(|fault| tx.failed(fault.to_string()))?;
    let scope = DeviceScope { organisation, device: scribe.device() };
    let pushed = push_in(tx, scope, &checked, &ClockSample { at, boot: None, up_s: None }, now_ms).await?;
    match pushed.admission {
        Admission::Write { .. } => Ok(EntryRef { device: scribe.device(), seq: pushed.head.seq }),
        other => Err(tx.failed(format!("the server's own log did not take an entry: {other:?}"))),
    }
}

/// Makes the device of the server's log in this epoch, unless another has just done so; gives where its log ends.
async fn begin_log(
    tx: &Tx,
    organisation: OrganisationId,
    scribe: &Scribe,
    epoch: u64,
    now_ms: i64,
) -> TxResult<LogHead> {
    let sql = format!("SELECT organisation FROM organisation WHERE organisation = $1{}", tx.for_update());
    if tx.row(ORGANISATION, sql, [blob(&organisation.0)]).await?.is_none() {
        return Err(tx.failed("there is no such organisation"));
    }
    if let Some(device) = device_lock(tx, scribe.device()).await? {
        return Ok(device.head);
    }
    directory_raise(tx, organisation).await?;
    let server = Person { id: PersonId::OPERATOR, name: SERVER_NAME.to_owned() };
    people_insert(tx, organisation, std::slice::from_ref(&server)).await?;
    let record = DeviceRecord {
        organisation,
        device: scribe.device(),
        key: scribe.key(),
        mark: free_mark(SERVER_MARK, &marks(tx, organisation).await?),
        person: server.id,
        role: Role::Owner,
        revoked: false,
        head: LogHead::empty(&scribe.key()),
        // Nobody ever syncs as the server: the request would need its key.
        baton: Baton([0; 16]),
        baton_before: Baton([0; 16]),
        wanted: Wanted::default(),
    };
    device_insert(tx, &record, now_ms).await?;
    let sql = "UPDATE device SET server_epoch = $1 WHERE device = $2";
    tx.change_one(sql, [number(epoch), blob(&record.device.0)]).await?;
    Ok(record.head)
}

/// Where the ledger ends, or did a moment ago: what the server has certainly seen.
async fn position(tx: &Tx, organisation: OrganisationId) -> TxResult<u64> {
    let sql = "SELECT position FROM ledger_head WHERE organisation = $1";
    let row = tx.row(LEDGER_HEAD, sql, [blob(&organisation.0)]).await?;
    let row = row.ok_or_else(|| tx.failed("the organisation has no ledger"))?;
    Ok(row.number("position")?)
}
