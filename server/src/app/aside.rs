//! What is set aside, for the office to judge.
//!
//! Promises: whether an entry counts again is core's word, over all releases and strikes of the ledger.

use super::{App, Caller, Refusal, delivered};
use pintle_core::OrganisationId;
use pintle_core::entry::{EntryRef, Held};
use pintle_core::release::{Releasable, releasable, released};
use pintle_openapi::List;
use pintle_openapi::endpoints::aside::AsideItem;
use pintle_openapi::list::PageQuery;
use pintle_store::Lane;
use std::collections::BTreeMap;

/// Rulings read at once.
const FETCH_ROWS: usize = 1_000;

impl App {
    /// A page of what is set aside.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn asides(&self, caller: &Caller, query: &PageQuery) -> Result<List<AsideItem>, Refusal> {
        let organisation = caller.device.organisation;
        let ask = self.ask(caller, "aside", query)?;
        let after = ask.position()?;
        let mut asides = self.store.lane(organisation, Lane::Aside, after, ask.limit + 1).await?;
        let more = asides.len() > ask.limit;
        asides.truncate(ask.limit);
        let rulings = self.rulings(organisation).await?;
        let all: Vec<&Held> = asides.iter().chain(rulings.iter().filter(|held| held.aside.is_none())).collect();
        let by: BTreeMap<EntryRef, Vec<EntryRef>> =
            released(&all).into_iter().map(|(name, by)| (name, by.iter().map(|held| held.name()).collect())).collect();
        let item = |held: Held| {
            let released_by = by.get(&held.name()).cloned().unwrap_or_default();
            let can_count = releasable(&held) == Releasable::Yes;
            let code = held.aside.clone().unwrap_or_default();
            Ok(AsideItem { code, can_count, released_by, entry: delivered(held, &caller.device)? })
        };
        let items: Vec<AsideItem> = asides.into_iter().map(item).collect::<Result<_, Refusal>>()?;
        let last = items.last().map(|item| item.entry.position.to_be_bytes()).filter(|_| more);
        let next = last.map(|key| self.cursors.list(&organisation, &ask.question, &key));
        Ok(List { items, next })
    }

    /// All releases and strikes of the ledger.
    async fn rulings(&self, organisation: OrganisationId) -> Result<Vec<Held>, Refusal> {
        let mut all: Vec<Held> = Vec::new();
        loop {
            let after = all.last().and_then(|held| held.position).unwrap_or(0);
            let more = self.store.lane(organisation, Lane::Rulings, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            all.extend(more);
            if end {
                return Ok(all);
            }
        }
    }
}
