//! Reading: machines, entries, books, findings, clashes.
//!
//! Promises: every read is within the caller's organisation; what is another's is not found, like what is not there.
//! Pages are cut by key, so that what is added meanwhile neither repeats nor hides an item.

use super::fleet::{Machine, Machines};
use super::{App, Caller, Refusal, delivered};
use pintle_core::book::Finding;
use pintle_core::clash::Side;
use pintle_core::exchange::{Person, Pulled};
use pintle_core::{MachineId, OrganisationId};
use pintle_openapi::endpoints::book::BookReply;
use pintle_openapi::endpoints::clashes::{ClashItem, ClashSort};
use pintle_openapi::endpoints::enrol::OrganisationCard;
use pintle_openapi::endpoints::findings::FindingItem;
use pintle_openapi::endpoints::machines::MachineCard;
use pintle_openapi::endpoints::me::MeReply;
use pintle_openapi::list::{MachinePageQuery, PAGE_ITEMS_DEFAULT, PAGE_ITEMS_MAX, PageQuery, Paged};
use pintle_openapi::{List, Problem};

/// A page that was asked for: its size, and the key after which it begins.
pub(super) struct Ask {
    pub(super) question: String,
    pub(super) limit: usize,
    pub(super) after: Option<Vec<u8>>,
}

impl Ask {
    /// The position after which a page of entries begins.
    pub(super) fn position(&self) -> Result<u64, Refusal> {
        match &self.after {
            None => Ok(0),
            Some(key) => Ok(u64::from_be_bytes(key.as_slice().try_into().map_err(|_| invalid_cursor())?)),
        }
    }
}

impl App {
    /// Who the caller is.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn me(&self, caller: &Caller) -> Result<MeReply, Refusal> {
        let device = &caller.device;
        let organisations = self.store.organisations().await?;
        let organisation = organisations.into_iter().find(|organisation| organisation.id == device.organisation);
        let organisation = organisation.ok_or_else(|| Refusal::internal("a device of no organisation"))?;
        let directory = self.directory(caller).await?;
        let person = directory.people.into_iter().find(|person| person.id == device.person);
        Ok(MeReply {
            organisation: OrganisationCard { id: organisation.id, name: organisation.name },
            device: device.device,
            mark: device.mark.clone(),
            person: person.unwrap_or(Person { id: device.person, name: String::new() }),
            role: device.role,
        })
    }

    /// The machines at a glance.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn machines(&self, caller: &Caller, query: &PageQuery) -> Result<List<MachineCard>, Refusal> {
        let ask = self.ask(caller, "machines", query)?;
        let machines = self.machines_now(caller.device.organisation).await?;
        let keys = machines.all.keys().map(|machine| (machine.0.to_vec(), *machine)).collect();
        let page = self.cut(caller, &ask, keys);
        let items = page.items.into_iter().map(|machine| card(&machines, machine)).collect::<Result<_, _>>()?;
        Ok(List { items, next: page.next })
    }

    /// One machine at a glance.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn machine(&self, caller: &Caller, machine: MachineId) -> Result<MachineCard, Refusal> {
        let machines = self.machines_now(caller.device.organisation).await?;
        card(&machines, machine)
    }

    /// A machine's entries.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn entries(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &PageQuery,
    ) -> Result<List<Pulled>, Refusal> {
        let organisation = caller.device.organisation;
        let ask = self.ask(caller, &format!("entries {machine}"), query)?;
        self.store.machine(organisation, machine).await?.ok_or_else(|| Refusal::of(Problem::NotFound))?;
        let after = ask.position()?;
        let mut held = self.store.machine_entries(organisation, machine, after, ask.limit + 1).await?;
        let more = held.len() > ask.limit;
        held.truncate(ask.limit);
        let items: Vec<Pulled> =
            held.into_iter().map(|held| delivered(held, &caller.device)).collect::<Result<_, _>>()?;
        let last = items.last().map(|item| item.position.to_be_bytes()).filter(|_| more);
        let next = last.map(|key| self.cursors.list(&organisation, &ask.question, &key));
        Ok(List { items, next })
    }

    /// A machine's book, with the names of people and devices.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn book(&self, caller: &Caller, machine: MachineId) -> Result<BookReply, Refusal> {
        let machines = self.machines_now(caller.device.organisation).await?;
        known(&machines, machine)?;
        let book = self.book_of(&machines, machines.fleet.counts_as(machine)).await?;
        let names = self.names(caller, &book).await?;
        Ok(BookReply { book, names })
    }

    /// The open findings.
    ///
    /// # Errors
    /// `not-found` for a machine that is not there, `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn findings(&self, caller: &Caller, query: &MachinePageQuery) -> Result<List<FindingItem>, Refusal> {
        let ask = self.ask(caller, &question("findings", query), query)?;
        let machines = self.machines_now(caller.device.organisation).await?;
        let mut found = Vec::new();
        for chief in chosen(&machines, query)? {
            let Some(glance) = machines.glance(chief) else { continue };
            found.extend(glance.findings.iter().map(|finding| {
                let key = finding_key(chief, finding);
                (key, FindingItem { machine: chief, machine_name: glance.name.clone(), finding: finding.clone() })
            }));
        }
        Ok(self.cut(caller, &ask, found))
    }

    /// The open clashes and twins.
    ///
    /// # Errors
    /// As [`App::findings`].
    pub async fn clashes(&self, caller: &Caller, query: &MachinePageQuery) -> Result<List<ClashItem>, Refusal> {
        let ask = self.ask(caller, &question("clashes", query), query)?;
        let machines = self.machines_now(caller.device.organisation).await?;
        let chosen = chosen(&machines, query)?;
        let mut items = fleet_clashes(&machines);
        items.retain(|item| chosen.contains(&item.machine));
        let disagree = |chief: &&MachineId| machines.glance(**chief).is_some_and(|glance| glance.clashes > 0);
        for chief in chosen.iter().filter(disagree) {
            let book = self.book_of(&machines, *chief).await?;
            let name = name(&machines, *chief);
            let clash = |clash| ClashItem::of_clash(ClashSort::Clash, *chief, name.clone(), clash);
            items.extend(book.clashes.into_iter().map(clash));
            let twin = |twin| ClashItem::of_twin(ClashSort::Twin, *chief, name.clone(), twin);
            items.extend(book.twins.into_iter().map(twin));
        }
        let keyed = items.into_iter().map(|item| ([item.machine.0, item.id.0].concat(), item)).collect();
        Ok(self.cut(caller, &ask, keyed))
    }

    /// Judges the part of a query that asks for a page.
    pub(super) fn ask(&self, caller: &Caller, question: &str, query: &impl Paged) -> Result<Ask, Refusal> {
        self.ask_of(caller.device.organisation, question, query)
    }

    /// The same for whoever reads within an organisation.
    pub(super) fn ask_of(
        &self,
        organisation: OrganisationId,
        question: &str,
        query: &impl Paged,
    ) -> Result<Ask, Refusal> {
        let limit = match query.limit() {
            None => PAGE_ITEMS_DEFAULT,
            Some(limit) => {
                usize::try_from(limit).ok().filter(|limit| (1..=PAGE_ITEMS_MAX).contains(limit)).ok_or_else(|| {
                    let detail = format!("limit is 1 to {PAGE_ITEMS_MAX}");
                    Refusal::of(Problem::OutOfRange).parameter("limit").detail(detail)
                })?
            }
        };
        let read = |cursor: &str| self.cursors.read_list(&organisation, question, cursor).ok_or_else(invalid_cursor);
        let after = query.after().map(read).transpose()?;
        Ok(Ask { question: question.to_owned(), limit, after })
    }

    /// Cuts the page that was asked for out of all items, in order of their keys.
    pub(super) fn cut<T>(&self, caller: &Caller, ask: &Ask, mut keyed: Vec<(Vec<u8>, T)>) -> List<T> {
        keyed.sort_by(|a, b| a.0.cmp(&b.0));
        if let Some(after) = &ask.after {
            keyed.retain(|(key, _)| key > after);
        }
        let more = keyed.len() > ask.limit;
        keyed.truncate(ask.limit);
        let last = keyed.last().filter(|_| more);
        let next = last.map(|(key, _)| self.cursors.list(&caller.device.organisation, &ask.question, key));
        List { items: keyed.into_iter().map(|(_, item)| item).collect(), next }
    }
}

