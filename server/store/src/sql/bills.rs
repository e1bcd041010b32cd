//! Billing, in SQLite or PostgreSQL.
//!
//! Promises: every write first locks the organisation's billing head, so that writes come one after the other; the
//! uniqueness of matters, numbers and places is the tables' own besides.
//!
//! Locks: the billing head before the server's device and the ledger's head. Nothing that holds those waits for it.

use super::failure::TxResult;
use super::notices::noticed;
use super::page::{HELD_COLUMNS, held};
use super::row::{Row, blob, limit, machine_blob, number, signed, text};
use super::scribe::write_office;
use super::session::{Ended, Session, Tx};
use super::{LEDGER, SqlStore, Table};
use crate::bills::number_of;
use crate::{
    Actor, BillRecord, BillStore, Drafted, Dropped, IssueAsk, Issued, IssuedStamp, NewDraft, Noted, Standing,
    StoreResult, storable,
};
use async_trait::async_trait;
use pintle_core::bill::document::Document;
use pintle_core::bill::matter::Matter;
use pintle_core::bill::written::issued_part;
use pintle_core::fact::administration::BillIssued;
use pintle_core::ids::{Hash, OfficeId, OrganisationId, PersonId};
use pintle_core::{EntryRef, Fact, Held};
use sea_orm::ConnectionTrait;
use std::collections::BTreeMap;

const BILL: Table = Table { name: "bill", key: "bill" };
const BILL_CLAIM: Table = Table { name: "bill_claim", key: "bill" };
const BILL_HEAD: Table = Table { name: "bill_head", key: "issued_count" };
const BILL_SERIES: Table = Table { name: "bill_series", key: "last" };
const BILL_COLUMNS: &str = "bill, document, made_by, made_ms, issued_place, digest, issued_by, issued_ms";
#[async_trait]
impl BillStore for SqlStore {
    async fn office_entries(&self, organisation: OrganisationId, after: u64, limit: usize) -> StoreResult<Vec<Held>> {
        office_entries(&self.reading("office_entries"), organisation, after, limit).await.map_err(|e| e.error)
    }

    async fn office_write(&self, actor: Actor, noted: &Noted, now_ms: i64) -> StoreResult<EntryRef> {
        self.run("office_write", |tx| async move {
            let entry = write_office(&tx, self.secret(), actor, noted, now_ms).await?;
            tx.commit(entry).await
        })
        .await
    }

    async fn drafts_add(&self, actor: Actor, drafts: &[NewDraft], now_ms: i64) -> StoreResult<Drafted> {
        self.run("drafts_add", |tx| drafts_add(tx, actor, drafts, now_ms)).await
    }

    async fn draft_drop(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Dropped> {
        self.run("draft_drop", |tx| draft_drop(tx, organisation, bill)).await
    }

    async fn bill_issue(&self, actor: Actor, ask: &IssueAsk, now_ms: i64) -> StoreResult<Issued> {
        storable("bill_issue", [ask.prefix.as_str()])?;
        self.run("bill_issue", |tx| bill_issue(tx, self.secret(), actor, ask, now_ms)).await
    }

    async fn bill(&self, organisation: OrganisationId, bill: OfficeId) -> StoreResult<Option<BillRecord>> {
        find(&self.reading("bill"), organisation, bill).await.map_err(|e| e.error)
    }

    async fn drafts(&self, organisation: OrganisationId) -> StoreResult<Vec<BillRecord>> {
        drafts(&self.reading("drafts"), organisation).await.map_err(|e| e.error)
    }

    async fn bills_issued(
        &self,
        organisation: OrganisationId,
        customer: Option<OfficeId>,
        after: u64,
        limit: usize,
    ) -> StoreResult<Vec<BillRecord>> {
        bills_issued(&self.reading("bills_issued"), organisation, customer, after, limit).await.map_err(|e| e.error)
    }

    async fn matters(&self, organisation: OrganisationId) -> StoreResult<BTreeMap<Matter, Standing>> {
        matters(&self.reading("matters"), organisation).await.map_err(|e| e.error)
    }
}

async fn office_entries<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    after: u64,
    rows_max: usize,
) -> TxResult<Vec<Held>> {
    let sql = format!(
        "SELECT {HELD_COLUMNS} FROM ledger WHERE organisation = $1 AND machine = $2 AND position > $3 \
         ORDER BY position LIMIT $4"
    );
    let values = [blob(&organisation.0), machine_blob(None), number(after), limit(rows_max)];
    session.rows(LEDGER, sql, values).await?.iter().map(|row| Ok(held(row)?)).collect()
}

