//! Organisations, their people and their devices.
//!
//! Promises: the directory's version grows with every change of what it shows, in the transaction that makes the
//! change, under the organisation's lock. A device's row is locked before the organisation's.
//!
//! Never: renames a person; removes anyone.

use super::failure::TxResult;
use super::row::{Row, blob, number, signed, sites_value, text, wanted_value};
use super::session::{Ended, Session, Tx, places};
use super::{DEVICE, ORGANISATION, Table};
use crate::{BatonJudged, DeviceRecord, DeviceScope, Organisation};
use pintle_core::chain::LogHead;
use pintle_core::exchange::{DeviceCard, Directory, Person, Wanted};
use pintle_core::ids::{Baton, DeviceId, Hash, OrganisationId, PersonId, PublicKey};
use sea_orm::ConnectionTrait;
use std::collections::{BTreeMap, BTreeSet};

const PERSON: Table = Table { name: "person", key: "person" };
/// People looked up in one statement.
const PEOPLE_CHUNK: usize = 200;

pub(super) async fn organisation_add(tx: Tx, organisation: &Organisation, now_ms: i64) -> TxResult<Ended<()>> {
    let id = blob(&organisation.id.0);
    let sql = "INSERT INTO organisation (organisation, name, directory_version, created_ms) VALUES ($1, $2, 0, $3)";
    tx.change_one(sql, [id.clone(), text(&organisation.name), signed(now_ms)]).await?;
    tx.change_one("INSERT INTO ledger_head (organisation, position, sum) VALUES ($1, 0, 0)", [id]).await?;
    tx.commit(()).await
}

pub(super) async fn organisations<C: ConnectionTrait>(session: &Session<C>) -> TxResult<Vec<Organisation>> {
    let rows = session.rows(ORGANISATION, "SELECT organisation, name FROM organisation", []).await?;
    let read = |row: &Row| -> TxResult<_> {
        Ok(Organisation { id: OrganisationId(row.bytes("organisation")?), name: row.text("name")? })
    };
    let mut all = rows.iter().map(read).collect::<TxResult<Vec<_>>>()?;
    // Here and not there: the databases sort texts by rules of their own.
    all.sort_by(|a, b| (&a.name, a.id).cmp(&(&b.name, b.id)));
    Ok(all)
}

/// Locks the organisation's row and raises its directory's version; gives its name, or none if there is none.
pub(super) async fn directory_raise(tx: &Tx, organisation: OrganisationId) -> TxResult<Option<String>> {
    let id = blob(&organisation.0);
    let sql = "SELECT organisation, name FROM organisation WHERE organisation = $1";
    let Some(row) = tx.row(ORGANISATION, format!("{sql}{}", tx.for_update()), [id.clone()]).await? else {
        return Ok(None);
    };
    let sql = "UPDATE organisation SET directory_version = directory_version + 1 WHERE organisation = $1";
    tx.change_one(sql, [id]).await?;
    Ok(Some(row.text("name")?))
}

/// Adds people who are not there yet; gives how many it added.
pub(super) async fn people_insert(tx: &Tx, organisation: OrganisationId, people: &[Person]) -> TxResult<u64> {
    // The first of several names for one id counts, as where they come one after the other.
    let mut by_id = BTreeMap::new();
    for person in people {
        by_id.entry(person.id).or_insert(&person.name);
    }
    let row = |(id, name): (PersonId, &String)| vec![blob(&organisation.0), blob(&id.0), text(name)];
    let insert = "INSERT INTO person (organisation, person, name)";
    let tail = "ON CONFLICT (organisation, person) DO NOTHING";
    tx.insert(insert, by_id.into_iter().map(row).collect(), tail).await
}

