//! Whether the kept views of machines are what their entries give, and keys what their names say.
//!
//! Promises: a view is compared with a fold of the very entries that it says it was made from, so that pushes which come
//! in meanwhile do no harm. A view of another form, or one that is older than the entries, is not used by anyone and is
//! not looked at. What differs can be put right.
//!
//! Never: a judgement about what was recorded; that is `pintle_store::audit`'s.

use super::books::{Folded, form_is_ours};
use super::token_keys;
use crate::limits::{FETCH_ROWS, VIEWS_PUT_MAX};
use pintle_core::exchange::Digest;
use pintle_core::{Held, MachineId, OrganisationId};
use pintle_store::audit::{Finding, Place, Wrong};
use pintle_store::{MachineView, Organisation, Store, StoreError, StoreResult, ViewSort};

/// A view that is not what it should be, and what it should be, if that can be told.
#[derive(Debug)]
pub struct WrongView {
    /// What is wrong.
    pub finding: Finding,
    /// The organisation.
    pub organisation: OrganisationId,
    /// The right view.
    pub right: Option<MachineView>,
}

/// Looks through all kept views of an organisation.
///
/// # Errors
/// If the database is away; damage is a finding.
pub async fn wrong_views(store: &dyn Store, organisation: &Organisation) -> StoreResult<Vec<WrongView>> {
    let mut wrong = Vec::new();
    for sort in [ViewSort::Glance, ViewSort::Book] {
        let mut after = None;
        loop {
            let views = match store.views(organisation.id, sort, after, FETCH_ROWS).await {
                Ok(views) => views,
                Err(error @ (StoreError::Unavailable { .. } | StoreError::Full { .. })) => return Err(error),
                Err(error) => {
                    wrong.push(told(organisation, sort, None, Wrong::RowUnreadable, error.to_string(), None));
                    break;
                }
            };
            let Some(last) = views.last() else { break };
            after = Some(last.machine);
            for view in views {
                wrong.extend(judged(store, organisation, view).await?);
            }
        }
    }
    Ok(wrong)
}

/// Writes the right views in place of the wrong ones; gives how many.
///
/// # Errors
/// Failures of the store.
pub async fn put_right(store: &dyn Store, wrong: Vec<WrongView>) -> StoreResult<usize> {
    let mut count = 0;
    for view in wrong.chunk_by(|a, b| a.organisation == b.organisation).flat_map(|same| same.chunks(VIEWS_PUT_MAX)) {
        let right: Vec<MachineView> = view.iter().filter_map(|wrong| wrong.right.clone()).collect();
        count += right.len();
        if let Some(first) = view.first() {
            store.views_put(first.organisation, &right).await?;
        }
    }
    Ok(count)
}

async fn judged(store: &dyn Store, organisation: &Organisation, view: MachineView) -> StoreResult<Option<WrongView>> {
    let (sort, machine) = (view.sort, view.machine);
    let tell = |wrong, detail: &str, right| Some(told(organisation, sort, Some(machine), wrong, detail.into(), right));
    if !form_is_ours(&view.json) {
        return Ok(None);
    }
    let entries = match entries(store, organisation.id, machine).await {
        Ok(entries) => entries,
        Err(error @ (StoreError::Unavailable { .. } | StoreError::Full { .. })) => return Err(error),
        // That entries cannot be read is told where they lie.
        Err(_) => return Ok(None),
    };
    let digest = |held: &[Held]| held.iter().fold(Digest::default(), |sum, held| sum.with(&held.link));
    let count = usize::try_from(view.digest.count).unwrap_or(usize::MAX);
    let of = entries.get(..count).map(digest);
    let Ok([glance, book]) = Folded::of(machine, &entries).and_then(|folded| folded.views()) else {
        return Ok(tell(Wrong::ViewWrong, "the machine's entries cannot be folded", None));
    };
    let right = if sort == ViewSort::Glance { glance } else { book };
    if of != Some(view.digest) {
        return Ok(tell(Wrong::ViewWrong, "it counts entries that the ledger has not", Some(right)));
    }
    // One that is older is never used.
    let wrong = count == entries.len() && right.json != view.json;
    Ok(if wrong { tell(Wrong::ViewWrong, "it is not what the machine's entries give", Some(right)) } else { None })
}

async fn entries(store: &dyn Store, organisation: OrganisationId, machine: MachineId) -> StoreResult<Vec<Held>> {
    let mut all: Vec<Held> = Vec::new();
    loop {
        let after = all.last().and_then(|held| held.position).unwrap_or(0);
        let more = store.machine_entries(organisation, machine, after, FETCH_ROWS).await?;
        let end = more.len() < FETCH_ROWS;
        all.extend(more);
        if end {
            return Ok(all);
        }
    }
}

fn told(
    organisation: &Organisation,
    sort: ViewSort,
    machine: Option<MachineId>,
    wrong: Wrong,
    detail: String,
    right: Option<MachineView>,
) -> WrongView {
    let table = match sort {
        ViewSort::Glance => "machine_glance",
        ViewSort::Book => "machine_view",
    };
    let hex = |machine: MachineId| machine.0.iter().map(|byte| format!("{byte:02x}")).collect();
    let row = machine.map(hex).unwrap_or_default();
    let place = Place { organisation: Some(organisation.name.clone()), table: table.to_owned(), row, entry: None };
    WrongView { finding: Finding { wrong, place, detail }, organisation: organisation.id, right }
}

/// Keys that sign tokens and are not what their names say.
///
/// # Errors
/// Failures of the store.
pub async fn odd_token_keys(store: &dyn Store) -> StoreResult<Vec<Finding>> {
    let keys = store.token_keys().await?;
    let odd = keys.into_iter().filter(|key| token_keys::kid(&key.seed) != key.kid);
    Ok(odd
        .map(|key| Finding {
            wrong: Wrong::TokenKeyOdd,
            place: Place { table: "token_key".to_owned(), row: key.kid, ..Place::default() },
            detail: "its name is not that of its seed".to_owned(),
        })
        .collect())
}
