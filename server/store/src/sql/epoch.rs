//! The epoch: another number each time that the ledger has gone back to an older copy of itself.
//!
//! Promises: it only ever grows, once, however many notice at once.
//!
//! Never: kept in memory; another process may raise it.

use super::STORE_IDENTITY;
use super::failure::TxResult;
use super::row::number;
use super::session::{Ended, Session, Tx};
use sea_orm::ConnectionTrait;

pub(super) async fn epoch<C: ConnectionTrait>(session: &Session<C>) -> TxResult<u64> {
    let row = session.row(STORE_IDENTITY, "SELECT one, epoch FROM store_identity", []).await?;
    let row = row.ok_or_else(|| session.failed("it has no identity"))?;
    Ok(row.number("epoch")?)
}

pub(super) async fn epoch_raise(tx: Tx, from: u64, to: u64) -> TxResult<Ended<u64>> {
    tx.change("UPDATE store_identity SET epoch = $2 WHERE epoch = $1 AND epoch < $2", [number(from), number(to)])
        .await?;
    let now = epoch(&tx).await?;
    tx.commit(now).await
}