pub(super) async fn people_add(tx: Tx, organisation: OrganisationId, people: &[Person]) -> TxResult<Ended<()>> {
    let people: Vec<_> = people.iter().filter(|person| person.id != PersonId::OPERATOR).cloned().collect();
    let mut unknown = Vec::new();
    for some in people.chunks(PEOPLE_CHUNK) {
        let sql =
            format!("SELECT person FROM person WHERE organisation = $1 AND person IN ({})", places(2, some.len()));
        let ids = some.iter().map(|person| blob(&person.id.0));
        let rows = tx.rows(PERSON, sql, std::iter::once(blob(&organisation.0)).chain(ids)).await?;
        let known = rows.iter().map(|row| Ok(PersonId(row.bytes("person")?))).collect::<TxResult<Vec<_>>>()?;
        unknown.extend(some.iter().filter(|person| !known.contains(&person.id)).cloned());
    }
    if unknown.is_empty() && !people.is_empty() {
        return tx.leave(()).await;
    }
    // The lock comes before the insert, so that two lists of the same people wait for each other here.
    if directory_raise(&tx, organisation).await?.is_none() {
        return Err(tx.failed("there is no such organisation"));
    }
    match people_insert(&tx, organisation, &unknown).await? {
        0 => tx.leave(()).await,
        _ => tx.commit(()).await,
    }
}

pub(super) async fn directory(tx: Tx, organisation: OrganisationId, held: u64) -> TxResult<Ended<Option<Directory>>> {
    let id = blob(&organisation.0);
    let sql = "SELECT organisation, directory_version FROM organisation WHERE organisation = $1";
    let version = match tx.row(ORGANISATION, sql, [id.clone()]).await? {
        Some(row) => row.number("directory_version")?,
        None => held,
    };
    if version == held {
        return tx.leave(None).await;
    }
    let sql = "SELECT person, name FROM person WHERE organisation = $1 ORDER BY person";
    let people = tx.rows(PERSON, sql, [id.clone()]).await?;
    let people = people.iter().map(|row| Ok(Person { id: PersonId(row.bytes("person")?), name: row.text("name")? }));
    let people = people.collect::<TxResult<_>>()?;
    let sql = "SELECT device, mark, key, person, revoked FROM device WHERE organisation = $1 ORDER BY device";
    let devices = tx.rows(DEVICE, sql, [id]).await?;
    let devices = devices.iter().map(card).collect::<TxResult<_>>()?;
    tx.leave(Some(Directory { version, people, devices })).await
}

fn card(row: &Row) -> TxResult<DeviceCard> {
    Ok(DeviceCard {
        id: DeviceId(row.bytes("device")?),
        mark: row.text("mark")?,
        key: PublicKey(row.bytes("key")?),
        person: PersonId(row.bytes("person")?),
        revoked: row.signed("revoked")? != 0,
    })
}

pub(super) async fn device<C: ConnectionTrait>(
    session: &Session<C>,
    device: DeviceId,
) -> TxResult<Option<DeviceRecord>> {
    device_row(session, device, "").await
}

/// The device, locked to the transaction's end.
pub(super) async fn device_lock(tx: &Tx, device: DeviceId) -> TxResult<Option<DeviceRecord>> {
    device_row(tx, device, tx.for_update()).await
}

async fn device_row<C: ConnectionTrait>(
    session: &Session<C>,
    device: DeviceId,
    lock: &str,
) -> TxResult<Option<DeviceRecord>> {
    let sql = format!(
        "SELECT device, organisation, key, mark, person, role, revoked, head_seq, head_link, baton, baton_before, \
         wanted, wanted_sites FROM device WHERE device = $1{lock}"
    );
    let Some(row) = session.row(DEVICE, sql, [blob(&device.0)]).await? else { return Ok(None) };
    Ok(Some(DeviceRecord {
        organisation: OrganisationId(row.bytes("organisation")?),
        device: DeviceId(row.bytes("device")?),
        key: PublicKey(row.bytes("key")?),
        mark: row.text("mark")?,
        person: PersonId(row.bytes("person")?),
        role: row.role("role")?,
        revoked: row.signed("revoked")? != 0,
        head: LogHead { seq: row.number("head_seq")?, link: Hash(row.bytes("head_link")?) },
        baton: Baton(row.bytes("baton")?),
        baton_before: Baton(row.bytes("baton_before")?),
        wanted: row.wanted("wanted", "wanted_sites")?,
    }))
}

pub(super) async fn baton(
    tx: Tx,
    scope: DeviceScope,
    presented: Baton,
    next: Baton,
    now_ms: i64,
) -> TxResult<Ended<BatonJudged>> {
    let device = device_lock(&tx, scope.device).await?.filter(|device| device.organisation == scope.organisation);
    let device = device.ok_or_else(|| tx.failed("there is no such device of the organisation"))?;
    if presented == device.baton {
        baton_set(&tx, scope.device, device.baton, next, now_ms).await?;
        return tx.commit(BatonJudged::Current).await;
    }
    let judged = if presented == device.baton_before { BatonJudged::Before(device.baton) } else { BatonJudged::Old };
    tx.leave(judged).await
}