/// Locks the organisation's billing; gives how many bills have been issued.
async fn head_lock(tx: &Tx, organisation: OrganisationId) -> TxResult<u64> {
    let id = blob(&organisation.0);
    let sql = "INSERT INTO bill_head (organisation, issued_count) VALUES ($1, 0) ON CONFLICT (organisation) DO NOTHING";
    tx.change(sql, [id.clone()]).await?;
    let sql = format!("SELECT issued_count FROM bill_head WHERE organisation = $1{}", tx.for_update());
    let row = tx.row(BILL_HEAD, sql, [id]).await?;
    let row = row.ok_or_else(|| tx.failed("the organisation's billing has no head"))?;
    Ok(row.number("issued_count")?)
}

async fn drafts_add(tx: Tx, actor: Actor, drafts: &[NewDraft], now_ms: i64) -> TxResult<Ended<Drafted>> {
    let organisation = actor.organisation;
    head_lock(&tx, organisation).await?;
    let mut standing = matters(&tx, organisation).await?;
    let mut added = false;
    for draft in drafts {
        let id = draft.document.id;
        if find(&tx, organisation, id).await?.is_some() {
            continue;
        }
        for (matter, issued) in &draft.claims {
            let known = standing.get(matter).copied().unwrap_or(Standing { issued: 0, draft: None });
            if known.draft.is_some() || known.issued != *issued {
                return tx.leave(Drafted::Taken(*matter)).await;
            }
            standing.insert(*matter, Standing { draft: Some(id), ..known });
        }
        let document = draft.document.canonical().map_err(|fault| tx.failed(fault.to_string()))?;
        let sql = "INSERT INTO bill (organisation, bill, customer, document, made_by, made_ms) \
                   VALUES ($1, $2, $3, $4, $5, $6)";
        let (customer, by) = (blob(&draft.document.customer.0), blob(&actor.person.0));
        let values = [blob(&organisation.0), blob(&id.0), customer, blob(&document), by, signed(now_ms)];
        tx.change_one(sql, values).await?;
        let row = |(matter, round): (&Matter, &u64)| {
            vec![blob(&organisation.0), text(&matter.to_string()), number(*round), blob(&id.0)]
        };
        let insert = "INSERT INTO bill_claim (organisation, matter, round, bill)";
        tx.insert(insert, draft.claims.iter().map(row).collect(), "").await?;
        added = true;
    }
    if added { tx.commit(Drafted::Kept).await } else { tx.leave(Drafted::Kept).await }
}

async fn draft_drop(tx: Tx, organisation: OrganisationId, id: OfficeId) -> TxResult<Ended<Dropped>> {
    head_lock(&tx, organisation).await?;
    match find(&tx, organisation, id).await? {
        None => tx.leave(Dropped::NoSuchDraft).await,
        Some(BillRecord { issued: Some(_), .. }) => tx.leave(Dropped::Issued).await,
        Some(_) => {
            let key = [blob(&organisation.0), blob(&id.0)];
            tx.change("DELETE FROM bill_claim WHERE organisation = $1 AND bill = $2", key.clone()).await?;
            tx.change_one("DELETE FROM bill WHERE organisation = $1 AND bill = $2", key).await?;
            tx.commit(Dropped::Gone).await
        }
    }
}

async fn bill_issue(tx: Tx, secret: &[u8; 32], actor: Actor, ask: &IssueAsk, now_ms: i64) -> TxResult<Ended<Issued>> {
    let organisation = actor.organisation;
    let place = head_lock(&tx, organisation).await? + 1;
    let Some(draft) = find(&tx, organisation, ask.bill).await? else { return tx.leave(Issued::NoSuchDraft).await };
    if draft.issued.is_some() {
        return tx.leave(Issued::Before(Box::new(draft))).await;
    }
    let id = blob(&organisation.0);
    let sql = "SELECT last FROM bill_series WHERE organisation = $1 AND prefix = $2";
    let row = tx.row(BILL_SERIES, sql, [id.clone(), text(&ask.prefix)]).await?;
    let count = row.map_or(Ok(0), |row| row.number("last"))? + 1;
    let document = draft.document.issued(number_of(&ask.prefix, count), ask.on);
    let failed = |fault: pintle_core::Fault| tx.failed(fault.to_string());
    let bytes = document.canonical().map_err(failed)?;
    let digest = document.digest().map_err(failed)?;
    let office = Some(issued_part(&document, ask.salt).map_err(failed)?);
    let sql = "UPDATE bill SET document = $1, issued_place = $2, number = $3, digest = $4, issued_by = $5, \
               issued_ms = $6 WHERE organisation = $7 AND bill = $8 AND number IS NULL";
    let number_text = text(document.number.as_deref().unwrap_or_default());
    let (by, key) = (blob(&actor.person.0), blob(&ask.bill.0));
    let values = [blob(&bytes), number(place), number_text, blob(&digest.0), by, signed(now_ms), id.clone(), key];
    tx.change_one(sql, values).await?;
    let sql = "INSERT INTO bill_series (organisation, prefix, last) VALUES ($1, $2, $3) \
               ON CONFLICT (organisation, prefix) DO UPDATE SET last = excluded.last";
    tx.change_one(sql, [id.clone(), text(&ask.prefix), number(count)]).await?;
    let sql = "UPDATE bill_head SET issued_count = $1 WHERE organisation = $2 AND issued_count = $3";
    tx.change_one(sql, [number(place), id, number(place - 1)]).await?;
    let fact = Fact::BillIssued(BillIssued { bill: ask.bill });
    write_office(&tx, secret, actor, &Noted { fact, office }, now_ms).await?;
    noticed(&tx, organisation, (place, ask.bill), now_ms).await?;
    let issued = Some(IssuedStamp { place, digest, by: actor.person, at_ms: now_ms });
    let record = BillRecord { document, made_by: draft.made_by, made_ms: draft.made_ms, issued };
    tx.commit(Issued::Now(Box::new(record))).await
}

