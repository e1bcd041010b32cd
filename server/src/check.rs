//! `pintle-server check`: looks through the whole database, changes nothing, and says exactly what is wrong.
//!
//! Promises: one line for each thing that is wrong, with a stable code, its place and a sentence; damage never ends the
//! looking. May run beside a server. [`mend`] alone writes: what can be computed again.
//!
//! Never: a repair of what was recorded; see docs/OPERATIONS.md for that.

use crate::app::views::{WrongView, odd_token_keys, put_right, wrong_views};
use pintle_store::audit::{Audit, Weight};
use pintle_store::sql::SqlStore;
use pintle_store::{FreshSecrets, Store, StoreError, StoreResult};

/// What was found.
#[derive(Debug)]
pub struct Checked {
    /// Lines to show, the summary last.
    pub lines: Vec<String>,
    /// The heaviest thing that is wrong.
    pub weight: Option<Weight>,
}

/// Looks through the database at `url`.
///
/// # Errors
/// If it cannot be looked at: it is away, or of another schema.
pub async fn check(url: &str) -> StoreResult<Checked> {
    let (audit, _) = looked(url).await?;
    Ok(shown(&audit, 0))
}

/// As [`check`], and then puts right what can be computed again.
///
/// # Errors
/// As [`check`], or if the database cannot be written.
pub async fn mend(url: &str, fresh: FreshSecrets, now_ms: i64) -> StoreResult<Checked> {
    let (mut audit, wrong) = looked(url).await?;
    let mended: Vec<_> = wrong.iter().filter(|view| view.right.is_some()).map(|view| view.finding.clone()).collect();
    let store = SqlStore::open(url, fresh, now_ms).await?;
    let count = put_right(&store, wrong).await?;
    store.close().await?;
    let told = shown(&audit, count);
    audit.findings.retain(|finding| !mended.contains(finding));
    Ok(Checked { lines: told.lines, weight: audit.weight() })
}

async fn looked(url: &str) -> StoreResult<(Audit, Vec<WrongView>)> {
    let store = SqlStore::open_as_it_lies(url).await?;
    let mut audit = store.audit().await?;
    let mut wrong = Vec::new();
    // Where not even these can be listed, the audit has said so.
    for organisation in listed(store.organisations().await)?.unwrap_or_default() {
        wrong.extend(wrong_views(&store, &organisation).await?);
    }
    wrong.iter().for_each(|view| audit.add(view.finding.clone()));
    listed(odd_token_keys(&store).await)?.into_iter().flatten().for_each(|finding| audit.add(finding));
    store.close().await?;
    Ok((audit, wrong))
}

/// What could be read; none where damage stood in the way.
fn listed<T>(read: StoreResult<T>) -> StoreResult<Option<T>> {
    match read {
        Ok(value) => Ok(Some(value)),
        Err(error @ (StoreError::Unavailable { .. } | StoreError::Full { .. })) => Err(error),
        Err(_) => Ok(None),
    }
}

fn shown(audit: &Audit, mended: usize) -> Checked {
    let mut lines: Vec<String> = audit.findings.iter().map(ToString::to_string).collect();
    if audit.more > 0 {
        lines.push(format!("and {} more", audit.more));
    }
    let found = audit.findings.len() as u64 + audit.more;
    let Audit { entries, logs, seals, branches, .. } = audit;
    let verdict = match (found, mended) {
        (0, _) => "all sound".to_owned(),
        (1, 0) => "1 thing wrong".to_owned(),
        (_, 0) => format!("{found} things wrong"),
        _ => format!("{found} wrong, {mended} of them put right"),
    };
    lines.push(format!("entries {entries}, logs {logs}, seals {seals}, branches {branches}: {verdict}"));
    Checked { lines, weight: audit.weight() }
}
