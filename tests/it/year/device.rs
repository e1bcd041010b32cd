//! A device in memory: a log with a real chain, what it holds of the ledger, and core's half of sync.
//!
//! Promises: what it says is due comes from what it holds alone; a machine is folded anew only when an entry of it came
//! or got its place. Pages are checked before they are kept. Never looks into the server.

use super::dice::Dice;
use super::server::Server;
use pintle_core::agenda::{MachineDue, Pressing, Rank, TaggedOut};
use pintle_core::book::{Book, book};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::device::{Apply, Effect, Input, NetworkFailure, Outgoing, Session, Standing, Stop, check_page};
use pintle_core::entry::{ENTRY_VERSION, Entry, EntryRef, Head, Held};
use pintle_core::exchange::{ClockSample, Digest, Person, Push, Wanted};
use pintle_core::fact::administration::{Need, need};
use pintle_core::ids::{DeviceId, Hash, MachineId, RequestId};
use pintle_core::limits::PAGE_BYTES_START;
use pintle_core::moment::Moment;
use pintle_core::outlook::Outlook;
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Steps of a session after which it is said not to end.
const STEPS_MAX: usize = 2_000;

/// What was folded of a machine.
struct Folded {
    book: Book,
    outlook: Outlook,
}

/// The device.
pub struct Device {
    pub key: DeviceKey,
    pub person: Person,
    wanted: Option<Wanted>,
    standing: Standing,
    machines: BTreeMap<MachineId, Vec<Held>>,
    /// Where each entry is: its machine, and its place among the machine's.
    places: BTreeMap<EntryRef, (MachineId, usize)>,
    /// Entries about no machine: what the server writes down itself.
    general: BTreeMap<EntryRef, Held>,
    /// Entries with a position the cursor has not reached.
    ahead: Vec<(u64, Hash)>,
    folded: BTreeMap<MachineId, Folded>,
    dice: Dice,
    /// Replies that were lost on their way.
    pub replies_lost: u64,
}

impl Device {
    /// A device that is enrolled; without a wanted set it holds everything.
    pub fn new(number: u8, wanted: Option<BTreeSet<MachineId>>, server: &mut Server) -> Self {
        let key = DeviceKey::from_secret(&[number; 32]);
        let person = Person { id: pintle_core::PersonId([number; 16]), name: format!("Operator {number}") };
        let enrolled = server.enrol(&key, &format!("K{number}"), &person);
        let standing = Standing {
            organisation: enrolled.organisation.id,
            device: DeviceId::of_key(&key.public()),
            store: enrolled.store,
            epoch: enrolled.epoch,
            baton: enrolled.baton,
            cursor: None,
            position: 0,
            digest: Digest::default(),
            log: LogHead::empty(&key.public()),
            first_unplaced: None,
            recover: None,
            copied: false,
            directory: 0,
            bytes_max: PAGE_BYTES_START,
            carried: BTreeMap::new(),
            checkpoint: None,
        };
        Self {
            key,
            person,
            wanted: wanted.map(Wanted::only),
            standing,
            machines: BTreeMap::new(),
            places: BTreeMap::new(),
            general: BTreeMap::new(),
            ahead: Vec::new(),
            folded: BTreeMap::new(),
            dice: Dice::new(u64::from(number)),
            replies_lost: 0,
        }
    }

    pub fn id(&self) -> DeviceId {
        self.standing.device
    }

    /// Whether it holds a machine's entries.
    pub fn wants(&self, machine: MachineId) -> bool {
        let set = self.wanted.as_ref().and_then(|wanted| wanted.machines.as_ref());
        set.is_none_or(|set| set.contains(&machine))
    }

    pub fn holds(&self) -> impl Iterator<Item = &Held> {
        self.machines.values().flatten().chain(self.general.values())
    }

    pub fn held_of(&self, machine: MachineId) -> &[Held] {
        self.machines.get(&machine).map(Vec::as_slice).unwrap_or_default()
    }

