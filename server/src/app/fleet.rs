//! All machines of an organisation together, with those counted as one that people have settled to be one.
//!
//! Promises: the answer is a function of the ledger. What was read before is held in memory and used only while the
//! ledger's digest is what it was then; of a ledger that has grown only the machines it has grown by are looked at, and
//! only they are folded. Two processes over one database agree, because neither trusts its memory without asking.
//!
//! Known quirk: the book of machines that were settled to be one is folded at every reading of it.

use super::books::{Folded, Glance, Known, usable_book};
use super::{App, Refusal};
use crate::limits::{FETCH_ROWS, FLEET_MACHINES_MAX, VIEWS_PUT_MAX, VIEWS_SINGLE_MAX};
use pintle_core::book::Book;
use pintle_core::exchange::Digest;
use pintle_core::fleet::{Card, Fleet, fleet};
use pintle_core::{Held, MachineId, OrganisationId};
use pintle_store::{MachineHead, ViewSort};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

/// A machine as the ledger has it now.
#[derive(Debug, Clone)]
pub(super) struct Machine {
    pub(super) head: MachineHead,
    /// Over its own entries alone.
    pub(super) glance: Arc<Known>,
}

/// All machines of an organisation.
pub(super) struct Machines {
    organisation: OrganisationId,
    /// The ledger's digest when they were read.
    digest: Digest,
    pub(super) all: BTreeMap<MachineId, Machine>,
    pub(super) fleet: Fleet,
    /// Of machines that others count as: a glance over the entries of all, and the digest of those.
    joined: BTreeMap<MachineId, (Digest, Arc<Known>)>,
}

impl Machines {
    /// The machines under which entries count, in order of id.
    pub(super) fn chiefs(&self) -> impl Iterator<Item = MachineId> {
        self.all.keys().copied().filter(|machine| self.fleet.counts_as(*machine) == *machine)
    }

    /// The machines that work at one of some sites, given as sites are compared, with all that count as them.
    pub(super) fn at(&self, sites: &BTreeSet<String>) -> impl Iterator<Item = MachineId> {
        let at_one =
            |chief: MachineId| self.glance(chief).and_then(Known::site).is_some_and(|site| sites.contains(site));
        self.all.keys().copied().filter(move |machine| at_one(self.fleet.counts_as(*machine)))
    }

    /// The glance of a machine that counts for itself, over the entries of all that count as it.
    pub(super) fn glance(&self, chief: MachineId) -> Option<&Known> {
        let joined = self.joined.get(&chief).map(|(_, glance)| glance);
        joined.or_else(|| self.all.get(&chief).map(|machine| &machine.glance)).map(Arc::as_ref)
    }
}

/// What was read of each organisation's machines last, the one asked for last at the end.
#[derive(Default)]
pub(super) struct Fleets(Mutex<Vec<(OrganisationId, Arc<Place>)>>);

/// Where one organisation's machines are held; whoever reads them anew holds the lock, the others wait for it.
#[derive(Default)]
struct Place(tokio::sync::Mutex<Option<Arc<Machines>>>);

impl Fleets {
    /// The place of an organisation. Makes room: of the organisations asked for longest ago as many are forgotten as are
    /// needed for the rest to have at most [`FLEET_MACHINES_MAX`] machines.
    fn place(&self, organisation: OrganisationId) -> Arc<Place> {
        // A panic while the list is held leaves at worst one organisation unlisted.
        let mut places = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let known = places.iter().position(|(id, _)| *id == organisation);
        let place = known.map(|index| places.remove(index).1).unwrap_or_default();
        let mut room = FLEET_MACHINES_MAX;
        let size = |place: &Place| match place.0.try_lock() {
            Ok(held) => held.as_ref().map_or(0, |machines| machines.all.len()),
            // It is being read: nothing is known of it, and it is not let go.
            Err(_) => 0,
        };
        let newest_first: Vec<_> = std::mem::take(&mut *places).into_iter().rev().collect();
        let kept = newest_first.into_iter().take_while(|(_, place)| {
            let fits = room.checked_sub(size(place));
            room = fits.unwrap_or(0);
            fits.is_some()
        });
        *places = kept.collect();
        places.reverse();
        places.push((organisation, place.clone()));
        place
    }
}

impl App {
    /// All machines as they are now.
    pub(super) async fn machines_now(&self, organisation: OrganisationId) -> Result<Arc<Machines>, Refusal> {
        let place = self.fleets.place(organisation);
        let mut held = place.0.lock().await;
        let digest = self.store.digest(organisation).await?;
        if let Some(machines) = held.as_ref().filter(|machines| machines.digest == digest) {
            return Ok(machines.clone());
        }
        let machines = Arc::new(self.read_machines(organisation, digest, held.as_deref()).await?);
        *held = Some(machines.clone());
        Ok(machines)
    }

    async fn read_machines(
        &self,
        organisation: OrganisationId,
        digest: Digest,
        before: Option<&Machines>,
    ) -> Result<Machines, Refusal> {
        let heads = self.all_heads(organisation).await?;
        let (mut all, mut changed) = (BTreeMap::new(), Vec::new());
        for head in heads {
            let known = before.and_then(|machines| machines.all.get(&head.machine));
            match known.filter(|known| known.head.digest == head.digest) {
                Some(known) => {
                    all.insert(head.machine, known.clone());
                }
                None => changed.push(head),
            }
        }
        let read = self.glances(organisation, changed).await?;
        let alike = |machine: &Machine| {
            let known = before.and_then(|machines| machines.all.get(&machine.head.machine));
            known.is_some_and(|known| known.glance.tells_the_fleet_as(&machine.glance))
        };
        let same_fleet = before.filter(|_| read.iter().all(alike));
        all.extend(read.into_iter().map(|machine| (machine.head.machine, machine)));
        let fleet = same_fleet.map_or_else(|| fleet_of(&all), |machines| machines.fleet.clone());
        let joined = self.joined(organisation, &all, &fleet, before).await?;
        Ok(Machines { organisation, digest, all, fleet, joined })
    }