/// Hands on from one baton to the next.
/// Gives a device that is let in again a baton, unless that is one that counts already.
pub(super) async fn baton_given(tx: &Tx, known: &DeviceRecord, baton: Baton, now_ms: i64) -> TxResult<()> {
    let [before, current] = known.given(baton);
    baton_set(tx, known.device, before, current, now_ms).await
}

async fn baton_set(tx: &Tx, device: DeviceId, before: Baton, baton: Baton, now_ms: i64) -> TxResult<()> {
    let sql = "UPDATE device SET baton_before = $1, baton = $2, last_ms = $3 WHERE device = $4";
    tx.change_one(sql, [blob(&before.0), blob(&baton.0), signed(now_ms), blob(&device.0)]).await
}

pub(super) async fn wanted_set(tx: Tx, scope: DeviceScope, wanted: &Wanted) -> TxResult<Ended<()>> {
    let sql = "UPDATE device SET wanted = $1, wanted_sites = $2 WHERE device = $3 AND organisation = $4";
    let (device, organisation) = (blob(&scope.device.0), blob(&scope.organisation.0));
    tx.change_one(sql, [wanted_value(wanted), sites_value(wanted), device, organisation]).await?;
    tx.commit(()).await
}

/// Each mark that an organisation's devices have or had, as it is compared, with its device. The organisation is locked.
async fn marks_held(tx: &Tx, organisation: OrganisationId) -> TxResult<Vec<(DeviceId, String)>> {
    let sql = "SELECT device, mark_folded FROM device WHERE organisation = $1 \
               UNION ALL SELECT device, mark_folded FROM mark_past WHERE organisation = $1";
    let rows = tx.rows(DEVICE, sql, [blob(&organisation.0)]).await?;
    rows.iter().map(|row| Ok((DeviceId(row.bytes("device")?), row.text("mark_folded")?))).collect()
}

/// The marks that an organisation's devices have or had, as they are compared.
pub(super) async fn marks(tx: &Tx, organisation: OrganisationId) -> TxResult<BTreeSet<String>> {
    Ok(marks_held(tx, organisation).await?.into_iter().map(|(_, mark)| mark).collect())
}

/// The same without those of one device: it may take again what it had once.
pub(super) async fn others_marks(
    tx: &Tx,
    organisation: OrganisationId,
    device: DeviceId,
) -> TxResult<BTreeSet<String>> {
    let held = marks_held(tx, organisation).await?.into_iter();
    Ok(held.filter(|(of, _)| *of != device).map(|(_, mark)| mark).collect())
}

/// Gives a device another role and person.
pub(super) async fn device_change(tx: &Tx, device: DeviceId, role: crate::Role, person: PersonId) -> TxResult<()> {
    let sql = "UPDATE device SET role = $1, person = $2 WHERE device = $3";
    tx.change_one(sql, [text(role.as_str()), blob(&person.0), blob(&device.0)]).await
}

/// Adds a device.
pub(super) async fn device_insert(tx: &Tx, device: &DeviceRecord, now_ms: i64) -> TxResult<()> {
    let sql = "INSERT INTO device (device, organisation, key, mark, mark_folded, person, role, revoked, head_seq, \
               head_link, baton, baton_before, wanted, wanted_sites, enrolled_ms) \
               VALUES ($1, $2, $3, $4, $5, $6, $7, 0, $8, $9, $10, $11, $12, $13, $14)";
    let values = [
        blob(&device.device.0),
        blob(&device.organisation.0),
        blob(&device.key.0),
        text(&device.mark),
        text(&crate::ledger::folded(&device.mark)),
        blob(&device.person.0),
        text(device.role.as_str()),
        number(device.head.seq),
        blob(&device.head.link.0),
        blob(&device.baton.0),
        blob(&device.baton_before.0),
        wanted_value(&device.wanted),
        sites_value(&device.wanted),
        signed(now_ms),
    ];
    tx.change_one(sql, values).await
}
