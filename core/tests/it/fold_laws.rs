//! Laws of the fold: order of arrival and repetition never matter, and nothing disappears.
//!
//! Worlds are generated: devices record things that refer to one another, seeing more or less of each other.

use crate::world::{EX3, World};
use pintle_core::book::book;
use pintle_core::entry::EntryRef;
use proptest::prelude::*;
use serde_json::json;

/// One step of a generated world: which device does what; `pick` chooses what it refers to.
#[derive(Debug, Clone)]
struct Step {
    device: usize,
    act: u8,
    minute: i64,
    pick: usize,
    amount: u32,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = (0..3usize, 0..18u8, 0..4000i64, any::<usize>(), 0..4000u32)
        .prop_map(|(device, act, minute, pick, amount)| Step { device, act, minute, pick, amount });
    proptest::collection::vec(step, 1..45)
}

fn build(steps: &[Step]) -> World {
    let mut world = World::new(3);
    let mut names: Vec<EntryRef> = vec![world.record(0, 0, "machine_added", json!({"name": "EX3"}))];
    for step in steps {
        let target = names[step.pick % names.len()];
        let second = names[(step.pick / 7) % names.len()];
        let hours = format!("{}.{}", 4000 + step.amount / 40, step.amount % 10);
        let (kind, body) = match step.act {
            0 => {
                world.sync(step.device);
                continue;
            }
            1 => {
                world.push(step.device);
                continue;
            }
            2 => ("machine_changed", json!({"site": format!("site {}", step.amount % 3)})),
            3 | 4 => ("meter_read", json!({"reading": hours})),
            5 => ("fuel_filled", json!({"litres": (step.amount % 200).to_string()})),
            6 | 7 => ("task_done", json!({"task": "grease", "reading": hours, "skipped": [{"point": "boom foot"}]})),
            8 => ("finding_raised", json!({"sign": "squeak", "urgency": "tagged out"})),
            9 => ("repair_done", json!({"closes": [target, second]})),
            10 => ("finding_cleared", json!({"finding": target})),
            11 => (
                "corrected",
                json!({"target": target, "field": "/body/litres", "value": (step.amount % 9).to_string()}),
            ),
            12 => ("corrected", json!({"target": target, "field": "/body/reading", "value": hours})),
            13 => ("struck", json!({"target": target})),
            14 => {
                let book = world.book();
                let open = book.clashes.iter().map(|c| (&c.matter, &c.sides));
                let open: Vec<_> = open.chain(book.twins.iter().map(|t| (&t.matter, &t.sides))).collect();
                let Some((matter, sides)) = open.get(step.pick % open.len().max(1)) else { continue };
                let over: Vec<EntryRef> = sides.iter().map(|s| s.entry).collect();
                let choice = match step.amount % 3 {
                    0 => json!("both"),
                    1 => json!("same"),
                    _ => json!({"entry": over[step.pick % over.len()]}),
                };
                ("settled", json!({"matter": matter, "over": over, "choice": choice}))
            }
            15 => ("released", json!({"target": target})),
            16 => {
                // As of a device that had been revoked.
                if let Some(last) = world.held.last_mut() {
                    last.aside = Some("device-revoked".into());
                }
                continue;
            }
            _ => ("note_left", json!({})),
        };
        names.push(world.record(step.device, step.minute, kind, body));
    }
    world
}

fn bytes(world: &World) -> String {
    serde_json::to_string(&world.book()).expect("a book is JSON")
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn order_and_repetition_never_matter(steps in steps(), seed in any::<u64>(), doubled in any::<u64>()) {
        let mut world = build(&steps);
        let first = bytes(&world);
        // A permutation from the seed, with some entries twice.
        let mut state = seed | 1;
        let mut next = move || { state ^= state << 13; state ^= state >> 7; state ^= state << 17; state };
        for n in (1..world.held.len()).rev() {
            world.held.swap(n, usize::try_from(next() % (n as u64 + 1)).expect("small"));
        }
        let copies: Vec<_> = world.held.iter().enumerate().filter(|(n, _)| doubled >> (n % 64) & 1 == 1).map(|(_, h)| h.clone()).collect();
        world.held.extend(copies);
        prop_assert_eq!(&first, &bytes(&world));
    }

    #[test]
    fn parts_joined_in_any_order_are_the_whole(steps in steps(), cut in any::<u64>()) {
        let world = build(&steps);
        let (a, b): (Vec<_>, Vec<_>) = world.held.iter().cloned().enumerate().partition(|(n, _)| cut >> (n % 64) & 1 == 1);
        let mut joined: Vec<_> = b.into_iter().chain(a).map(|(_, h)| h).collect();
        joined.reverse();
        prop_assert_eq!(bytes(&world), serde_json::to_string(&book(EX3, &joined)).expect("JSON"));
    }

    #[test]
    fn every_entry_is_counted_and_every_open_side_is_held(steps in steps()) {
        let world = build(&steps);
        let book = world.book();
        prop_assert_eq!(book.counts.entries, world.held.len() as u64);
        for side in book.clashes.iter().flat_map(|c| &c.sides).chain(book.twins.iter().flat_map(|t| &t.sides)) {
            prop_assert!(world.held.iter().any(|h| h.name() == side.entry));
        }
        for clash in &book.clashes {
            prop_assert!(clash.sides.len() >= 2);
            prop_assert!(clash.sides.iter().any(|s| s.entry == clash.used));
        }
    }

    #[test]
    fn a_book_reads_back_from_its_json(steps in steps()) {
        let book = build(&steps).book();
        let text = serde_json::to_string(&book).expect("JSON");
        prop_assert_eq!(serde_json::from_str::<pintle_core::book::Book>(&text).expect("reads back"), book);
    }

    #[test]
    fn syncing_everyone_and_settling_everything_leaves_no_clash(steps in steps()) {
        let mut world = build(&steps);
        // Each round settles what is open, by one person who has seen everything; settling must not breed clashes.
        for round in 0..60 {
            (0..3).for_each(|d| world.push(d));
            world.sync(0);
            let book = world.book();
            if book.clashes.is_empty() && book.twins.is_empty() {
                return Ok(());
            }
            let open: Vec<_> = book.clashes.iter().map(|c| (c.matter.clone(), c.sides.clone(), json!({"entry": c.used})))
                .chain(book.twins.iter().map(|t| (t.matter.clone(), t.sides.clone(), json!("same")))).collect();
            for (matter, sides, choice) in open {
                let over: Vec<EntryRef> = sides.iter().map(|s| s.entry).collect();
                world.record(0, 5000 + round, "settled", json!({"matter": matter, "over": over, "choice": choice}));
            }
        }
        prop_assert!(false, "still open after 60 rounds: {:?} {:?}", world.book().clashes, world.book().twins);
    }
}
