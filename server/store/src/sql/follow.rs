//! A device that goes on under a new key, for which its old one vouches.
//!
//! Promises: one new device for each new key, however often it is asked; the same person and role, never more.
//!
//! Locks: the old device, the new one, the organisation, then as the server's own log.

use super::ORGANISATION;
use super::failure::TxResult;
use super::people::{baton_given, device_insert, device_lock, directory_raise, marks};
use super::row::blob;
use super::scribe::write_down;
use super::session::{Ended, Tx};
use crate::facts::Voucher;
use crate::ledger::free_mark;
use crate::{Actor, DeviceRecord, Enrolled, Follow, Organisation, facts};
use pintle_core::chain::LogHead;
use pintle_core::ids::DeviceId;

pub(super) async fn follow(tx: Tx, secret: &[u8; 32], follow: &Follow) -> TxResult<Ended<Enrolled>> {
    let new = DeviceId::of_key(&follow.key);
    let old = device_lock(&tx, follow.old).await?;
    let old = old.filter(|old| old.organisation == follow.organisation && !old.is_server());
    let Some(old) = old else { return tx.leave(Enrolled::KeyRefused).await };
    if let Some(known) = device_lock(&tx, new).await? {
        if known.revoked || follows(&tx, new).await? != Some(follow.old) {
            return tx.leave(Enrolled::KeyRefused).await;
        }
        baton_given(&tx, &known, follow.baton, follow.now_ms).await?;
        let sql = "SELECT organisation, name FROM organisation WHERE organisation = $1";
        let row = tx.row(ORGANISATION, sql, [blob(&follow.organisation.0)]).await?;
        let name = row.ok_or_else(|| tx.failed("there is no such organisation"))?.text("name")?;
        let organisation = Organisation { id: follow.organisation, name };
        return tx.commit(Enrolled::In { organisation, mark: known.mark, role: known.role }).await;
    }
    if old.revoked {
        return tx.leave(Enrolled::KeyRefused).await;
    }
    let name = directory_raise(&tx, follow.organisation).await?;
    let name = name.ok_or_else(|| tx.failed("there is no such organisation"))?;
    let mark = free_mark(&old.mark, &marks(&tx, follow.organisation).await?);
    let record = DeviceRecord {
        device: new,
        key: follow.key,
        mark: mark.clone(),
        head: LogHead::empty(&follow.key),
        baton: follow.baton,
        baton_before: follow.baton,
        ..old.clone()
    };
    device_insert(&tx, &record, follow.now_ms).await?;
    let sql = "UPDATE device SET follows = $1 WHERE device = $2";
    tx.change_one(sql, [blob(&follow.old.0), blob(&new.0)]).await?;
    let actor = Actor { organisation: follow.organisation, person: old.person };
    let fact = facts::device_enrolled(&record, Voucher::Device(follow.old));
    write_down(&tx, secret, actor, &fact, follow.now_ms).await?;
    if follow.ends {
        tx.change_one("UPDATE device SET revoked = 1 WHERE device = $1", [blob(&follow.old.0)]).await?;
        write_down(&tx, secret, actor, &facts::device_revoked(follow.old), follow.now_ms).await?;
    }
    let organisation = Organisation { id: follow.organisation, name };
    tx.commit(Enrolled::In { organisation, mark, role: record.role }).await
}

async fn follows(tx: &Tx, device: DeviceId) -> TxResult<Option<DeviceId>> {
    let sql = "SELECT device, follows FROM device WHERE device = $1";
    let row = tx.row(super::DEVICE, sql, [blob(&device.0)]).await?;
    let row = row.ok_or_else(|| tx.failed("a locked device is gone"))?;
    Ok(row.bytes_or_null("follows")?.map(DeviceId))
}