    /// Records about a machine.
    pub fn record(&mut self, machine: MachineId, at: Moment, kind: &str, body: Value) -> EntryRef {
        let Value::Object(body) = body else { panic!("a body is an object: {body}") };
        let own = self.held_of(machine).iter().filter(|held| held.device == self.id()).count() as u64;
        let head = Head {
            v: ENTRY_VERSION,
            seq: self.standing.log.seq + 1,
            machine: Some(machine),
            mseq: Some(own + 1),
            seen: self.standing.position,
            also_seen: BTreeMap::new(),
            at,
            by: self.person.id,
            kind: kind.to_owned(),
            clock: None,
        };
        let words = Map::from_iter([("salt".to_owned(), "x".into()), ("text".to_owned(), "as I saw it".into())]);
        let entry = Entry::new(&head, body, Some(words), None).expect("an entry");
        self.standing.log = self.standing.log.after(&entry);
        self.standing.first_unplaced.get_or_insert(head.seq);
        let held = Held {
            device: self.id(),
            link: self.standing.log.link,
            position: None,
            received_ms: None,
            off_s: None,
            aside: None,
            entry,
        };
        let name = held.name();
        self.keep(machine, held);
        name
    }

    fn keep(&mut self, machine: MachineId, held: Held) {
        let entries = self.machines.entry(machine).or_default();
        self.places.insert(held.name(), (machine, entries.len()));
        entries.push(held);
        self.folded.remove(&machine);
    }

    fn held(&self, name: EntryRef) -> Option<&Held> {
        match self.places.get(&name) {
            Some((machine, place)) => self.machines.get(machine)?.get(*place),
            None => self.general.get(&name),
        }
    }

    /// Syncs until all is out and all is in, through a network that loses some replies.
    pub fn sync(&mut self, server: &mut Server) {
        let mut session = Session::default();
        let mut effects = session.step(Input::Begin(self.standing.clone()));
        for _ in 0..STEPS_MAX {
            let mut inputs = Vec::new();
            for effect in std::mem::take(&mut effects) {
                match effect {
                    Effect::Load { from, entries_max, .. } => {
                        inputs.push(Input::Loaded(Box::new(self.outgoing(from, entries_max, server))));
                    }
                    Effect::Send(request) => {
                        let reply = server.sync(&self.key, *request);
                        inputs.push(if self.dice.one_in(8) {
                            self.replies_lost += 1;
                            Input::Failed(NetworkFailure::TimedOut)
                        } else {
                            Input::Replied(Box::new(reply))
                        });
                    }
                    Effect::Apply(apply) => inputs.push(self.apply(*apply)),
                    Effect::Tell(notice) => panic!("nothing odd happens here: {notice:?}"),
                    Effect::Wait { .. } => inputs.push(Input::Waited),
                    Effect::Stop(Stop::Done) => return,
                    // Three replies in a row were lost: a person tries again.
                    Effect::Stop(Stop::NoSignal(_)) => return self.sync(server),
                    Effect::Stop(stop) => panic!("the session ended with {stop:?}"),
                }
            }
            effects = inputs.into_iter().flat_map(|input| session.step(input)).collect();
        }
        panic!("a session does not end");
    }

    fn outgoing(&mut self, from: Option<u64>, entries_max: usize, server: &Server) -> Outgoing {
        let own = |seq| self.held(EntryRef { device: self.id(), seq });
        let push = from.map(|from| {
            let last = self.standing.log.seq.min(from + entries_max as u64 - 1);
            let held: Vec<&Held> = (from..=last).map(|seq| own(seq).expect("an own entry")).collect();
            let head = LogHead { seq: last, link: held.last().expect("an entry to push").link };
            let before = from.checked_sub(1).and_then(own).map(|held| held.link);
            Push {
                from,
                previous: before.unwrap_or(LogHead::empty(&self.key.public()).link),
                signature: self.key.seal(&self.standing.organisation, from, &head).signature,
                entries: held.into_iter().map(|held| held.entry.clone()).collect(),
            }
        });
        let at = Moment::at(server.now_s(), 0).expect("a moment");
        Outgoing {
            request: RequestId(self.dice.bytes()),
            clock: ClockSample { at, boot: None, up_s: None },
            push,
            carried: None,
            people: vec![self.person.clone()],
            wanted: self.wanted.clone(),
        }
    }

