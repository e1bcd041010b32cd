//! Codes, devices and share links, as the office and the owner manage them.
//!
//! Promises: each write is told in the server's own log in its own transaction. What is asked for twice is done once.
//!
//! Never: a code or a link itself; their hashes alone are stored.

use super::failure::TxResult;
use super::people::{device_lock, directory_raise, others_marks};
use super::row::{Row, blob, limit, signed, text};
use super::scribe::write_down;
use super::session::{Ended, Session, Tx};
use super::{DEVICE, Table};
use crate::ledger::folded;
use crate::{
    Actor, Changed, DeviceChange, DeviceRecord, DeviceStanding, EnrolmentCode, NewShare, OpenCode, Role, Share, facts,
};
use pintle_core::fact::administration::Shown;
use pintle_core::ids::{CodeId, DeviceId, Hash, MachineId, OrganisationId, PersonId, ShareId};
use pintle_core::scribe::code_id;
use sea_orm::ConnectionTrait;

const ENROLMENT_CODE: Table = Table { name: "enrolment_code", key: "hash" };
const SHARE: Table = Table { name: "share", key: "hash" };
const SHARE_COLUMNS: &str = "hash, organisation, machine, shows_names, shows_words, made_by, made_ms, until_ms, \
                             ended_ms, opened_count, opened_ms";

/// Adds a code.
pub(super) async fn code_add(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    code: &EnrolmentCode,
    now_ms: i64,
) -> TxResult<Ended<CodeId>> {
    let sql = "INSERT INTO enrolment_code (hash, organisation, role, expires_ms, created_ms) \
               VALUES ($1, $2, $3, $4, $5)";
    let role = text(code.role.as_str());
    let values = [blob(&code.hash.0), blob(&actor.organisation.0), role, signed(code.expires_ms), signed(now_ms)];
    tx.change_one(sql, values).await?;
    let id = code_id(secret, &code.hash);
    write_down(&tx, secret, actor, &facts::code_made(id, code), now_ms).await?;
    tx.commit(id).await
}

/// The codes that may still be used, the one that ends first first.
pub(super) async fn codes<C: ConnectionTrait>(
    session: &Session<C>,
    secret: &[u8; 32],
    organisation: OrganisationId,
    now_ms: i64,
) -> TxResult<Vec<OpenCode>> {
    let open = open_codes(session, secret, organisation, now_ms).await?;
    Ok(open.into_iter().map(|(_, code)| code).collect())
}

/// The same, each with its hash.
async fn open_codes<C: ConnectionTrait>(
    session: &Session<C>,
    secret: &[u8; 32],
    organisation: OrganisationId,
    now_ms: i64,
) -> TxResult<Vec<(Hash, OpenCode)>> {
    let sql = "SELECT hash, role, created_ms, expires_ms FROM enrolment_code WHERE organisation = $1 \
               AND expires_ms > $2 AND spent_by IS NULL AND cancelled_ms IS NULL ORDER BY expires_ms, hash";
    let rows = session.rows(ENROLMENT_CODE, sql, [blob(&organisation.0), signed(now_ms)]).await?;
    let read = |row: &Row| {
        let hash = Hash(row.bytes("hash")?);
        let open = OpenCode {
            code: code_id(secret, &hash),
            role: row.role("role")?,
            made_ms: row.signed("created_ms")?,
            expires_ms: row.signed("expires_ms")?,
        };
        Ok((hash, open))
    };
    rows.iter().map(read).collect()
}

/// Cancels an open code; says whether there was one.
pub(super) async fn code_cancel(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    code: CodeId,
    now_ms: i64,
) -> TxResult<Ended<bool>> {
    let open = open_codes(&tx, secret, actor.organisation, now_ms).await?;
    let Some((hash, _)) = open.into_iter().find(|(_, open)| open.code == code) else {
        return tx.leave(false).await;
    };
    let sql =
        "UPDATE enrolment_code SET cancelled_ms = $1 WHERE hash = $2 AND spent_by IS NULL AND cancelled_ms IS NULL";
    // None if it was used in this very moment.
    if tx.change(sql, [signed(now_ms), blob(&hash.0)]).await? == 0 {
        return tx.leave(false).await;
    }
    write_down(&tx, secret, actor, &facts::code_cancelled(code), now_ms).await?;
    tx.commit(true).await
}

/// The least and the greatest hash that an id of 16 bytes can be the start of.
fn hashes_of(id: &[u8; 16]) -> (Hash, Hash) {
    let (mut from, mut to) = (Hash([0; 32]), Hash([0xff; 32]));
    from.0[..16].copy_from_slice(id);
    to.0[..16].copy_from_slice(id);
    (from, to)
}

