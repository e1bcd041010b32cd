//! Keys that sign access tokens, and the assertions that have been answered.
//!
//! Promises: of two that present one assertion at once, one is told that it is new.
//!
//! Never: a seed in an error or a log.

use super::failure::TxResult;
use super::row::{Row, Table, blob, signed, text};
use super::session::{Ended, Session, Tx};
use crate::{EarlierKeys, TokenKeyRecord};
use pintle_core::ids::Hash;
use sea_orm::ConnectionTrait;

const TOKEN_KEY: Table = Table { name: "token_key", key: "kid" };

pub(super) async fn token_keys<C: ConnectionTrait>(session: &Session<C>) -> TxResult<Vec<TokenKeyRecord>> {
    let rows = session.rows(TOKEN_KEY, "SELECT kid, seed, made_ms, signs_ms, voids FROM token_key", []).await?;
    let read = |row: &Row| -> TxResult<_> {
        let earlier = if row.signed("voids")? == 0 { EarlierKeys::Overlap } else { EarlierKeys::Void };
        let (made_ms, signs_ms) = (row.signed("made_ms")?, row.signed("signs_ms")?);
        Ok(TokenKeyRecord { kid: row.text("kid")?, seed: row.bytes("seed")?, made_ms, signs_ms, earlier })
    };
    let mut keys = rows.iter().map(read).collect::<TxResult<Vec<_>>>()?;
    keys.sort_by(|a, b| a.order().cmp(&b.order()));
    Ok(keys)
}

pub(super) async fn token_key_add(tx: Tx, key: &TokenKeyRecord, gone: &[String]) -> TxResult<Ended<()>> {
    let voids = match key.earlier {
        EarlierKeys::Overlap => 0,
        EarlierKeys::Void => 1,
    };
    let sql = "INSERT INTO token_key (kid, seed, made_ms, signs_ms, voids) VALUES ($1, $2, $3, $4, $5)";
    let values = [text(&key.kid), blob(&key.seed), signed(key.made_ms), signed(key.signs_ms), signed(voids)];
    tx.change_one(sql, values).await?;
    for kid in gone {
        // Another who rotates at the same time may have removed it already.
        tx.change("DELETE FROM token_key WHERE kid = $1", [text(kid)]).await?;
    }
    tx.commit(()).await
}

pub(super) async fn assertion_new(tx: Tx, hash: Hash, until_s: i64, now_s: i64) -> TxResult<Ended<bool>> {
    let sql = "INSERT INTO assertion_seen (hash, until_s) VALUES ($1, $2) ON CONFLICT (hash) DO NOTHING";
    if tx.change(sql, [blob(&hash.0), signed(until_s)]).await? == 0 {
        return tx.leave(false).await;
    }
    tx.change("DELETE FROM assertion_seen WHERE until_s < $1", [signed(now_s)]).await?;
    tx.commit(true).await
}
