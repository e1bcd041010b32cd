//! The epoch: how often the ledger has gone back to an older copy of itself.
//!
//! Promises: it only ever grows, by one, however many notice at once.
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

pub(super) async fn epoch_raise(tx: Tx, from: u64) -> TxResult<Ended<u64>> {
    tx.change("UPDATE store_identity SET epoch = epoch + 1 WHERE epoch = $1", [number(from)]).await?;
    let now = epoch(&tx).await?;
    tx.commit(now).await
}
