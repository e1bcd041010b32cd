//! Notices of issued bills, in SQLite or PostgreSQL.
//!
//! Promises: of several processes one takes each notice; what was taken before a server ended is due again at the time
//! that was set then.
//!
//! Locks: rows of notices only, and of those none that another holds.

use super::failure::TxResult;
use super::row::{Row, blob, limit, number, signed, text};
use super::session::{Ended, Session, Tx};
use super::{Dialect, SqlStore, Table};
use crate::notices::notice_next_ms;
use crate::{DueNotice, Hook, NoticeAnswer, NoticeRecord, NoticeStore, StoreResult, storable};
use async_trait::async_trait;
use pintle_core::ids::{OfficeId, OrganisationId};
use sea_orm::{ConnectionTrait, Value};

const BILL_HOOK: Table = Table { name: "bill_hook", key: "set_ms" };
const BILL_NOTICE: Table = Table { name: "bill_notice", key: "place" };
const DUE: &str = "SELECT notice.organisation, notice.place, notice.bill, notice.tries FROM bill_notice AS notice \
                   JOIN bill_hook AS hook ON hook.organisation = notice.organisation \
                   WHERE notice.next_ms <= $1 ORDER BY notice.next_ms, notice.place LIMIT $2";

#[async_trait]
impl NoticeStore for SqlStore {
    async fn hook(&self, organisation: OrganisationId) -> StoreResult<Option<Hook>> {
        hook(&self.reading("hook"), organisation).await.map_err(|e| e.error)
    }

    async fn hook_set(&self, organisation: OrganisationId, hook: Option<&Hook>) -> StoreResult<()> {
        storable("hook_set", hook.map(|hook| hook.url.as_str()))?;
        self.run("hook_set", |tx| hook_set(tx, organisation, hook)).await
    }

    async fn notices_take(&self, now_ms: i64, rows: usize) -> StoreResult<Vec<DueNotice>> {
        // Mostly none is due: nobody's write waits for that.
        let looked = due(&self.reading("notices_look"), now_ms, 1, "").await.map_err(|e| e.error)?;
        if looked.is_empty() {
            return Ok(Vec::new());
        }
        self.run("notices_take", |tx| notices_take(tx, now_ms, rows)).await
    }

    async fn notice_answered(&self, notice: &DueNotice, answer: &NoticeAnswer, now_ms: i64) -> StoreResult<()> {
        self.run("notice_answered", |tx| notice_answered(tx, notice, answer, now_ms)).await
    }

    async fn notices(
        &self,
        organisation: OrganisationId,
        before: Option<u64>,
        rows: usize,
    ) -> StoreResult<Vec<NoticeRecord>> {
        notices(&self.reading("notices"), organisation, before, rows).await.map_err(|e| e.error)
    }

