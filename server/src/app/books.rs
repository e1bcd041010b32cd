//! A machine's book and what else is computed from its entries, kept in the store until the entries change.
//!
//! Promises: what is given is always what core's fold says about the entries in the ledger. A kept view is used only if
//! its digest is the machine's and the same program made it; anything else is computed anew.

use super::{App, Refusal};
use crate::limits::FETCH_ROWS;
use pintle_core::book::{Book, book};
use pintle_core::exchange::{Digest, Pulled};
use pintle_core::fact::Fact;
use pintle_core::fleet::Card;
use pintle_core::{Held, MachineId, OrganisationId};
use pintle_store::{MachineHead, MachineView, ViewSort};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Changes whenever a view means something else than before.
const VIEW_FORM: &str = concat!("1/", env!("CARGO_PKG_VERSION"));

/// What is kept of one machine.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Kept {
    form: String,
    /// What tells it from other machines; none if nobody has added it.
    card: Option<KeptCard>,
    /// Its entries of the kinds `settled` and `struck`: settling twins among machines needs those of all of them.
    decisions: Vec<Pulled>,
    /// Its book, read only where it is asked for.
    book: Box<RawValue>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct KeptCard {
    added: Pulled,
    name: String,
    serial: Option<String>,
    site: Option<String>,
}

/// A machine as the ledger has it now.
#[derive(Debug)]
pub(super) struct Machine {
    pub(super) head: MachineHead,
    kept: Kept,
}

impl Machine {
    /// Its book, over its own entries alone.
    pub(super) fn book(&self) -> Result<Book, Refusal> {
        serde_json::from_str(self.kept.book.get()).map_err(Refusal::internal)
    }

    /// Its card for the fleet.
    pub(super) fn card(&self) -> Option<Card> {
        let card = self.kept.card.clone()?;
        let KeptCard { added, name, serial, site } = card;
        Some(Card { machine: self.head.machine, added: added.into(), name, serial, site })
    }

    /// Its decisions for the fleet.
    pub(super) fn decisions(&self) -> impl Iterator<Item = Held> {
        self.kept.decisions.iter().cloned().map(Held::from)
    }
}

impl App {
    /// The machine with a view that is up to date: the one kept, or a new one.
    pub(super) async fn machine_now(
        &self,
        organisation: OrganisationId,
        head: MachineHead,
        view: Option<MachineView>,
    ) -> Result<Machine, Refusal> {
        let usable = view.filter(|view| view.digest == head.digest);
        // A view of another form does not read, or says so.
        let kept = usable.and_then(|view| serde_json::from_str::<Kept>(&view.json).ok());
        if let Some(kept) = kept.filter(|kept| kept.form == VIEW_FORM) {
            return Ok(Machine { head, kept });
        }
        let entries = self.all_entries(organisation, head.machine).await?;
        let kept = keep(head.machine, &entries)?;
        let json = serde_json::to_string(&kept).map_err(Refusal::internal)?;
        let digest = entries.iter().fold(Digest::default(), |digest, held| digest.with(&held.link));
        let view = MachineView { sort: ViewSort::Book, machine: head.machine, digest, json };
        self.store.views_put(organisation, &[view]).await?;
        Ok(Machine { head, kept })
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

fn keep(machine: MachineId, entries: &[Held]) -> Result<Kept, Refusal> {
    let book = book(machine, entries);
    let decides = |held: &&Held| held.entry.head().is_ok_and(|head| matches!(&*head.kind, "settled" | "struck"));
    Ok(Kept {
        form: VIEW_FORM.to_owned(),
        card: card(&book, entries),
        decisions: entries.iter().filter(decides).map(pulled).collect::<Result<_, _>>()?,
        book: serde_json::value::to_raw_value(&book).map_err(Refusal::internal)?,
    })
}

/// The entry that added the machine (the earliest, if several say so) and the attributes that count.
fn card(book: &Book, entries: &[Held]) -> Option<KeptCard> {
    let added = entries
        .iter()
        .filter(|held| held.aside.is_none())
        .filter_map(|held| {
            let head = held.entry.head().ok()?;
            let added = matches!(Fact::read(head, &held.entry), Ok(Fact::MachineAdded(_)));
            added.then(|| ((head.at.second(), held.device, held.entry.seq()), held))
        })
        .min_by_key(|(order, _)| *order)?
        .1;
    let attribute = |name: &str| book.attributes.get(name).and_then(|said| said.value.as_str()).map(str::to_owned);
    Some(KeptCard {
        added: pulled(added).ok()?,
        name: attribute("name")?,
        serial: attribute("serial"),
        site: attribute("site"),
    })
}

fn pulled(held: &Held) -> Result<Pulled, Refusal> {
    let (Some(position), Some(received_ms)) = (held.position, held.received_ms) else {
        return Err(Refusal::internal("the ledger gave an entry without a position"));
    };
    let Held { device, link, off_s, aside, entry, .. } = held.clone();
    Ok(Pulled { position, device, link, received_ms, off_s, aside, entry })
}
