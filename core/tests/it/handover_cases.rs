//! What the next operator is told.
//!
//! Who has seen what is said by the ledger: a note made earlier, on a device not synced with, is still news.

use crate::world::World;
use pintle_core::handover::handover;
use pintle_core::ids::PersonId;
use serde_json::json;

#[test]
fn the_next_operator_learns_what_the_last_one_noticed() {
    let mut world = World::new(2);
    world.record(0, 0, "machine_added", json!({"name": "EX3"}));
    world.record_words(1, 5, "note_left", json!({}), Some("old news"));
    world.sync(0);
    world.sync(1);
    world.sync(0);
    world.record(0, 10, "shift_begun", json!({"reading": "4100"}));
    let squeak = world.record(1, 60, "finding_raised", json!({"sign": "squeak", "urgency": "soon", "point": "stick"}));
    let crack = world.record(1, 61, "finding_raised", json!({"sign": "crack", "urgency": "tagged out"}));
    world.record(
        1,
        70,
        "task_done",
        json!({"task": "grease", "purge": "clean", "purge_at": {"stick": "water"}, "skipped": [{"point": "boom foot", "reason": "mud"}]}),
    );
    world.record_words(1, 80, "note_left", json!({"handover": true}), Some("left mirror loose"));
    world.record_words(0, 81, "note_left", json!({}), Some("my own note"));
    let told = handover(&world.book(), PersonId([1; 16]), 1_780_000_000 + 90 * 60, 0);
    assert_eq!(told.tagged_out.iter().map(|f| f.stamp.entry).collect::<Vec<_>>(), [crack]);
    assert_eq!(told.findings.iter().map(|f| f.stamp.entry).collect::<Vec<_>>(), [squeak]);
    assert_eq!(told.skipped.iter().map(|s| s.point.as_str()).collect::<Vec<_>>(), ["boom foot"]);
    assert_eq!(told.purges.iter().map(|p| p.point.clone()).collect::<Vec<_>>(), [Some("stick".to_owned())]);
    let texts: Vec<Option<&str>> = told.notes.iter().map(|n| n.text.as_deref()).collect();
    assert_eq!(texts, [Some("left mirror loose")], "made before their own note, but they cannot have seen it");
    let told = handover(&world.book(), PersonId([9; 16]), 1_780_000_000 + 90 * 60, 0);
    let texts: Vec<Option<&str>> = told.notes.iter().map(|n| n.text.as_deref()).collect();
    assert_eq!(texts, [Some("my own note"), Some("left mirror loose"), Some("old news")], "who never had it hears all");
    assert!(told.due.iter().any(|d| d.task == "grease" && d.why.contains("boom foot")), "{:?}", told.due);
}
