//! Storing what one reply changes: in one transaction, or not at all.
//!
//! Promises: a page that cannot be true leaves everything as it was and is told with its place. Digest, cursor and
//! position move together with the entries they speak of. Touched machines are folded anew before anyone reads them.

use crate::glance;
use crate::problem::Problem;
use crate::store::{NewEntry, Own, Placed, Store, SyncRow, Tx};
use pintle_core::Fault;
use pintle_core::chain::LogHead;
use pintle_core::device::{Apply, check_page};
use pintle_core::entry::EntryRef;
use pintle_core::exchange::{CarriedAnswer, Digest, Pulled, PushOutcome, Receipt, Wanted};
use pintle_core::fact::Fact;
use pintle_core::ids::{DeviceId, Hash, MachineId};
use std::cell::RefCell;
use std::collections::BTreeSet;

/// What has been touched while a reply is stored.
#[derive(Default)]
struct Touched {
    machines: BTreeSet<MachineId>,
    deciding: Deciding,
}

/// Whether entries came that decide which machines are one.
#[derive(Default, PartialEq)]
enum Deciding {
    #[default]
    No,
    Yes,
}

/// Ends the transaction without storing anything.
enum Halt {
    Distrusted(Fault),
    Problem(Problem),
}

impl From<Problem> for Halt {
    fn from(problem: Problem) -> Self {
        Halt::Problem(problem)
    }
}

/// Stores it. `told` are the machines wanted as the request said them, if it did; `at_s` is the second since 1970 by the
/// device's clock. The inner error names what in the reply cannot be true; then nothing was stored.
///
/// # Errors
/// If the database cannot be used.
pub fn apply(
    store: &mut Store,
    change: &Apply,
    told: Option<&Wanted>,
    at_s: i64,
) -> Result<Result<(), Fault>, Problem> {
    let mut distrusted = None;
    let stored = store.write("store", |tx| {
        tx.sync()?.map_or(Ok(()), |sync| {
            within(tx, sync, change, told, at_s).map_err(|halt| match halt {
                Halt::Problem(problem) => problem,
                Halt::Distrusted(fault) => {
                    let problem = Problem::from(fault.clone());
                    distrusted = Some(fault);
                    problem
                }
            })
        })
    });
    match (stored, distrusted) {
        (_, Some(fault)) => Ok(Err(fault)),
        (Ok(()), None) => Ok(Ok(())),
        (Err(problem), None) => Err(problem),
    }
}

fn within(tx: &Tx<'_>, mut sync: SyncRow, change: &Apply, told: Option<&Wanted>, at_s: i64) -> Result<(), Halt> {
    let mut own = tx.own()?;
    let mut touched = Touched::default();
    if change.void {
        tx.forget_places()?;
        tx.carried_again()?;
        touched.machines.extend(tx.machines()?.into_iter().map(|machine| machine.id));
    }
    if change.void || change.rewind {
        sync.cursor = None;
        sync.digest = Digest::default();
        own.seen = 0;
    }
    if let Some(told) = told {
        sync.wanted_told |= *told == sync.wanted;
        // A page that was asked for with a set is about that set, from the beginning.
        let sites_known = told.sites.is_empty() || change.machines.is_some();
        if change.cursor.is_some() && own.seen == 0 && sites_known {
            sync.held = told.with_sites_as(change.machines.iter().flatten().copied());
        }
    }
    let mut sums = Sums { own: &own, held: &sync.held, digest: sync.digest };
    for receipt in &change.receipts {
        sums.place_run(tx, receipt, &mut touched)?;
    }
    for aside in &change.asides {
        let entry = EntryRef { device: own.device, seq: aside.seq };
        tx.set_aside(entry, &aside.code)?;
    }
    if let Some((answer, end)) = &change.carried {
        sums.carried(tx, answer, end, &mut touched)?;
    }
    check(tx, &change.entries, own.device)?;
    for pulled in &change.entries {
        sums.take(tx, pulled, &mut touched)?;
    }
    sync.digest = sums.digest;
    change.seals.iter().try_for_each(|seal| tx.add_seal(seal))?;
    if let Some((cursor, position)) = &change.cursor {
        let added = tx.digest(&sync.held, own.seen, *position)?;
        sync.digest = sync.digest.and(added);
        sync.cursor = Some(cursor.clone());
        own.seen = *position;
    }
    if let Some(directory) = &change.directory {
        tx.set_directory(directory)?;
        sync.directory = directory.version;
        let card = directory.devices.iter().find(|card| card.id == own.device);
        own.mark = card.map_or(own.mark, |card| card.mark.clone());
    }
    if let Some(newer) = &change.checkpoint {
        tx.hold_checkpoint(change.store, change.epoch, newer)?;
    }
    if let Some((why, shown)) = &change.evidence {
        tx.keep_evidence(change.store, change.epoch, (*why, shown), at_s)?;
    }
    own.head = tx.end_of_log(own.device, own.head)?;
    own.recover = change.recover.filter(|there| there.seq > own.head.seq);
    sync.store = change.store;
    sync.epoch = change.epoch;
    sync.baton = change.baton;
    sync.copied = change.copied;
    sync.bytes_max = change.bytes_max;
    tx.set_own(&own)?;
    tx.set_sync(&sync)?;
    touched.machines.into_iter().try_for_each(|machine| glance::refold(tx, machine))?;
    if touched.deciding == Deciding::Yes {
        // After the fold: a machine that has come with this page has a glance only now.
        glance::regroup(tx)?;
    }
    Ok(())
}