    fn apply(&mut self, apply: Apply) -> Input {
        let link = |device, seq| self.held(EntryRef { device, seq }).map(|held| held.link);
        if let Err(fault) = check_page(&apply.entries, link) {
            return Input::Distrusted(fault);
        }
        assert!(!apply.void && !apply.rewind && apply.asides.is_empty(), "nothing odd happens here: {apply:?}");
        for run in &apply.receipts {
            for seq in run.from..=run.to {
                let position = run.position + (seq - run.from);
                self.place(EntryRef { device: self.id(), seq }, position, run.received_ms, run.off_s);
            }
            self.standing.first_unplaced = Some(run.to + 1).filter(|next| *next <= self.standing.log.seq);
        }
        for pulled in apply.entries {
            let head = pulled.entry.head().expect("a sound head");
            let name = EntryRef { device: pulled.device, seq: pulled.entry.seq() };
            let Some(machine) = head.machine else {
                assert_eq!(need(&head.kind), Need::Server, "people record about machines here: {head:?}");
                let (position, link) = (pulled.position, pulled.link);
                if self.general.insert(name, pulled.into()).is_none() {
                    self.ahead.push((position, link));
                }
                continue;
            };
            assert!(self.wants(machine), "{machine} was not wanted");
            if self.places.contains_key(&name) {
                // A first exchange brings back what this device has just sent.
                self.place(name, pulled.position, pulled.received_ms, pulled.off_s);
            } else {
                self.ahead.push((pulled.position, pulled.link));
                self.keep(machine, pulled.into());
            }
        }
        if let Some((cursor, position)) = apply.cursor {
            (self.standing.cursor, self.standing.position) = (Some(cursor), position);
        }
        let (reached, ahead) =
            std::mem::take(&mut self.ahead).into_iter().partition(|(at, _)| *at <= self.standing.position);
        let reached: Vec<(u64, Hash)> = reached;
        self.ahead = ahead;
        self.standing.digest = reached.iter().fold(self.standing.digest, |digest, (_, link)| digest.with(link));
        if let Some(directory) = apply.directory {
            self.standing.directory = directory.version;
        }
        (self.standing.store, self.standing.epoch, self.standing.baton) = (apply.store, apply.epoch, apply.baton);
        (self.standing.copied, self.standing.bytes_max) = (apply.copied, apply.bytes_max);
        Input::Applied(self.standing.clone())
    }

    fn place(&mut self, name: EntryRef, position: u64, received_ms: i64, off_s: Option<i64>) {
        let (machine, at) = self.places[&name];
        let held = &mut self.machines.get_mut(&machine).expect("a machine")[at];
        if held.position.is_none() {
            self.ahead.push((position, held.link));
        }
        (held.position, held.received_ms, held.off_s) = (Some(position), Some(received_ms), off_s);
        self.folded.remove(&machine);
    }

    fn folded(&mut self, machine: MachineId) -> &Folded {
        let entries = self.machines.get(&machine).map(Vec::as_slice).unwrap_or_default();
        self.folded.entry(machine).or_insert_with(|| {
            let book = book(machine, entries);
            let outlook = Outlook::of(&book);
            Folded { book, outlook }
        })
    }

    pub fn book(&mut self, machine: MachineId) -> &Book {
        &self.folded(machine).book
    }

    /// What is due on a machine at a moment, as this device knows it, with its place in the list.
    pub fn due(&mut self, machine: MachineId, at: &Moment) -> (Rank, MachineDue) {
        let Folded { book, outlook } = self.folded(machine);
        let (second, offset_s) = (at.second(), at.offset_s());
        let tagged_out = TaggedOut::of(&book.findings);
        let first = outlook.first(second, offset_s);
        let pressing = if tagged_out.is_empty() { Pressing::Due(first) } else { Pressing::TaggedOut(first) };
        let site = book.attributes.get("site").and_then(|said| said.value.as_str()).map(str::to_owned);
        let due = outlook.due(second, offset_s);
        let told = MachineDue { machine, name: book.name().to_owned(), site, tagged_out, due };
        (Rank::of(pressing, &told.name, machine), told)
    }

    /// What is due on all machines, the first thing to do first.
    pub fn due_on_all(&mut self, at: &Moment) -> Vec<MachineDue> {
        let machines: Vec<MachineId> = self.machines.keys().copied().collect();
        let mut list: Vec<(Rank, MachineDue)> = machines.into_iter().map(|machine| self.due(machine, at)).collect();
        list.sort_by_key(|(rank, _)| *rank);
        list.into_iter().map(|(_, told)| told).collect()
    }
}