    async fn notices_again(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<u64> {
        self.run("notices_again", |tx| async move {
            let sql = "UPDATE bill_notice SET tries = 0, next_ms = $1 \
                       WHERE organisation = $2 AND next_ms IS NULL AND taken_ms IS NULL";
            let again = tx.change(sql, [signed(now_ms), blob(&organisation.0)]).await?;
            tx.commit(again).await
        })
        .await
    }
}

/// In the transaction that issues a bill: its notice, if the organisation has a hook.
pub(super) async fn noticed(
    tx: &Tx,
    organisation: OrganisationId,
    (place, bill): (u64, OfficeId),
    now_ms: i64,
) -> TxResult<()> {
    if hook(tx, organisation).await?.is_some() {
        let sql = "INSERT INTO bill_notice (organisation, place, bill, tries, next_ms) VALUES ($1, $2, $3, 0, $4)";
        tx.change_one(sql, [blob(&organisation.0), number(place), blob(&bill.0), signed(now_ms)]).await?;
    }
    Ok(())
}

async fn hook<C: ConnectionTrait>(session: &Session<C>, organisation: OrganisationId) -> TxResult<Option<Hook>> {
    let sql = "SELECT url, inside, secret, set_ms FROM bill_hook WHERE organisation = $1";
    let row = session.row(BILL_HOOK, sql, [blob(&organisation.0)]).await?;
    let read = |row: Row| -> TxResult<Hook> {
        let (url, inside) = (row.text("url")?, row.signed("inside")? != 0);
        Ok(Hook { url, inside, secret: row.bytes("secret")?, set_ms: row.signed("set_ms")? })
    };
    row.map(read).transpose()
}

async fn hook_set(tx: Tx, organisation: OrganisationId, hook: Option<&Hook>) -> TxResult<Ended<()>> {
    let id = blob(&organisation.0);
    tx.change("DELETE FROM bill_hook WHERE organisation = $1", [id.clone()]).await?;
    if let Some(hook) = hook {
        let sql = "INSERT INTO bill_hook (organisation, url, inside, secret, set_ms) VALUES ($1, $2, $3, $4, $5)";
        let inside = signed(i64::from(hook.inside));
        tx.change_one(sql, [id, text(&hook.url), inside, blob(&hook.secret), signed(hook.set_ms)]).await?;
    }
    tx.commit(()).await
}

async fn due<C: ConnectionTrait>(
    session: &Session<C>,
    now_ms: i64,
    rows: usize,
    lock: &str,
) -> TxResult<Vec<(DueNotice, u64)>> {
    let rows = session.rows(BILL_NOTICE, format!("{DUE}{lock}"), [signed(now_ms), limit(rows)]).await?;
    let read = |row: &Row| -> TxResult<_> {
        let organisation = OrganisationId(row.bytes("organisation")?);
        let notice = DueNotice { organisation, place: row.number("place")?, bill: OfficeId(row.bytes("bill")?) };
        Ok((notice, row.number("tries")?))
    };
    rows.iter().map(read).collect()
}

async fn notices_take(tx: Tx, now_ms: i64, rows: usize) -> TxResult<Ended<Vec<DueNotice>>> {
    // What another process is just taking is that one's.
    let lock = match tx.dialect {
        Dialect::Sqlite => "",
        Dialect::Postgres => " FOR NO KEY UPDATE OF notice SKIP LOCKED",
    };
    let due = due(&tx, now_ms, rows, lock).await?;
    for (notice, tries) in &due {
        let sql =
            "UPDATE bill_notice SET tries = $1, tried_ms = $2, next_ms = $3 WHERE organisation = $4 AND place = $5";
        let next = Value::BigInt(notice_next_ms(tries + 1, now_ms));
        let [organisation, place] = key(notice);
        tx.change_one(sql, [number(tries + 1), signed(now_ms), next, organisation, place]).await?;
    }
    let taken: Vec<_> = due.into_iter().map(|(notice, _)| notice).collect();
    if taken.is_empty() { tx.leave(taken).await } else { tx.commit(taken).await }
}

async fn notice_answered(tx: Tx, notice: &DueNotice, answer: &NoticeAnswer, now_ms: i64) -> TxResult<Ended<()>> {
    let (set, value) = match answer {
        NoticeAnswer::Taken => ("taken_ms = $3, next_ms = NULL, answer = NULL", signed(now_ms)),
        NoticeAnswer::Failed(why) => ("answer = $3", text(why)),
        NoticeAnswer::Unwanted(why) => ("answer = $3, next_ms = NULL", text(why)),
    };
    let sql = format!("UPDATE bill_notice SET {set} WHERE organisation = $1 AND place = $2 AND taken_ms IS NULL");
    let [organisation, place] = key(notice);
    tx.change(sql, [organisation, place, value]).await?;
    tx.commit(()).await
}

fn key(notice: &DueNotice) -> [Value; 2] {
    [blob(&notice.organisation.0), number(notice.place)]
}

async fn notices<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    before: Option<u64>,
    rows: usize,
) -> TxResult<Vec<NoticeRecord>> {
    let sql = "SELECT notice.place, notice.bill, bill.number, notice.tries, notice.tried_ms, notice.answer, notice.next_ms, \
               notice.taken_ms FROM bill_notice AS notice \
               JOIN bill ON bill.organisation = notice.organisation AND bill.bill = notice.bill \
               WHERE notice.organisation = $1 AND notice.place < $2 ORDER BY notice.place DESC LIMIT $3";
    let values = [blob(&organisation.0), number(before.unwrap_or(u64::MAX)), limit(rows)];
    let read = |row: &Row| -> TxResult<NoticeRecord> {
        Ok(NoticeRecord {
            place: row.number("place")?,
            bill: OfficeId(row.bytes("bill")?),
            number: row.text_or_null("number")?.unwrap_or_default(),
            tries: row.number("tries")?,
            tried_ms: row.signed_or_null("tried_ms")?,
            answer: row.text_or_null("answer")?,
            next_ms: row.signed_or_null("next_ms")?,
            taken_ms: row.signed_or_null("taken_ms")?,
        })
    };
    session.rows(BILL_NOTICE, sql, values).await?.iter().map(read).collect()
}
