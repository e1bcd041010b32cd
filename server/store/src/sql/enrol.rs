//! Enrolment codes, and letting a device in.
//!
//! Promises: a code lets in one device, however many ask at once; asking again with the same key is answered the
//! same. Locks are taken in the order code, device, organisation.
//!
//! Never: the code itself; its hash alone is stored.

use super::failure::TxResult;
use super::office::another_owner;
use super::people::{baton_given, device_change, device_insert, device_lock, directory_raise, marks, people_insert};
use super::row::{blob, signed};
use super::scribe::write_down;
use super::session::{Ended, Tx};
use super::{ORGANISATION, Table};
use crate::facts::Voucher;
use crate::ledger::free_mark;
use crate::{Actor, DeviceRecord, Enrolled, Enrolment, Organisation, Role, facts};
use pintle_core::chain::LogHead;
use pintle_core::exchange::Wanted;
use pintle_core::ids::{DeviceId, OrganisationId};
use pintle_core::scribe::code_id;

const ENROLMENT_CODE: Table = Table { name: "enrolment_code", key: "hash" };

/// A code as it is stored.
struct Code {
    organisation: OrganisationId,
    role: Role,
    expires_ms: i64,
    spent_by: Option<DeviceId>,
    cancelled: bool,
}

async fn code_lock(tx: &Tx, enrolment: &Enrolment) -> TxResult<Option<Code>> {
    let sql = "SELECT hash, organisation, role, expires_ms, spent_by, cancelled_ms FROM enrolment_code WHERE hash = $1";
    let sql = format!("{sql}{}", tx.for_update());
    let Some(row) = tx.row(ENROLMENT_CODE, sql, [blob(&enrolment.code.0)]).await? else { return Ok(None) };
    Ok(Some(Code {
        organisation: OrganisationId(row.bytes("organisation")?),
        role: row.role("role")?,
        expires_ms: row.signed("expires_ms")?,
        spent_by: row.bytes_or_null("spent_by")?.map(DeviceId),
        cancelled: row.signed_or_null("cancelled_ms")?.is_some(),
    }))
}

pub(super) async fn enrol(tx: Tx, secret: &[u8; 32], enrolment: &Enrolment) -> TxResult<Ended<Enrolled>> {
    let device = DeviceId::of_key(&enrolment.key);
    let Some(code) = code_lock(&tx, enrolment).await? else { return tx.leave(Enrolled::NoSuchCode).await };
    match code.spent_by {
        Some(other) if other != device => return tx.leave(Enrolled::CodeUsed).await,
        None if code.cancelled || code.expires_ms <= enrolment.now_ms => return tx.leave(Enrolled::NoSuchCode).await,
        _ => {}
    }
    let known = device_lock(&tx, device).await?;
    if known.as_ref().is_some_and(|known| known.revoked || known.organisation != code.organisation) {
        return tx.leave(Enrolled::KeyRefused).await;
    }
    if code.spent_by.is_none() {
        let sql = "UPDATE enrolment_code SET spent_by = $1, spent_ms = $2 WHERE hash = $3 AND spent_by IS NULL";
        tx.change_one(sql, [blob(&device.0), signed(enrolment.now_ms), blob(&enrolment.code.0)]).await?;
    }
    let enrolled = match known {
        Some(known) => let_in_again(&tx, secret, enrolment, &code, &known).await?,
        None => let_in(&tx, secret, enrolment, &code, device).await?,
    };
    if enrolled == Enrolled::LastOwner {
        return tx.leave(enrolled).await;
    }
    tx.commit(enrolled).await
}

/// Lets a device in that is in already: its reply was lost, or it shows a fresh code.
async fn let_in_again(
    tx: &Tx,
    secret: &[u8; 32],
    enrolment: &Enrolment,
    code: &Code,
    known: &DeviceRecord,
) -> TxResult<Enrolled> {
    baton_given(tx, known, enrolment.baton, enrolment.now_ms).await?;
    let mut role = known.role;
    if code.spent_by.is_none() {
        directory_raise(tx, code.organisation).await?;
        let less = known.role == Role::Owner && code.role != Role::Owner;
        if less && !another_owner(tx, code.organisation, known.device).await? {
            return Ok(Enrolled::LastOwner);
        }
        people_insert(tx, code.organisation, std::slice::from_ref(&enrolment.person)).await?;
        device_change(tx, known.device, code.role, enrolment.person.id).await?;
        role = code.role;
        let changed = DeviceRecord { role, person: enrolment.person.id, ..known.clone() };
        tell(tx, secret, enrolment, &changed).await?;
    }
    let sql = "SELECT organisation, name FROM organisation WHERE organisation = $1";
    let row = tx.row(ORGANISATION, sql, [blob(&code.organisation.0)]).await?;
    let name = row.ok_or_else(|| tx.failed("there is no such organisation"))?.text("name")?;
    let organisation = Organisation { id: code.organisation, name };
    Ok(Enrolled::In { organisation, mark: known.mark.clone(), role })
}

async fn let_in(
    tx: &Tx,
    secret: &[u8; 32],
    enrolment: &Enrolment,
    code: &Code,
    device: DeviceId,
) -> TxResult<Enrolled> {
    let name = directory_raise(tx, code.organisation).await?;
    let name = name.ok_or_else(|| tx.failed("there is no such organisation"))?;
    people_insert(tx, code.organisation, std::slice::from_ref(&enrolment.person)).await?;
    // Under the organisation's lock, so that two devices that wish for one mark come one after the other.
    let mark = free_mark(&enrolment.mark, &marks(tx, code.organisation).await?);
    let record = DeviceRecord {
        organisation: code.organisation,
        device,
        key: enrolment.key,
        mark: mark.clone(),
        person: enrolment.person.id,
        role: code.role,
        revoked: false,
        head: LogHead::empty(&enrolment.key),
        baton: enrolment.baton,
        baton_before: enrolment.baton,
        wanted: Wanted::default(),
    };
    device_insert(tx, &record, enrolment.now_ms).await?;
    tell(tx, secret, enrolment, &record).await?;
    Ok(Enrolled::In { organisation: Organisation { id: code.organisation, name }, mark, role: code.role })
}

/// Writes down who was let in.
async fn tell(tx: &Tx, secret: &[u8; 32], enrolment: &Enrolment, record: &DeviceRecord) -> TxResult<()> {
    let actor = Actor { organisation: record.organisation, person: record.person };
    let code = Voucher::Code(code_id(secret, &enrolment.code));
    write_down(tx, secret, actor, &facts::device_enrolled(record, code), enrolment.now_ms).await
}
