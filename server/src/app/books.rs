//! A machine's book and what lists need of it, kept in the store until the entries change.
//!
//! Promises: what is given is always what core's fold says about the entries in the ledger. A kept view is used only if
//! its digest is the machine's and the same program made it; anything else is computed anew, that machine alone. Every
//! fold is counted.

use super::{App, Refusal, pulled};
use crate::limits::FETCH_ROWS;
use pintle_core::agenda::{NameStart, Pressing, Rank, TaggedOut};
use pintle_core::book::{Book, Finding, Stamp, book};
use pintle_core::exchange::{Digest, Pulled};
use pintle_core::fact::Fact;
use pintle_core::fleet::{Card, folded};
use pintle_core::moment::Moment;
use pintle_core::outlook::{Firsts, Outlook};
use pintle_core::plan::Plan;
use pintle_core::telematics::Candidate;
use pintle_core::{EntryRef, Hash, Held, MachineId, OrganisationId};
use pintle_store::{MachineView, ViewSort};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Deref;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

/// Changes whenever a view means something else than before.
const VIEW_FORM: &str = concat!("5/", env!("CARGO_PKG_VERSION"));

/// A book as it is kept: under the form it was made in.
#[derive(Debug, Serialize, Deserialize)]
struct KeptBook<B> {
    form: String,
    book: B,
}

/// A glance as it is kept. Of its plan only the hash is: most machines share a few plans, and the book has the whole. In the
/// outlook an empty one stands for it.
#[derive(Debug, Serialize, Deserialize)]
struct KeptGlance {
    form: String,
    glance: Glance,
    plan: Hash,
}

fn no_plan() -> Plan {
    let (name, source) = (String::new(), String::new());
    Plan { name, source, use_per_day: None, weights: BTreeMap::new(), tasks: Vec::new() }
}

fn hash_of(plan: &Plan) -> Result<Hash, Refusal> {
    let text = serde_json::to_vec(plan).map_err(Refusal::internal)?;
    Ok(Hash::of(&[b"pintle/plan/1\n", &text]))
}

/// The plans of all machines held in memory, each once.
#[derive(Debug, Default)]
pub(super) struct Plans(Mutex<KnownPlans>);

#[derive(Debug, Default)]
struct KnownPlans {
    plans: BTreeMap<Hash, Weak<Plan>>,
    /// How many there were when those that nobody holds were last forgotten.
    held: usize,
}