async fn find<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    id: OfficeId,
) -> TxResult<Option<BillRecord>> {
    let sql = format!("SELECT {BILL_COLUMNS} FROM bill WHERE organisation = $1 AND bill = $2");
    let row = session.row(BILL, sql, [blob(&organisation.0), blob(&id.0)]).await?;
    Ok(row.as_ref().map(record).transpose()?)
}

async fn drafts<C: ConnectionTrait>(session: &Session<C>, organisation: OrganisationId) -> TxResult<Vec<BillRecord>> {
    let sql =
        format!("SELECT {BILL_COLUMNS} FROM bill WHERE organisation = $1 AND number IS NULL ORDER BY made_ms, bill");
    let rows = session.rows(BILL, sql, [blob(&organisation.0)]).await?;
    rows.iter().map(|row| Ok(record(row)?)).collect()
}

async fn bills_issued<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
    customer: Option<OfficeId>,
    after: u64,
    rows_max: usize,
) -> TxResult<Vec<BillRecord>> {
    let (clause, mut values) = match customer {
        None => ("", vec![blob(&organisation.0), number(after), limit(rows_max)]),
        Some(_) => (" AND customer = $4", vec![blob(&organisation.0), number(after), limit(rows_max)]),
    };
    values.extend(customer.map(|customer| blob(&customer.0)));
    let sql = format!(
        "SELECT {BILL_COLUMNS} FROM bill WHERE organisation = $1 AND issued_place > $2{clause} \
         ORDER BY issued_place LIMIT $3"
    );
    session.rows(BILL, sql, values).await?.iter().map(|row| Ok(record(row)?)).collect()
}

async fn matters<C: ConnectionTrait>(
    session: &Session<C>,
    organisation: OrganisationId,
) -> TxResult<BTreeMap<Matter, Standing>> {
    let sql = "SELECT claim.matter, claim.bill, bill.number FROM bill_claim AS claim JOIN bill \
               ON bill.organisation = claim.organisation AND bill.bill = claim.bill WHERE claim.organisation = $1";
    let mut all = BTreeMap::new();
    for row in session.rows(BILL_CLAIM, sql, [blob(&organisation.0)]).await? {
        let matter = row.text("matter")?.parse::<Matter>().map_err(|fault| row.damaged("matter", fault))?;
        let standing = all.entry(matter).or_insert(Standing { issued: 0, draft: None });
        match row.text_or_null("number")? {
            Some(_) => standing.issued += 1,
            None => standing.draft = Some(OfficeId(row.bytes("bill")?)),
        }
    }
    Ok(all)
}

fn record(row: &Row) -> StoreResult<BillRecord> {
    let bytes = row.blob("document")?;
    let document = Document::read(&bytes).map_err(|fault| row.damaged("document", fault))?;
    if document.id != OfficeId(row.bytes("bill")?) {
        return Err(row.damaged("document", "it is another bill's"));
    }
    let issued = match row.signed_or_null("issued_place")? {
        None => None,
        Some(_) => Some(IssuedStamp {
            place: row.number("issued_place")?,
            digest: Hash(row.bytes("digest")?),
            by: PersonId(row.bytes("issued_by")?),
            at_ms: row.signed("issued_ms")?,
        }),
    };
    if let Some(stamp) = &issued {
        let digest = document.digest().map_err(|fault| row.damaged("document", fault))?;
        if digest != stamp.digest {
            return Err(row.damaged("document", "it is not the one that was issued: its digest differs"));
        }
    }
    Ok(BillRecord { document, made_by: PersonId(row.bytes("made_by")?), made_ms: row.signed("made_ms")?, issued })
}
