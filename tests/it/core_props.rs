//! Laws of the domain over generated values and logs: canonical bytes, strict reading, and the server's decision.
//!
//! Promises: however a log is cut into pushes, with repeats and overlaps, it ends as the same ledger with each entry
//! written once; and whatever differs from what is held is a fork, at the first number that differs. A failing case
//! prints the smallest input that fails. The laws of the fold stand with core.

use pintle_core::admit::{self, Admission, Author, Checked, Known, Refused, Stored};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Entry, Head};
use pintle_core::exchange::{ClockSample, Push};
use pintle_core::ids::{DeviceId, MachineId, OrganisationId, PersonId};
use pintle_core::permission::Role;
use pintle_core::{Fact, canonical};
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
const NOW_MS: i64 = 1_777_870_200_000;

// --- Canonical bytes ---------------------------------------------------------------------------------------------

fn text() -> impl Strategy<Value = String> {
    "[\\x01-\\x{10ffff}]{0,12}".prop_map(|text| text.replace('\0', ""))
}

fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-9_007_199_254_740_991_i64..=9_007_199_254_740_991).prop_map(Value::from),
        text().prop_map(Value::from),
    ];
    leaf.prop_recursive(5, 48, 6, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            proptest::collection::btree_map(text(), inner, 0..6)
                .prop_map(|map| Value::Object(map.into_iter().collect::<Map<_, _>>())),
        ]
    })
}

