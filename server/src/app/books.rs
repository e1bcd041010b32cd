//! A machine's book and what lists need of it, kept in the store until the entries change.
//!
//! Promises: what is given is always what core's fold says about the entries in the ledger. A kept view is used only if
//! its digest is the machine's and the same program made it; anything else is computed anew, that machine alone. Every
//! fold is counted.

use super::{App, Refusal, pulled};
use crate::limits::FETCH_ROWS;
use pintle_core::agenda::TaggedOut;
use pintle_core::book::{Book, Finding, Stamp, book};
use pintle_core::exchange::{Digest, Pulled};
use pintle_core::fact::Fact;
use pintle_core::fleet::Card;
use pintle_core::outlook::Outlook;
use pintle_core::telematics::Candidate;
use pintle_core::{EntryRef, Held, MachineId, OrganisationId};
use pintle_store::{MachineView, ViewSort};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::sync::atomic::Ordering;

/// Changes whenever a view means something else than before.
const VIEW_FORM: &str = concat!("2/", env!("CARGO_PKG_VERSION"));

/// A view as it is kept: what it holds, under the form it was made in.
#[derive(Debug, Serialize, Deserialize)]
struct Kept<T> {
    form: String,
    view: T,
}

/// What lists of all machines need of one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Glance {
    /// The entry that added it; none if nobody has.
    added: Option<Pulled>,
    /// Its entries of the kinds `settled` and `struck`: settling twins among machines needs those of all of them.
    decisions: Vec<Pulled>,
    pub(super) name: Option<String>,
    serial: Option<String>,
    pub(super) site: Option<String>,
    pub(super) retired: bool,
    /// Open findings.
    pub(super) findings: Vec<Finding>,
    /// Open clashes and twins.
    pub(super) clashes: u64,
    pub(super) last: Option<Stamp>,
    pub(super) outlook: Outlook,
    /// What telematics readings are matched with.
    pub(super) candidate: Option<Candidate>,
}

impl Glance {
    fn of(book: &Book, entries: &[Held]) -> Result<Self, Refusal> {
        let decides = |held: &&Held| held.entry.head().is_ok_and(|head| matches!(&*head.kind, "settled" | "struck"));
        let attribute = |name: &str| book.attributes.get(name).and_then(|said| said.value.as_str()).map(str::to_owned);
        Ok(Self {
            added: added(entries).cloned().map(pulled).transpose()?,
            decisions: entries.iter().filter(decides).cloned().map(pulled).collect::<Result<_, _>>()?,
            name: attribute("name"),
            serial: attribute("serial"),
            site: attribute("site"),
            retired: attribute("retired").is_some(),
            findings: book.findings.clone(),
            clashes: (book.clashes.len() + book.twins.len()) as u64,
            last: book.last.clone(),
            outlook: Outlook::of(book),
            candidate: Candidate::of(book),
        })
    }

    /// Its card for the fleet.
    pub(super) fn card(&self, machine: MachineId) -> Option<Card> {
        let added = self.added.clone()?.into();
        Some(Card { machine, added, name: self.name.clone()?, serial: self.serial.clone(), site: self.site.clone() })
    }

    /// Its decisions for the fleet.
    pub(super) fn decisions(&self) -> impl Iterator<Item = Held> {
        self.decisions.iter().cloned().map(Held::from)
    }

    /// Whether an entry is one of those it tells the fleet.
    pub(super) fn says(&self, entry: EntryRef) -> bool {
        let named = |pulled: &Pulled| (pulled.device, pulled.entry.seq()) == (entry.device, entry.seq);
        self.added.iter().chain(&self.decisions).any(named)
    }

    /// Whether it says the same to the fleet as another one does.
    pub(super) fn tells_the_fleet_as(&self, other: &Self) -> bool {
        let told = |glance: &Self| (glance.name.clone(), glance.serial.clone(), glance.site.clone());
        self.added == other.added && self.decisions == other.decisions && told(self) == told(other)
    }

    /// Why it must not be run.
    pub(super) fn tagged_out(&self) -> Vec<TaggedOut> {
        TaggedOut::of(&self.findings)
    }
}

/// What a fold gives.
pub(super) struct Folded {
    pub(super) book: Book,
    pub(super) glance: Glance,
    pub(super) digest: Digest,
}

impl Folded {
    /// Both views of it, as they are kept.
    pub(super) fn views(&self) -> Result<[MachineView; 2], Refusal> {
        let (machine, digest) = (self.book.machine, self.digest);
        let view = |sort, json| MachineView { sort, machine, digest, json };
        Ok([view(ViewSort::Glance, written(&self.glance)?), view(ViewSort::Book, written(&self.book)?)])
    }
}

fn written<T: Serialize>(view: T) -> Result<String, Refusal> {
    serde_json::to_string(&Kept { form: VIEW_FORM.to_owned(), view }).map_err(Refusal::internal)
}

/// What a kept view holds, if it was made from the entries of this digest, in today's form.
pub(super) fn usable<T: DeserializeOwned>(view: Option<MachineView>, digest: Digest) -> Option<T> {
    let view = view.filter(|view| view.digest == digest)?;
    // A view of another form does not read, or says so.
    let kept: Kept<T> = serde_json::from_str(&view.json).ok()?;
    (kept.form == VIEW_FORM).then_some(kept.view)
}

impl App {
    /// How many machines have been folded since this process began.
    #[must_use]
    pub fn folds(&self) -> u64 {
        self.folds.load(Ordering::Relaxed)
    }

    /// Folds all entries of machines that count as one, or of a single one.
    pub(super) async fn fold(
        &self,
        organisation: OrganisationId,
        chief: MachineId,
        machines: impl IntoIterator<Item = MachineId>,
    ) -> Result<Folded, Refusal> {
        let mut entries = Vec::new();
        for machine in machines {
            entries.extend(self.all_entries(organisation, machine).await?);
        }
        self.folds.fetch_add(1, Ordering::Relaxed);
        let book = book(chief, &entries);
        let glance = Glance::of(&book, &entries)?;
        let digest = entries.iter().fold(Digest::default(), |digest, held| digest.with(&held.link));
        Ok(Folded { book, glance, digest })
    }

    /// All entries about a machine.
    pub(super) async fn all_entries(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
    ) -> Result<Vec<Held>, Refusal> {
        let mut all: Vec<Held> = Vec::new();
        loop {
            let after = all.last().and_then(|held| held.position).unwrap_or(0);
            let more = self.store.machine_entries(organisation, machine, after, FETCH_ROWS).await?;
            let end = more.len() < FETCH_ROWS;
            all.extend(more);
            if end {
                return Ok(all);
            }
        }
    }
}

/// The entry that added the machine: the earliest, if several say so.
fn added(entries: &[Held]) -> Option<&Held> {
    let stands = entries.iter().filter(|held| held.aside.is_none()).filter_map(|held| {
        let head = held.entry.head().ok()?;
        let added = matches!(Fact::read(head, &held.entry), Ok(Fact::MachineAdded(_)));
        added.then(|| ((head.at.second(), held.device, held.entry.seq()), held))
    });
    stands.min_by_key(|(order, _)| *order).map(|(_, held)| held)
}