/// People's devices, by mark.
pub(super) async fn devices<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<Vec<DeviceStanding>> {
    let sql = "SELECT device, mark, mark_folded, person, role, revoked, head_seq, enrolled_ms, last_ms FROM device \
               WHERE organisation = $1 AND server_epoch IS NULL";
    let rows = session.rows(DEVICE, sql, [blob(&organisation.0)]).await?;
    let read = |row: &Row| -> TxResult<_> {
        Ok(DeviceStanding {
            device: DeviceId(row.bytes("device")?),
            mark: row.text("mark")?,
            person: PersonId(row.bytes("person")?),
            role: row.role("role")?,
            revoked: row.signed("revoked")? != 0,
            entries: row.number("head_seq")?,
            enrolled_ms: row.signed("enrolled_ms")?,
            last_ms: row.signed_or_null("last_ms")?,
        })
    };
    let mut all = rows.iter().map(read).collect::<TxResult<Vec<_>>>()?;
    all.sort_by_key(|device| (folded(&device.mark), device.device));
    Ok(all)
}

/// The device of a person, locked.
async fn managed(tx: &Tx, actor: Actor, device: DeviceId) -> TxResult<Option<DeviceRecord>> {
    // Asked of the row and not of its person: whose log it is never changes.
    let sql = "SELECT device FROM device WHERE device = $1 AND organisation = $2 AND server_epoch IS NULL";
    match tx.row(DEVICE, sql, [blob(&device.0), blob(&actor.organisation.0)]).await? {
        Some(_) => device_lock(tx, device).await,
        None => Ok(None),
    }
}

/// Whether the organisation has another owner's device. The organisation's row is locked by the caller.
pub(super) async fn another_owner(tx: &Tx, organisation: OrganisationId, device: DeviceId) -> TxResult<bool> {
    let sql = "SELECT device FROM device WHERE organisation = $1 AND role = 'owner' AND revoked = 0 \
               AND server_epoch IS NULL AND device <> $2 LIMIT 1";
    Ok(tx.row(DEVICE, sql, [blob(&organisation.0), blob(&device.0)]).await?.is_some())
}

/// Gives a device another short name, role, or both.
pub(super) async fn device_change(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    device: DeviceId,
    change: &DeviceChange,
    now_ms: i64,
) -> TxResult<Ended<Changed>> {
    let Some(record) = managed(&tx, actor, device).await? else { return tx.leave(Changed::NoSuchDevice).await };
    let mark = change.mark.as_ref().filter(|mark| **mark != record.mark);
    let role = change.role.filter(|role| *role != record.role);
    if mark.is_none() && role.is_none() {
        return tx.leave(Changed::Already).await;
    }
    directory_raise(&tx, actor.organisation).await?;
    if record.role == Role::Owner
        && role.is_some()
        && !record.revoked
        && !actor.is_operator()
        && !another_owner(&tx, actor.organisation, device).await?
    {
        return tx.leave(Changed::LastOwner).await;
    }
    if let Some(mark) = mark {
        let own = folded(&record.mark);
        if folded(mark) != own {
            if others_marks(&tx, actor.organisation, device).await?.contains(&folded(mark)) {
                return tx.leave(Changed::MarkTaken).await;
            }
            // It may have given up the same mark before, and taken it again.
            let sql = "INSERT INTO mark_past (organisation, mark_folded, device) VALUES ($1, $2, $3) \
                       ON CONFLICT (organisation, mark_folded) DO NOTHING";
            tx.change(sql, [blob(&actor.organisation.0), text(&own), blob(&device.0)]).await?;
        }
        let sql = "UPDATE device SET mark = $1, mark_folded = $2 WHERE device = $3";
        tx.change_one(sql, [text(mark), text(&folded(mark)), blob(&device.0)]).await?;
    }
    if let Some(role) = role {
        let sql = "UPDATE device SET role = $1 WHERE device = $2";
        tx.change_one(sql, [text(role.as_str()), blob(&device.0)]).await?;
    }
    let written = DeviceChange { mark: mark.cloned(), role };
    write_down(&tx, secret, actor, &facts::device_changed(device, &written), now_ms).await?;
    tx.commit(Changed::Done).await
}