pub(super) fn invalid_cursor() -> Refusal {
    Refusal::of(Problem::InvalidCursor).parameter("after")
}

pub(super) fn known(machines: &Machines, machine: MachineId) -> Result<&Machine, Refusal> {
    machines.all.get(&machine).ok_or_else(|| Refusal::of(Problem::NotFound))
}

fn question(list: &str, query: &MachinePageQuery) -> String {
    match query.machine {
        Some(machine) => format!("{list} {machine}"),
        None => list.to_owned(),
    }
}

/// The machines a list is about: all, or the one the machine asked for counts as.
fn chosen(machines: &Machines, query: &MachinePageQuery) -> Result<Vec<MachineId>, Refusal> {
    match query.machine {
        None => Ok(machines.chiefs().collect()),
        Some(machine) => known(machines, machine).map(|_| vec![machines.fleet.counts_as(machine)]),
    }
}

fn finding_key(machine: MachineId, finding: &Finding) -> Vec<u8> {
    let entry = finding.stamp.entry;
    [&machine.0[..], &entry.device.0, &entry.seq.to_be_bytes()].concat()
}

fn name(machines: &Machines, machine: MachineId) -> Option<String> {
    machines.glance(machine).and_then(|glance| glance.name.clone())
}

fn card(machines: &Machines, machine: MachineId) -> Result<MachineCard, Refusal> {
    let Machine { head, glance } = known(machines, machine)?;
    let chief = machines.fleet.counts_as(machine);
    let counted = machines.glance(machine).filter(|_| chief == machine).unwrap_or(glance);
    Ok(MachineCard {
        id: machine,
        name: counted.name.clone(),
        site: counted.site.clone(),
        counts_as: (chief != machine).then_some(chief),
        tagged_out: !counted.tagged_out().is_empty(),
        findings: counted.findings.len() as u64,
        clashes: counted.clashes,
        digest: head.digest,
        position: head.position,
        last: counted.last.clone(),
    })
}

/// Machines that are probably one, and settlements about that which disagree.
fn fleet_clashes(machines: &Machines) -> Vec<ClashItem> {
    // A twin of machines lists their cards, a clash of settlements names the entries that added them: both stand
    // under the machine whose entry is the first side.
    let about = |sides: &[Side]| {
        let entry = sides.first()?.entry;
        let says = |(_, machine): &(&MachineId, &Machine)| machine.glance.says(entry);
        machines.all.iter().find(says).map(|(id, _)| machines.fleet.counts_as(*id))
    };
    let twins = machines.fleet.twins.iter().filter_map(|twin| {
        let chief = about(&twin.sides)?;
        Some(ClashItem::of_twin(ClashSort::Machines, chief, name(machines, chief), twin.clone()))
    });
    let clashes = machines.fleet.clashes.iter().filter_map(|clash| {
        let chief = about(&clash.sides)?;
        Some(ClashItem::of_clash(ClashSort::Machines, chief, name(machines, chief), clash.clone()))
    });
    twins.chain(clashes).collect()
}
