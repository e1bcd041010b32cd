//! Making an entry and appending it to the log.
//!
//! Promises: whatever a command records is built and appended in one transaction, together with the glance that the
//! next command reads; `seen` is read in that same transaction. When [`record`] returns, the disk has it. A reading
//! that looks odd is recorded all the same and told.
//!
//! Never: a network, a key, a fold of a machine's whole log, except where what stands changes (a finding, a repair, a
//! correction, an odd reading) or an entry is told late.

use crate::ambient::{Ambient, Wall, evidence, random};
use crate::asked::{self, AskedTime};
use crate::dial::Dial;
use crate::glance;
use crate::hazard;
use crate::names::{self, Match, Names};
use crate::odd::{self, Odd};
use crate::outlook;
use crate::problem::{Code, Problem};
use crate::store::{Glance, NewEntry, Own, Store, TaggedOut, Tx};
use pintle_core::chain::LogHead;
use pintle_core::due::Due;
use pintle_core::entry::{ENTRY_VERSION, Entry, EntryRef, Head, Held};
use pintle_core::fact::Fact;
use pintle_core::fault::{Fault, code};
use pintle_core::ids::{MachineId, PersonId};
use pintle_core::limits::{CLOCK_OFF_MARKED_S, ENTRY_BYTES_MAX};
use pintle_core::moment::Moment;
use pintle_core::photo::FileRef;
use serde_json::{Map, Value};
use std::collections::VecDeque;

/// When and by whom, as the person asked for it; nothing asked: now, by whoever is recording.
#[derive(Debug, Clone, Copy, Default)]
pub struct Claim<'a> {
    /// When it happened: see [`asked::moment`].
    pub at: Option<&'a str>,
    /// The name of another person of this device.
    pub by: Option<&'a str>,
}

/// What is to be recorded.
#[derive(Debug, Clone)]
pub struct Saying {
    /// The machine it is about.
    pub machine: Option<MachineId>,
    /// The facts.
    pub fact: Fact,
    /// In the person's own words.
    pub text: Option<String>,
}

impl Saying {
    /// About a machine, without words.
    #[must_use]
    pub fn about(machine: MachineId, fact: Fact) -> Self {
        Self { machine: Some(machine), fact, text: None }
    }

    /// With words, if there are any.
    #[must_use]
    pub fn with_text(mut self, text: Option<String>) -> Self {
        self.text = text.filter(|text| !text.trim().is_empty());
        self
    }
}

/// What was recorded.
#[derive(Debug, Clone)]
pub struct Recorded {
    /// The entry as it is held.
    pub held: Held,
    /// What it says.
    pub fact: Fact,
    /// The machine as it is now, if it is about one.
    pub machine: Option<Glance>,
    /// Other findings because of which the machine must not be run.
    pub tagged_out: Vec<TaggedOut>,
    /// Names that its words need.
    pub names: Names,
    /// What looks odd about its reading.
    pub odd: Option<Odd>,
    /// A meter that the machine had not had before.
    pub new_meter: Option<String>,
    /// What is due next on the machine, where that is known at once.
    pub next: Option<Due>,
    /// When it happened, if the person said so.
    pub said_at: Option<Moment>,
    /// The other moment that the time could mean, where the clocks went back.
    pub said_again: Option<Moment>,
    /// Whether the time that was said has not come yet by the device's clock.
    pub ahead: bool,
    /// Who did it, if the person said so.
    pub said_by: Option<PersonId>,
    /// How many other machines have the very name that was typed.
    pub namesakes: usize,
}

impl Recorded {
    /// The entry's name, such as `K7-412`.
    #[must_use]
    pub fn name(&self) -> String {
        self.names.entry(self.held.name())
    }
}

/// A recording in progress: the open transaction and what surrounds it.
pub struct Recording<'a> {
    /// The transaction.
    pub tx: &'a Tx<'a>,
    /// The device.
    pub own: Own,
    /// The wall clock.
    pub wall: Wall,
    ambient: &'a dyn Ambient,
    claimed: Option<Moment>,
    again: Option<Moment>,
    by: PersonId,
    namesakes: usize,
    files: Vec<FileRef>,
}