    /// The glances of machines, in order of id: those kept that are up to date, the others folded and kept.
    async fn glances(&self, organisation: OrganisationId, heads: Vec<MachineHead>) -> Result<Vec<Machine>, Refusal> {
        let mut kept = self.kept_glances(organisation, &heads).await?;
        let (mut read, mut fresh) = (Vec::with_capacity(heads.len()), Vec::new());
        for mut head in heads {
            let glance = match kept.remove(&head.machine) {
                Some(glance) => glance,
                None => {
                    let folded = self.fold(organisation, head.machine, [head.machine]).await?;
                    fresh.extend(folded.views()?);
                    // An entry may have come since the heads were read: what was folded is what is told.
                    head.digest = folded.digest;
                    folded.glance
                }
            };
            read.push(Machine { head, glance: Arc::new(Known::of(glance)) });
            if fresh.len() >= VIEWS_PUT_MAX {
                self.store.views_put(organisation, &std::mem::take(&mut fresh)).await?;
            }
        }
        self.store.views_put(organisation, &fresh).await?;
        Ok(read)
    }

    /// The glances kept that are up to date: a few asked for one by one, many read in pages.
    async fn kept_glances(
        &self,
        organisation: OrganisationId,
        heads: &[MachineHead],
    ) -> Result<BTreeMap<MachineId, Glance>, Refusal> {
        let mut kept = BTreeMap::new();
        if heads.len() <= VIEWS_SINGLE_MAX {
            for head in heads {
                let view = self.store.view(organisation, ViewSort::Glance, head.machine).await?;
                let Some(view) = view else { continue };
                let glance = self.usable_glance(organisation, view, head.digest).await?;
                kept.extend(glance.map(|glance| (head.machine, glance)));
            }
            return Ok(kept);
        }
        let digests: BTreeMap<MachineId, Digest> = heads.iter().map(|head| (head.machine, head.digest)).collect();
        let mut after = None;
        loop {
            let views = self.store.views(organisation, ViewSort::Glance, after, FETCH_ROWS).await?;
            let end = views.len() < FETCH_ROWS;
            after = views.last().map(|view| view.machine);
            for view in views {
                let Some(digest) = digests.get(&view.machine).copied() else { continue };
                let machine = view.machine;
                kept.extend(self.usable_glance(organisation, view, digest).await?.map(|glance| (machine, glance)));
            }
            if end {
                return Ok(kept);
            }
        }
    }

    /// The glances of machines that others count as.
    async fn joined(
        &self,
        organisation: OrganisationId,
        all: &BTreeMap<MachineId, Machine>,
        fleet: &Fleet,
        before: Option<&Machines>,
    ) -> Result<BTreeMap<MachineId, (Digest, Arc<Known>)>, Refusal> {
        let chiefs: BTreeSet<MachineId> = fleet.same.values().copied().collect();
        let mut joined = BTreeMap::new();
        for chief in chiefs {
            let group = fleet.all_of(chief);
            let digest = group.iter().filter_map(|machine| all.get(machine)).fold(Digest::default(), |sum, machine| {
                let Digest { count, sum: links } = machine.head.digest;
                Digest { count: sum.count + count, sum: sum.sum.wrapping_add(links) }
            });
            let known = before.and_then(|machines| machines.joined.get(&chief));
            let glance = match known.filter(|(of, _)| *of == digest) {
                Some((_, glance)) => glance.clone(),
                None => Arc::new(Known::of(self.fold(organisation, chief, group).await?.glance)),
            };
            joined.insert(chief, (digest, glance));
        }
        Ok(joined)
    }

    /// The book of a machine that counts for itself, over the entries of all that count as it.
    pub(super) async fn book_of(&self, machines: &Machines, chief: MachineId) -> Result<Book, Refusal> {
        let organisation = machines.organisation;
        if machines.joined.contains_key(&chief) {
            return Ok(self.fold(organisation, chief, machines.fleet.all_of(chief)).await?.book);
        }
        self.own_book(machines, chief).await
    }

    /// The book of a machine over its own entries alone.
    pub(super) async fn own_book(&self, machines: &Machines, machine: MachineId) -> Result<Book, Refusal> {
        let organisation = machines.organisation;
        let view = self.store.view(organisation, ViewSort::Book, machine).await?;
        let digest = machines.all.get(&machine).map(|machine| machine.head.digest).unwrap_or_default();
        if let Some(book) = usable_book(view, digest) {
            return Ok(book);
        }
        let folded: Folded = self.fold(organisation, machine, [machine]).await?;
        self.store.views_put(organisation, &folded.views()?).await?;
        Ok(folded.book)
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
}

/// Which machines are one.
fn fleet_of(all: &BTreeMap<MachineId, Machine>) -> Fleet {
    let cards: Vec<Card> = all.iter().filter_map(|(id, machine)| machine.glance.card(*id)).collect();
    let decisions: Vec<Held> = all.values().flat_map(|machine| machine.glance.decisions()).collect();
    fleet(&cards, &decisions)
}