/// What is kept of the server's answer about a run.
fn said(outcome: PushOutcome) -> &'static str {
    match outcome {
        PushOutcome::Accepted | PushOutcome::AlreadyHeld | PushOutcome::Revoked => "held",
        PushOutcome::Fork => "fork",
        PushOutcome::BadSeal => "bad_seal",
        PushOutcome::Gap => "gap",
        PushOutcome::UnknownDevice => "unknown_device",
        PushOutcome::Withheld => "withheld",
        PushOutcome::Busy | PushOutcome::None | PushOutcome::Copy => "busy",
    }
}

fn check(tx: &Tx<'_>, page: &[Pulled], own: DeviceId) -> Result<(), Halt> {
    let failed: RefCell<Option<Problem>> = RefCell::new(None);
    let checked = check_page(page, |device, seq| match tx.sure_link(EntryRef { device, seq }, own) {
        Ok(link) => link,
        Err(problem) => {
            *failed.borrow_mut() = Some(problem);
            None
        }
    });
    match failed.into_inner() {
        Some(problem) => Err(Halt::Problem(problem)),
        None => checked.map_err(Halt::Distrusted),
    }
}

/// The digest while a reply is stored.
struct Sums<'a> {
    own: &'a Own,
    /// The machines whose entries count.
    held: &'a Wanted,
    digest: Digest,
}