impl Plans {
    // Each plan stands under its own hash, whatever panics in between.
    fn lock(&self) -> MutexGuard<'_, KnownPlans> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn known(&self, hash: Hash) -> Option<Arc<Plan>> {
        self.lock().plans.get(&hash).and_then(Weak::upgrade)
    }

    /// The one that all share.
    fn shared(&self, plan: Arc<Plan>) -> Result<Arc<Plan>, Refusal> {
        let hash = hash_of(&plan)?;
        let mut known = self.lock();
        if let Some(plan) = known.plans.get(&hash).and_then(Weak::upgrade) {
            return Ok(plan);
        }
        if known.plans.len() > 2 * known.held {
            known.plans.retain(|_, plan| plan.strong_count() > 0);
            known.held = known.plans.len();
        }
        known.plans.insert(hash, Arc::downgrade(&plan));
        Ok(plan)
    }
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

    fn kept(&self) -> Result<String, Refusal> {
        let mut glance = self.clone();
        glance.outlook.plan = Arc::new(no_plan());
        let kept = KeptGlance { form: VIEW_FORM.to_owned(), glance, plan: hash_of(&self.outlook.plan)? };
        serde_json::to_string(&kept).map_err(Refusal::internal)
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

/// A glance as it is held in memory, with what makes sorting quick.
#[derive(Debug)]
pub(super) struct Known {
    glance: Glance,
    name: Option<NameStart>,
    site: Option<String>,
    tagged_out: bool,
    /// For the day that was asked for last.
    firsts: Mutex<Firsts>,
}

impl Known {
    pub(super) fn of(glance: Glance) -> Self {
        Self {
            name: glance.name.as_deref().filter(|_| !glance.retired).map(NameStart::of),
            site: glance.site.as_deref().map(folded),
            tagged_out: !glance.tagged_out().is_empty(),
            firsts: Mutex::new(glance.outlook.firsts(0, 0)),
            glance,
        }
    }

    /// Where it stands in the list of what is due at a moment; none if it is not in use.
    pub(super) fn rank(&self, machine: MachineId, at: &Moment) -> Option<Rank> {
        let (now_s, offset_s) = (at.second(), at.offset_s());
        // What is held is replaced whole: a panic leaves it as it was.
        let mut firsts = self.firsts.lock().unwrap_or_else(PoisonError::into_inner);
        let first = firsts.at(now_s, offset_s).unwrap_or_else(|| {
            *firsts = self.glance.outlook.firsts(now_s, offset_s);
            firsts.at(now_s, offset_s).flatten()
        });
        let pressing = if self.tagged_out { Pressing::TaggedOut(first) } else { Pressing::Due(first) };
        Some(Rank::with(pressing, self.name.as_ref()?, machine))
    }

    /// Where it works, as sites are compared.
    pub(super) fn site(&self) -> Option<&str> {
        self.site.as_deref()
    }

    /// Whether it works at a site, given as sites are compared.
    pub(super) fn is_at(&self, site: &str) -> bool {
        self.site.as_deref() == Some(site)
    }
}

impl Deref for Known {
    type Target = Glance;
    fn deref(&self) -> &Glance {
        &self.glance
    }
}

/// What a fold gives.
pub(super) struct Folded {
    pub(super) book: Book,
    pub(super) glance: Glance,
    pub(super) digest: Digest,
}

impl Folded {
    /// A fold of entries, with what lists need of it.
    pub(super) fn of(chief: MachineId, entries: &[Held]) -> Result<Self, Refusal> {
        let book = book(chief, entries);
        let glance = Glance::of(&book, entries)?;
        let digest = entries.iter().fold(Digest::default(), |digest, held| digest.with(&held.link));
        Ok(Self { book, glance, digest })
    }

    /// Both views of it, as they are kept.
    pub(super) fn views(&self) -> Result<[MachineView; 2], Refusal> {
        let (machine, digest) = (self.book.machine, self.digest);
        let view = |sort, json| MachineView { sort, machine, digest, json };
        let book = KeptBook { form: VIEW_FORM.to_owned(), book: &self.book };
        let book = serde_json::to_string(&book).map_err(Refusal::internal)?;
        Ok([view(ViewSort::Glance, self.glance.kept()?), view(ViewSort::Book, book)])
    }
}

/// Whether a kept view is of today's form: no other is ever used.
pub(super) fn form_is_ours(json: &str) -> bool {
    #[derive(Deserialize)]
    struct Form {
        form: String,
    }
    serde_json::from_str::<Form>(json).is_ok_and(|kept| kept.form == VIEW_FORM)
}

/// The kept book, if it was made from the entries of this digest, in today's form.
pub(super) fn usable_book(view: Option<MachineView>, digest: Digest) -> Option<Book> {
    let view = view.filter(|view| view.digest == digest)?;
    // A view of another form does not read, or says so.
    let kept: KeptBook<Book> = serde_json::from_str(&view.json).ok()?;
    (kept.form == VIEW_FORM).then_some(kept.book)
}

impl App {
    /// How many machines have been folded since this process began.
    #[must_use]
    pub fn folds(&self) -> u64 {
        self.folds.load(Ordering::Relaxed)
    }

    /// The kept glance, as [`usable_book`]. A plan that no machine in memory has is read from the kept book.
    pub(super) async fn usable_glance(
        &self,
        organisation: OrganisationId,
        view: MachineView,
        digest: Digest,
    ) -> Result<Option<Glance>, Refusal> {
        if view.digest != digest {
            return Ok(None);
        }
        // A view of another form does not read, or says so.
        let kept = serde_json::from_str::<KeptGlance>(&view.json).ok().filter(|kept| kept.form == VIEW_FORM);
        let Some(KeptGlance { mut glance, plan, .. }) = kept else { return Ok(None) };
        glance.outlook.plan = match self.plans.known(plan) {
            Some(plan) => plan,
            None => {
                let view = self.store.view(organisation, ViewSort::Book, view.machine).await?;
                let Some(book) = usable_book(view, digest) else { return Ok(None) };
                self.plans.shared(Arc::new(book.plan_in_force()))?
            }
        };
        Ok(Some(glance))
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
        let mut folded = Folded::of(chief, &entries)?;
        folded.glance.outlook.plan = self.plans.shared(folded.glance.outlook.plan)?;
        Ok(folded)
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