/// The keys of every object in the text stand in the order of their UTF-16 code units.
fn sorted(value: &Value, bytes: &[u8]) -> bool {
    match value {
        Value::Object(map) => {
            let mut keys: Vec<&String> = map.keys().collect();
            keys.sort_by_key(|key| key.encode_utf16().collect::<Vec<_>>());
            let pieces = keys.iter().map(|key| {
                let (key, item) = (canonical::bytes(&json!(key)), canonical::bytes(&map[*key]));
                [key, b":".to_vec(), item].concat()
            });
            bytes == [b"{".to_vec(), pieces.collect::<Vec<_>>().join(&b","[..]), b"}".to_vec()].concat()
                && map.values().all(|item| sorted(item, &canonical::bytes(item)))
        }
        Value::Array(items) => items.iter().all(|item| sorted(item, &canonical::bytes(item))),
        _ => true,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn canonical_bytes_read_back_to_the_same_and_are_sorted(value in value()) {
        let bytes = canonical::bytes(&value);
        let again = canonical::read(&bytes).expect("canonical bytes are read");
        prop_assert_eq!(&again, &value);
        prop_assert_eq!(canonical::bytes(&again), bytes.clone());
        prop_assert!(sorted(&value, &bytes));
        // Any other spelling of the same value has the same canonical bytes.
        let spaced = serde_json::to_vec_pretty(&value).expect("JSON");
        prop_assert_eq!(canonical::bytes(&canonical::read(&spaced).expect("JSON is read")), bytes);
    }

    #[test]
    fn reading_any_bytes_ends_in_a_value_or_a_fault(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(value) = canonical::read(&bytes) {
            prop_assert_eq!(canonical::check(&value), Ok(()));
        }
    }

    #[test]
    fn any_json_is_an_entry_or_a_fault(value in value(), head in value(), part in "head|body|words|office|withheld|x") {
        for candidate in [json!({"head": head, "body": {}, part.clone(): value}), value] {
            if let Ok(entry) = Entry::from_value(candidate.clone()) {
                prop_assert_eq!(Entry::from_bytes(&entry.canonical()), Ok(entry));
            }
        }
    }
}

// --- The server's decision ---------------------------------------------------------------------------------------

fn key() -> DeviceKey {
    DeviceKey::from_secret(&[5; 32])
}

/// What a log is made of: each entry's machine (none for a note to all), and a word to tell logs apart.
type Lines = Vec<(Option<u8>, u8)>;

fn lines() -> impl Strategy<Value = Lines> {
    proptest::collection::vec((proptest::option::of(0..3_u8), any::<u8>()), 1..40)
}

fn log(lines: &Lines) -> (Vec<Entry>, Vec<LogHead>) {
    let mut counts = BTreeMap::new();
    let mut heads = vec![LogHead::empty(&key().public())];
    let mut entries = Vec::new();
    for (seq, (machine, word)) in (1..).zip(lines) {
        let machine = machine.map(|byte| MachineId([byte; 16]));
        let mseq = machine.map(|machine| {
            let count: &mut u64 = counts.entry(machine).or_default();
            *count += 1;
            *count
        });
        let head = Head {
            v: 1,
            seq,
            machine,
            mseq,
            seen: 0,
            also_seen: BTreeMap::new(),
            at: "2026-05-04T04:00:00Z".parse().expect("a moment"),
            by: PersonId([1; 16]),
            kind: "note_left".into(),
            clock: None,
        };
        let words = Map::from_iter([("text".to_owned(), json!(format!("{word}")))]);
        let entry = Entry::new(&head, Map::new(), Some(words), None).expect("an entry");
        assert!(Fact::read(&head, &entry).is_ok());
        heads.push(heads.last().expect("a head").after(&entry));
        entries.push(entry);
    }
    (entries, heads)
}

/// The push of the entries `from` to `to` of a log.
fn push(entries: &[Entry], heads: &[LogHead], from: usize, to: usize) -> Push {
    Push {
        from: from as u64,
        previous: heads[from - 1].link,
        entries: entries[from - 1..to].to_vec(),
        signature: key().seal(&ORGANISATION, from as u64, &heads[to]).signature,
    }
}

fn checked(push: Push) -> Checked {
    admit::check(push, &key().public(), &ORGANISATION).expect("a chain and a seal that hold")
}

/// A ledger of one device, as a store keeps it.
struct Ledger {
    head: LogHead,
    stored: BTreeMap<u64, Stored>,
    counts: BTreeMap<MachineId, u64>,
}

impl Ledger {
    fn empty() -> Self {
        Self { head: LogHead::empty(&key().public()), stored: BTreeMap::new(), counts: BTreeMap::new() }
    }

    fn decide(&self, checked: &Checked) -> Admission {
        // No more than the contract of `Known` promises: the numbers from `from − 1` to `to`.
        let stored = self.stored.range(checked.from - 1..=checked.seal.to).map(|(seq, s)| (*seq, s.clone())).collect();
        let known = Known {
            head: self.head,
            author: Author::Person(Role::Owner),
            revoked: false,
            stored,
            machine_counts: self.counts.clone(),
        };
        let at = "2026-05-04T04:00:00Z".parse().expect("a moment");
        admit::admit(checked, &known, &ClockSample { at, boot: None, up_s: None }, NOW_MS)
    }

    fn take(&mut self, checked: &Checked) -> Admission {
        let admission = self.decide(checked);
        if let Admission::Write { fresh, head, machine_counts } = &admission {
            for entry in fresh {
                let position = self.stored.len() as u64 + 1;
                assert_eq!(entry.aside, None);
                let before = self.stored.insert(entry.entry.seq(), entry.stored(position, NOW_MS));
                assert_eq!(before, None, "an entry was written twice");
            }
            self.head = *head;
            self.counts.clone_from(machine_counts);
        }
        admission
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 250, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_split_of_a_log_ends_in_the_same_ledger(
        lines in lines(),
        cuts in proptest::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>()), 0..12),
    ) {
        let (entries, heads) = log(&lines);
        let mut ledger = Ledger::empty();
        for (from, length) in cuts {
            let from = 1 + from.index(entries.len());
            let to = from + length.index(entries.len() - from + 1);
            let held = ledger.head.seq;
            let pushed = checked(push(&entries, &heads, from, to));
            let admission = ledger.take(&pushed);
            match &admission {
                Admission::Gap { expected } => {
                    prop_assert!(from as u64 > held + 1);
                    prop_assert_eq!(*expected, held + 1);
                }
                Admission::Held => prop_assert!(to as u64 <= held),
                Admission::Write { fresh, .. } => prop_assert_eq!(fresh.len() as u64, to as u64 - held),
                Admission::Fork { seq } => prop_assert!(false, "a fork at {} of an honest log", seq),
            }
            // The same bytes again change nothing: a lost reply costs nothing.
            if !matches!(admission, Admission::Gap { .. }) {
                prop_assert_eq!(ledger.decide(&pushed), Admission::Held);
                let answer = admit::answer(&Admission::Held, &pushed, false, &ledger.stored);
                let placed: u64 = answer.held.iter().map(|run| run.to - run.from + 1).sum();
                prop_assert_eq!(placed, (to - from + 1) as u64);
            }
        }
        ledger.take(&checked(push(&entries, &heads, 1, entries.len())));
        prop_assert_eq!(ledger.head, heads[entries.len()]);
        prop_assert!(ledger.stored.keys().copied().eq(1..=entries.len() as u64));
        prop_assert!(ledger.stored.values().map(|s| s.position).eq(1..=entries.len() as u64));
        for (seq, stored) in &ledger.stored {
            prop_assert_eq!(stored.link, heads[usize::try_from(*seq).expect("small")].link);
        }
    }

    #[test]
    fn a_changed_entry_in_the_overlap_is_a_fork_where_it_first_differs(
        lines in lines(),
        place in any::<prop::sample::Index>(),
        from in any::<prop::sample::Index>(),
        to in any::<prop::sample::Index>(),
    ) {
        let (entries, heads) = log(&lines);
        let mut ledger = Ledger::empty();
        ledger.take(&checked(push(&entries, &heads, 1, entries.len())));
        let mut other = lines.clone();
        let place = place.index(other.len());
        other[place].1 ^= 1;
        let (entries, heads) = log(&other);
        let changed = place + 1;
        let from = 1 + from.index(entries.len());
        let to = from + to.index(entries.len() - from + 1);
        let admission = ledger.take(&checked(push(&entries, &heads, from, to)));
        // From behind the change only the link before the push can show it.
        let expected = if to < changed { Admission::Held } else { Admission::Fork { seq: changed.max(from - 1) as u64 } };
        prop_assert_eq!(admission, expected);
        prop_assert_eq!(ledger.stored.len(), entries.len());
    }

    #[test]
    fn entries_may_come_in_any_order_but_not_changed(
        lines in lines(),
        order in any::<u64>(),
        bent in any::<prop::sample::Index>(),
    ) {
        let (entries, heads) = log(&lines);
        let honest = push(&entries, &heads, 1, entries.len());
        let mut shuffled = honest.clone();
        shuffled.entries.sort_by_key(|entry| entry.seq().wrapping_mul(order | 1));
        prop_assert_eq!(checked(shuffled), checked(honest.clone()));

        let mut swapped = honest.clone();
        let index = bent.index(entries.len());
        let mut changed = lines.clone();
        changed[index].1 ^= 0x40;
        swapped.entries[index] = log(&changed).0[index].clone();
        prop_assert_eq!(admit::check(swapped, &key().public(), &ORGANISATION), Err(Refused::BadSeal));

        let another = OrganisationId([8; 16]);
        prop_assert_eq!(admit::check(honest.clone(), &key().public(), &another), Err(Refused::BadSeal));
        let stranger = DeviceKey::from_secret(&[6; 32]).public();
        prop_assert!(admit::check(honest.clone(), &stranger, &ORGANISATION).is_err());
        prop_assert_ne!(DeviceId::of_key(&stranger), DeviceId::of_key(&key().public()));

        let mut holed = honest;
        if holed.entries.len() > 2 {
            holed.entries.remove(1 + index % (holed.entries.len() - 2));
            prop_assert!(matches!(admit::check(holed, &key().public(), &ORGANISATION), Err(Refused::Malformed(_))));
        }
    }
}