impl Sums<'_> {
    /// Gives places to a run of own entries.
    fn place_run(&mut self, tx: &Tx<'_>, receipt: &Receipt, touched: &mut Touched) -> Result<(), Halt> {
        let Receipt { from, to, position, received_ms, off_s } = receipt;
        if *to < *from || *to > self.own.head.seq {
            let detail = "a receipt names entries this device has not made";
            return Err(Halt::Distrusted(Fault::new("receipt-unknown", "/push/held", detail)));
        }
        for seq in *from..=*to {
            let placed =
                Placed { position: position + (seq - from), received_ms: *received_ms, off_s: *off_s, aside: None };
            let entry = EntryRef { device: self.own.device, seq };
            self.place(tx, entry, &placed, "/push/held")?;
            touched.machines.extend(tx.machine_of(entry)?);
        }
        Ok(())
    }

    /// Notes what became of a run that was carried, and gives its entries their places. Where others stand under their
    /// numbers here, those are delivered in a page.
    fn carried(
        &mut self,
        tx: &Tx<'_>,
        answer: &CarriedAnswer,
        end: &LogHead,
        touched: &mut Touched,
    ) -> Result<(), Halt> {
        let CarriedAnswer { device, answer } = answer;
        tx.carried_said(*device, end, said(answer.outcome))?;
        let name = |seq| EntryRef { device: *device, seq };
        if tx.link(name(end.seq))? != Some(end.link) {
            return Ok(());
        }
        if answer.outcome == PushOutcome::Fork {
            // The server keeps it beside the ledger: here it counts no more either.
            let from = tx.carried_from(*device, end)?.max(answer.seq.unwrap_or(0));
            for seq in from..=end.seq {
                if tx.position(name(seq))?.is_none() {
                    tx.set_aside(name(seq), "device-fork")?;
                    touched.machines.extend(tx.machine_of(name(seq))?);
                }
            }
        }
        for Receipt { from, to, position, received_ms, off_s } in &answer.held {
            if *to < *from || *to > end.seq {
                let detail = "a receipt names entries that were not carried";
                return Err(Halt::Distrusted(Fault::new("receipt-unknown", "/carried/answer/held", detail)));
            }
            for seq in *from..=*to {
                let aside = answer.aside.iter().find(|aside| aside.seq == seq).map(|aside| aside.code.clone());
                let placed =
                    Placed { position: position + (seq - from), received_ms: *received_ms, off_s: *off_s, aside };
                self.place(tx, name(seq), &placed, "/carried/answer/held")?;
                touched.machines.extend(tx.machine_of(name(seq))?);
            }
        }
        Ok(())
    }

    /// Gives a held entry its place. One that lies before the cursor was missing from the digest until now.
    fn place(&mut self, tx: &Tx<'_>, entry: EntryRef, placed: &Placed, pointer: &str) -> Result<(), Halt> {
        if tx.entry_at(placed.position)?.is_some_and(|other| other != entry) {
            let detail = format!("position {} holds another entry", placed.position);
            return Err(Halt::Distrusted(Fault::new("position-taken", pointer, detail)));
        }
        match tx.position(entry)? {
            Some(before) if before != placed.position => {
                let detail = format!("an entry moved from position {before} to {}", placed.position);
                return Err(Halt::Distrusted(Fault::new("position-moved", pointer, detail)));
            }
            None => {
                if let Some(link) = tx.link(entry)? {
                    self.count(placed.position, &link, tx.machine_of(entry)?);
                }
            }
            Some(_) => {}
        }
        tx.place_entry(entry, placed)?;
        Ok(())
    }

    fn count(&mut self, position: u64, link: &Hash, machine: Option<MachineId>) {
        if position <= self.own.seen && self.held.takes(machine) {
            self.digest = self.digest.with(link);
        }
    }

    /// Takes one entry of the ledger.
    fn take(&mut self, tx: &Tx<'_>, pulled: &Pulled, touched: &mut Touched) -> Result<(), Halt> {
        let name = EntryRef { device: pulled.device, seq: pulled.entry.seq() };
        let placed = Placed {
            position: pulled.position,
            received_ms: pulled.received_ms,
            off_s: pulled.off_s,
            aside: pulled.aside.clone(),
        };
        let held = tx.link(name)?;
        if held == Some(pulled.link) {
            self.place(tx, name, &placed, "/pull/entries")?;
        } else {
            if held.is_some() {
                touched.machines.extend(tx.make_room(name)?);
                touched.deciding = Deciding::Yes;
            }
            if tx.entry_at(placed.position)?.is_some() {
                let detail = format!("position {} holds another entry", placed.position);
                return Err(Halt::Distrusted(Fault::new("position-taken", "/pull/entries", detail)));
            }
            let machine = pulled.entry.head().ok().and_then(|head| head.machine);
            self.count(placed.position, &pulled.link, machine);
            tx.add_entry(&NewEntry {
                device: name.device,
                link: &pulled.link,
                entry: &pulled.entry,
                placed: Some(placed),
            })?;
        }
        if let Ok(head) = pulled.entry.head() {
            touched.machines.extend(head.machine);
            if Fact::read(head, &pulled.entry).is_ok_and(|fact| glance::decides(&fact)) {
                touched.deciding = Deciding::Yes;
            }
        }
        Ok(())
    }
}