/// Revokes a device.
pub(super) async fn device_revoke(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    device: DeviceId,
    now_ms: i64,
) -> TxResult<Ended<Changed>> {
    let Some(record) = managed(&tx, actor, device).await? else { return tx.leave(Changed::NoSuchDevice).await };
    if record.revoked {
        return tx.leave(Changed::Already).await;
    }
    directory_raise(&tx, actor.organisation).await?;
    if record.role == Role::Owner && !actor.is_operator() && !another_owner(&tx, actor.organisation, device).await? {
        return tx.leave(Changed::LastOwner).await;
    }
    tx.change_one("UPDATE device SET revoked = 1 WHERE device = $1", [blob(&device.0)]).await?;
    write_down(&tx, secret, actor, &facts::device_revoked(device), now_ms).await?;
    tx.commit(Changed::Done).await
}

/// Adds a share link.
pub(super) async fn share_add(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    share: &NewShare,
    now_ms: i64,
) -> TxResult<Ended<()>> {
    let sql = "INSERT INTO share (hash, organisation, machine, shows_names, shows_words, made_by, made_ms, until_ms, \
               opened_count) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, 0)";
    let shows = |what| signed(i64::from(share.shows.contains(&what)));
    let values = [
        blob(&share.hash.0),
        blob(&actor.organisation.0),
        blob(&share.machine.0),
        shows(Shown::Names),
        shows(Shown::Words),
        blob(&actor.person.0),
        signed(now_ms),
        signed(share.until_ms),
    ];
    tx.change_one(sql, values).await?;
    write_down(&tx, secret, actor, &facts::share_made(share), now_ms).await?;
    tx.commit(()).await
}

fn share(row: &Row) -> TxResult<Share> {
    let shown = [("shows_names", Shown::Names), ("shows_words", Shown::Words)];
    let mut shows = std::collections::BTreeSet::new();
    for (column, what) in shown {
        if row.signed(column)? != 0 {
            shows.insert(what);
        }
    }
    Ok(Share {
        hash: Hash(row.bytes("hash")?),
        organisation: OrganisationId(row.bytes("organisation")?),
        machine: MachineId(row.bytes("machine")?),
        shows,
        made_by: PersonId(row.bytes("made_by")?),
        made_ms: row.signed("made_ms")?,
        until_ms: row.signed("until_ms")?,
        ended_ms: row.signed_or_null("ended_ms")?,
        opened_count: row.number("opened_count")?,
        opened_ms: row.signed_or_null("opened_ms")?,
    })
}

/// The share links of an organisation, those that live first, then the newest, at most `most`.
pub(super) async fn shares<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    now_ms: i64,
    most: usize,
) -> TxResult<Vec<Share>> {
    let sql = format!(
        "SELECT {SHARE_COLUMNS} FROM share WHERE organisation = $1 \
         ORDER BY CASE WHEN ended_ms IS NULL AND until_ms > $2 THEN 0 ELSE 1 END, made_ms DESC, hash LIMIT $3"
    );
    session.rows(SHARE, sql, [blob(&organisation.0), signed(now_ms), limit(most)]).await?.iter().map(share).collect()
}

/// Ends a share link; says whether the organisation has an open one of that id.
pub(super) async fn share_end(
    tx: Tx,
    secret: &[u8; 32],
    actor: Actor,
    id: ShareId,
    now_ms: i64,
) -> TxResult<Ended<bool>> {
    let (from, to) = hashes_of(&id.0);
    let sql = "UPDATE share SET ended_ms = $1 WHERE organisation = $2 AND hash >= $3 AND hash <= $4 \
               AND ended_ms IS NULL AND until_ms > $1";
    let values = [signed(now_ms), blob(&actor.organisation.0), blob(&from.0), blob(&to.0)];
    if tx.change(sql, values).await? == 0 {
        return tx.leave(false).await;
    }
    write_down(&tx, secret, actor, &facts::share_ended(id), now_ms).await?;
    tx.commit(true).await
}

/// Opens a share link that lives, and counts it.
pub(super) async fn share_open(tx: Tx, hash: Hash, now_ms: i64) -> TxResult<Ended<Option<Share>>> {
    let sql = "UPDATE share SET opened_count = opened_count + 1, opened_ms = $1 \
               WHERE hash = $2 AND ended_ms IS NULL AND until_ms > $1";
    if tx.change(sql, [signed(now_ms), blob(&hash.0)]).await? == 0 {
        return tx.leave(None).await;
    }
    let row = tx.row(SHARE, format!("SELECT {SHARE_COLUMNS} FROM share WHERE hash = $1"), [blob(&hash.0)]).await?;
    let found = row.as_ref().map(share).transpose()?;
    tx.commit(found).await
}
