//! All machines of an organisation together, with those counted as one that people have settled to be one.
//!
//! Promises: the answer is a function of the ledger. Known quirk: every read of a list looks at the kept view of every
//! machine, because a machine may turn out to be another one; that is milliseconds for some hundred machines.

use super::books::Machine;
use super::{App, Refusal};
use crate::limits::FETCH_ROWS;
use pintle_core::book::{Book, book};
use pintle_core::fleet::{Card, Fleet, fleet};
use pintle_core::{Held, MachineId, OrganisationId};
use pintle_store::{MachineHead, MachineView, ViewSort};
use std::collections::BTreeMap;

/// All machines of an organisation.
pub(super) struct Machines {
    organisation: OrganisationId,
    pub(super) all: BTreeMap<MachineId, Machine>,
    pub(super) fleet: Fleet,
}

impl Machines {
    /// The machines under which entries count, in order of id.
    pub(super) fn chiefs(&self) -> impl Iterator<Item = MachineId> {
        self.all.keys().copied().filter(|machine| self.fleet.counts_as(*machine) == *machine)
    }
}

impl App {
    /// All machines as they are now.
    pub(super) async fn machines_now(&self, organisation: OrganisationId) -> Result<Machines, Refusal> {
        let mut views = self.all_views(organisation).await?;
        let mut all = BTreeMap::new();
        for head in self.all_heads(organisation).await? {
            let view = views.remove(&head.machine);
            all.insert(head.machine, self.machine_now(organisation, head, view).await?);
        }
        let cards: Vec<Card> = all.values().filter_map(Machine::card).collect();
        let decisions: Vec<Held> = all.values().flat_map(Machine::decisions).collect();
        let fleet = fleet(&cards, &decisions);
        Ok(Machines { organisation, all, fleet })
    }

    /// The book of a machine that counts for itself, over the entries of all that count as it.
    pub(super) async fn book_of(&self, machines: &Machines, chief: MachineId) -> Result<Book, Refusal> {
        let group = machines.fleet.all_of(chief);
        if let (1, Some(machine)) = (group.len(), machines.all.get(&chief)) {
            return machine.book();
        }
        let mut entries = Vec::new();
        for machine in group {
            entries.extend(self.all_entries(machines.organisation, machine).await?);
        }
        Ok(book(chief, &entries))
    }

    async fn all_heads(&self, organisation: OrganisationId) -> Result<Vec<MachineHead>, Refusal> {
        let mut all: Vec<MachineHead> = Vec::new();
        loop {
            let after = all.last().map(|head| head.machine);
            let more = self.store.machines(organisation, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            all.extend(more);
            if end {
                return Ok(all);
            }
        }
    }

    async fn all_views(&self, organisation: OrganisationId) -> Result<BTreeMap<MachineId, MachineView>, Refusal> {
        let mut all = BTreeMap::new();
        let mut after = None;
        loop {
            let more = self.store.views(organisation, ViewSort::Book, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            after = more.last().map(|view| view.machine);
            all.extend(more.into_iter().map(|view| (view.machine, view)));
            if end {
                return Ok(all);
            }
        }
    }
}