/// Runs `work` in one transaction; what it says is on the disk when this returns.
///
/// # Errors
/// As `work`; `tail-lost` while entries of this device have to be brought back first; then nothing was recorded.
pub fn record<T>(
    store: &mut Store,
    ambient: &dyn Ambient,
    claim: Claim<'_>,
    work: impl FnOnce(&mut Recording<'_>) -> Result<T, Problem>,
) -> Result<T, Problem> {
    store.write("record", |tx| {
        let own = tx.own()?;
        if let Some(recover) = own.recover {
            let sentence = format!(
                "this device lost its newest entries ({} to {}); the server has them",
                own.head.seq + 1,
                recover.seq
            );
            return Err(Problem::new(Code::TailLost, sentence).hint("bring them back first: pintle sync"));
        }
        let wall = ambient.wall();
        let asked = claim.at.map(|text| asked::moment(text, &wall)).transpose()?;
        let (claimed, again) = asked.map_or((None, None), |AskedTime { at, again }| (Some(at), again));
        let by = match claim.by {
            Some(name) => names::person(tx, name)?,
            None => own.person,
        };
        work(&mut Recording { tx, own, wall, ambient, claimed, again, by, namesakes: 0, files: Vec::new() })
    })
}

impl Recording<'_> {
    /// When it happened, as claimed.
    #[must_use]
    pub fn at(&self) -> Moment {
        self.claimed.clone().unwrap_or_else(|| self.wall.now())
    }

    /// What is said from here on happened then: readings that a file tells with their own times.
    pub fn happened(&mut self, at: Moment) {
        self.claimed = Some(at);
    }

    /// The next entry names these files, which lie beside the log.
    pub fn attach(&mut self, files: Vec<FileRef>) {
        self.files = files;
    }

    /// A new machine's id.
    ///
    /// # Errors
    /// If the system has no random numbers to give.
    pub fn new_machine(&self) -> Result<MachineId, Problem> {
        random(self.ambient).map(MachineId)
    }

    /// A new person's id.
    ///
    /// # Errors
    /// If the system has no random numbers to give.
    pub fn new_person(&self) -> Result<PersonId, Problem> {
        random(self.ambient).map(PersonId)
    }

    /// Appends one entry to the log.
    ///
    /// # Errors
    /// `broken-rule` if the entry would have to stand aside, `may-not-clear`; then nothing is recorded.
    pub fn say(&mut self, saying: Saying) -> Result<Recorded, Problem> {
        let before = match saying.machine {
            Some(id) => Some(self.tx.machine(id)?.unwrap_or_else(|| Glance::unknown(id))),
            None => None,
        };
        let at = self.at();
        let (entry, fact) = self.entry(saying, &at, before.as_ref().map(|glance| glance.own_count + 1))?;
        let (odd, new_meter) = match &before {
            Some(glance) => self.judge(glance, &fact, &at)?,
            None => (None, None),
        };
        let head = self.own.head.after(&entry);
        let LogHead { seq, link } = head;
        self.tx.add_entry(&NewEntry { device: self.own.device, link: &link, entry: &entry, placed: None })?;
        for file in std::mem::take(&mut self.files) {
            self.tx.add_file(EntryRef { device: self.own.device, seq }, &file)?;
        }
        self.own.head = head;
        let machine = match &before {
            Some(glance) => {
                self.own.last_machine = Some(glance.id);
                let after = glance::after(self.tx, glance, &fact, &at, odd.as_ref())?;
                hazard::judge(self.tx, glance, &after, &fact)?;
                Some(after)
            }
            None => None,
        };
        self.tx.set_own(&self.own)?;
        let held =
            Held { device: self.own.device, link, position: None, received_ms: None, off_s: None, aside: None, entry };
        debug_assert_eq!(held.name(), EntryRef { device: self.own.device, seq });
        let mut tagged_out = machine.as_ref().map(|glance| glance.tagged_out.clone()).unwrap_or_default();
        tagged_out.retain(|tagged| tagged.entry != held.name());
        let names = self.names_for(&fact, &tagged_out)?;
        let said_by = (self.by != self.own.person).then_some(self.by);
        let next = match &machine {
            Some(machine) if outlook::is_answered(&fact) => {
                outlook::next(self.tx, &self.own, machine, &held, &self.wall)?
            }
            _ => None,
        };
        let (said_at, said_again, namesakes) = (self.claimed.clone(), self.again.clone(), self.namesakes);
        let latest_s = self.wall.second.saturating_add(CLOCK_OFF_MARKED_S);
        let ahead = said_at.as_ref().is_some_and(|at| at.second() > latest_s);
        Ok(Recorded {
            held,
            fact,
            machine,
            tagged_out,
            names,
            odd,
            new_meter,
            next,
            said_at,
            said_again,
            ahead,
            said_by,
            namesakes,
        })
    }

    /// The machine at the front of the words, taken off them; the machine used last where the first word is none.
    /// `is_else` tells words that stand for something else, unless a machine is called exactly that.
    ///
    /// # Errors
    /// `unknown-machine`, `which-machine`.
    pub fn machine_first(
        &mut self,
        words: &mut VecDeque<String>,
        is_else: impl Fn(&str) -> bool,
    ) -> Result<Glance, Problem> {
        let Some(first) = words.front() else { return names::last_machine(self.tx, &self.own) };
        let found = match names::machine_named(self.tx, first, Match::Exact)? {
            Some(found) => found,
            None if is_else(first) => return names::last_machine(self.tx, &self.own),
            None => match names::machine_named(self.tx, first, Match::Beginning)? {
                Some(found) => found,
                None => return Err(names::unknown_machine(self.tx, first)?),
            },
        };
        words.pop_front();
        self.namesakes = found.namesakes;
        Ok(found.glance)
    }

    /// What looks odd about the reading of a fact, and the name of its meter if the machine had none such before.
    fn judge(&self, glance: &Glance, fact: &Fact, at: &Moment) -> Result<(Option<Odd>, Option<String>), Problem> {
        let Some((reading, meter)) = fact.reading().and_then(|r| Some((r.reading?, r.meter.as_deref()))) else {
            return Ok((None, None));
        };
        let dial = Dial::of(self.tx, glance, meter)?;
        let odd = dial.last.and_then(|last| odd::judge(dial.kind, last, reading, at));
        Ok((odd, dial.meter.filter(|_| !dial.known)))
    }

    /// Most entries name only themselves; the others need everybody's names.
    fn names_for(&self, fact: &Fact, tagged_out: &[TaggedOut]) -> Result<Names, Problem> {
        let alone = matches!(
            fact,
            Fact::MachineAdded(_)
                | Fact::MachineChanged(_)
                | Fact::MeterRead(_)
                | Fact::MeterChanged(_)
                | Fact::FuelFilled(_)
                | Fact::TaskDone(_)
                | Fact::FindingRaised(_)
                | Fact::NoteLeft(_)
        );
        if !alone || !tagged_out.is_empty() {
            return Names::load(self.tx);
        }
        let mut names = Names::default();
        names.marks.insert(self.own.device, self.own.mark.clone());
        names.people.extend(self.tx.person_name(self.by)?.map(|name| (self.by, name)));
        Ok(names)
    }

    /// The position up to which all that the ledger had about a machine is here.
    fn seen(&self, machine: Option<MachineId>) -> Result<u64, Problem> {
        Ok(if self.tx.sees(machine)? { self.own.seen } else { 0 })
    }

    fn entry(&self, saying: Saying, at: &Moment, mseq: Option<u64>) -> Result<(Entry, Fact), Problem> {
        // Only kinds this program makes come here; each has a form.
        let (kind, body) = saying.fact.write().unwrap_or(("note_left", Map::new()));
        let head = Head {
            v: ENTRY_VERSION,
            seq: self.own.head.seq + 1,
            machine: saying.machine,
            mseq,
            seen: self.seen(saying.machine)?,
            also_seen: self.tx.also_seen()?,
            at: at.clone(),
            by: self.by,
            kind: kind.to_owned(),
            clock: evidence(self.ambient, &self.wall, self.claimed.as_ref()),
        };
        let has_words = saying.text.is_some() || !self.files.is_empty();
        let words = has_words.then(|| self.words(saying.text)).transpose()?;
        let entry = Entry::new(&head, body, words, None)?;
        let fact = Fact::read(&head, &entry)?;
        let bytes = entry.canonical().len();
        if bytes > ENTRY_BYTES_MAX {
            let detail = format!("an entry has at most {ENTRY_BYTES_MAX} bytes, this one {bytes}");
            return Err(Fault::new(code::ENTRY_TOO_LARGE, "", detail).into());
        }
        Ok((entry, fact))
    }

    /// Free text has a salt of its own, so that its hash cannot be guessed once it is withheld.
    fn words(&self, text: Option<String>) -> Result<Map<String, Value>, Problem> {
        let salt = pintle_core::ids::Salt(random(self.ambient)?);
        let mut words = Map::new();
        words.insert("salt".into(), Value::String(salt.to_string()));
        words.extend(text.map(|text| ("text".to_owned(), Value::String(text))));
        if !self.files.is_empty() {
            // A list of plain texts and numbers always has a JSON form.
            words.insert("files".into(), serde_json::to_value(&self.files).unwrap_or_default());
        }
        Ok(words)
    }
}
