//! What an outsider reads with a share link: one machine.
//!
//! Promises: prices, customers and jobs never; names and people's own words only if the link shows them, and then they
//! are withheld before anything is computed, so that no answer can hold them. A link that has ended is not found, like
//! one that never was.
//!
//! Known quirk: the book is computed anew each time, since no kept view is of withheld entries.

use super::office::link_hash;
use super::{App, Refusal, pulled};
use pintle_core::Held;
use pintle_core::book::book;
use pintle_core::exchange::Pulled;
use pintle_core::fact::administration::Shown;
use pintle_core::ids::{Capability, MachineId};
use pintle_openapi::endpoints::bills::{ByteFile, PaperQuery};
use pintle_openapi::endpoints::proof::{HistoryFile, HistoryPage};
use pintle_openapi::endpoints::shares::SharedReply;
use pintle_openapi::list::PageQuery;
use pintle_openapi::names::Names;
use pintle_openapi::{List, Problem};
use pintle_store::Share;

impl App {
    /// The machine's book.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn shared_machine(&self, link: &Capability) -> Result<SharedReply, Refusal> {
        let share = self.opened(link).await?;
        let (chief, group) = self.shared_group(&share).await?;
        let mut entries = Vec::new();
        for machine in group {
            entries.extend(self.all_entries(share.organisation, machine).await?);
        }
        let entries: Vec<Held> = entries.into_iter().map(|held| shown(held, &share)).collect();
        let organisations = self.store.organisations().await?;
        let organisation = organisations.into_iter().find(|organisation| organisation.id == share.organisation);
        let directory = self.store.directory(share.organisation, 0).await?.unwrap_or_default();
        let book = book(chief, &entries);
        let mut names = Names::mentioned(&serde_json::to_value(&book).map_err(Refusal::internal)?, &directory);
        if !share.shows.contains(&Shown::Names) {
            names.people.clear();
        }
        Ok(SharedReply {
            organisation: organisation.map(|organisation| organisation.name).unwrap_or_default(),
            book,
            names,
            withheld: withheld(&share),
            until_ms: share.until_ms,
        })
    }

    /// The machine's entries.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn shared_entries(&self, link: &Capability, query: &PageQuery) -> Result<List<Pulled>, Refusal> {
        let share = self.opened(link).await?;
        let ask = self.ask_of(share.organisation, &format!("shared {}", share.id()), query)?;
        let after = ask.position()?;
        let (_, group) = self.shared_group(&share).await?;
        let mut entries = Vec::new();
        for machine in group {
            entries.extend(self.store.machine_entries(share.organisation, machine, after, ask.limit + 1).await?);
        }
        entries.sort_by_key(|held| held.position);
        let more = entries.len() > ask.limit;
        entries.truncate(ask.limit);
        let items = entries.into_iter().map(|held| pulled(shown(held, &share))).collect::<Result<Vec<_>, _>>()?;
        let last = items.last().map(|item| item.position.to_be_bytes()).filter(|_| more);
        let next = last.map(|key| self.cursors.list(&share.organisation, &ask.question, &key));
        Ok(List { items, next })
    }

    /// The machine's service history.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn shared_history(&self, link: &Capability) -> Result<HistoryFile, Refusal> {
        let share = self.opened(link).await?;
        self.history_file(share.organisation, share.machine, withheld(&share).into_iter().collect()).await
    }

    /// The same as a page that checks itself.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn shared_history_page(&self, link: &Capability) -> Result<HistoryPage, Refusal> {
        let share = self.opened(link).await?;
        self.history_page_of(share.organisation, share.machine, withheld(&share).into_iter().collect()).await
    }

    /// The same on paper.
    ///
    /// # Errors
    /// `not-found`, those of [`App::print_history`], and failures of the store.
    pub async fn shared_history_pdf(&self, link: &Capability, query: &PaperQuery) -> Result<ByteFile, Refusal> {
        let share = self.opened(link).await?;
        let withheld = withheld(&share).into_iter().collect();
        self.history_pdf_of(share.organisation, share.machine, withheld, query.paper.unwrap_or_default()).await
    }

    /// The link, if it lives; counts the opening.
    async fn opened(&self, link: &Capability) -> Result<Share, Refusal> {
        let share = self.store.share_open(link_hash(link), self.ambient.now_ms()).await?;
        share.ok_or_else(|| Refusal::of(Problem::NotFound))
    }

    /// The machine a link shows, with those that people have settled to be the same one.
    async fn shared_group(&self, share: &Share) -> Result<(MachineId, Vec<MachineId>), Refusal> {
        let machines = self.machines_now(share.organisation).await?;
        let chief = machines.fleet.counts_as(share.machine);
        Ok((chief, machines.fleet.all_of(chief).into_iter().collect()))
    }
}

/// An entry as the link shows it.
fn shown(held: Held, share: &Share) -> Held {
    let mut entry = held.entry.withhold("office");
    if !share.shows.contains(&Shown::Words) {
        entry = entry.withhold("words");
    }
    Held { entry, ..held }
}

fn withheld(share: &Share) -> Vec<String> {
    let mut all = vec!["office".to_owned()];
    for (what, name) in [(Shown::Names, "names"), (Shown::Words, "words")] {
        if !share.shows.contains(&what) {
            all.push(name.to_owned());
        }
    }
    all
}
