//! What becomes of a push: taken, held, a gap, a fork, set aside; and what of it is kept.
//!
//! Promises: after each outcome both the answer and the ledger are looked at.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, EX4, all_after, clock};
use pintle_core::admit::Admission;
use pintle_core::chain::verify_seal;
use pintle_core::exchange::{PushOutcome, Receipt};
use pintle_core::fault::code;
use pintle_core::ids::{MachineId, OrganisationId};
use pintle_core::limits::PUSH_ENTRIES_MAX;
use pintle_store::{Actor, BranchEntry, Changed, DeviceScope, StoreError};
use serde_json::json;

/// Positions after `start`, counted from there, and numbers of the entries that stand there.
async fn ledger(bed: &Bed, organisation: OrganisationId, start: u64) -> Vec<(u64, u64)> {
    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    page.entries.iter().map(|held| (held.position.expect("it has a position") - start, held.entry.seq())).collect()
}

pub async fn a_push_is_taken_whole_and_held_when_it_comes_again(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "squeaks");
    device.note(None, "rain");
    device.note(Some(EX3), "greased");
    let start = bed.end(organisation).await;
    let first = device.push_on(&bed, 1).await;
    let receipt = Receipt { from: 1, to: 3, position: start + 1, received_ms: NOW_MS, off_s: None };
    assert_eq!(first.answer.held, std::slice::from_ref(&receipt));
    assert_eq!(first.answer.aside, []);
    assert_eq!(first.head, device.end());

    // The reply was lost: the same bytes again, later.
    let checked = device.batch(1, 3);
    let again = bed.store.push(device.scope(), &checked, &clock(), NOW_MS + 5000).await.expect("it answers");
    assert_eq!(again.admission, Admission::Held);
    assert_eq!(again.answer.outcome, PushOutcome::AlreadyHeld);
    assert_eq!(again.answer.held, [receipt]);
    assert_eq!(again.head, device.end());

    // An overlap: what is held stays, what is new follows.
    device.note(Some(EX3), "quiet now");
    let checked = device.batch(2, 4);
    let on = bed.store.push(device.scope(), &checked, &clock(), NOW_MS + 9000).await.expect("it answers");
    assert_eq!(on.answer.outcome, PushOutcome::Accepted);
    let runs: Vec<_> = on.answer.held.iter().map(|r| (r.from, r.to, r.position, r.received_ms)).collect();
    assert_eq!(runs, [(2, 3, start + 2, NOW_MS), (4, 4, start + 4, NOW_MS + 9000)]);

    assert_eq!(ledger(&bed, organisation, start).await, [(1, 1), (2, 2), (3, 3), (4, 4)]);
    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    assert_eq!(page.entries.iter().map(|held| held.entry.clone()).collect::<Vec<_>>(), device.log);
    let links: Vec<_> = page.entries.iter().map(|held| held.link).collect();
    assert_eq!(links, device.heads[1..].iter().map(|head| head.link).collect::<Vec<_>>());
    assert_eq!(bed.store.device(device.id).await.expect("it answers").expect("enrolled").head, device.end());
}

pub async fn a_gap_says_where_to_go_on_and_writes_nothing(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    (0..6).for_each(|n| _ = device.note(Some(EX3), &format!("note {n}")));
    let start = bed.end(organisation).await;
    device.push(&bed, 1, 2).await;
    let gap = device.push(&bed, 5, 6).await;
    assert_eq!(gap.admission, Admission::Gap { expected: 3 });
    assert_eq!((gap.answer.outcome, gap.answer.seq), (PushOutcome::Gap, Some(3)));
    assert_eq!(gap.head, device.heads[2]);
    assert_eq!(ledger(&bed, organisation, start).await, [(1, 1), (2, 2)]);
    device.push_on(&bed, 3).await;
    assert_eq!(ledger(&bed, organisation, start).await.len(), 6);
}

pub async fn a_fork_is_kept_beside_the_ledger_once_and_byte_for_byte(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    (0..4).for_each(|n| _ = device.note(Some(EX3), &format!("note {n}")));
    let mut copy = device.back_at(2);
    copy.note(Some(EX3), "the copy's third");
    copy.note(Some(EX4), "the copy's fourth");
    copy.note(None, "the copy's fifth");
    let start = bed.end(organisation).await;
    device.push_on(&bed, 1).await;
    for _ in 0..2 {
        // From the start, so that two of its entries are the ledger's own.
        let fork = copy.push(&bed, 1, 5).await;
        assert_eq!(fork.admission, Admission::Fork { seq: 3 });
        assert_eq!((fork.answer.outcome, fork.answer.seq), (PushOutcome::Fork, Some(3)));
        assert_eq!(fork.head, device.end());
    }
    let branches = bed.store.branches(organisation).await.expect("branches");
    let [branch] = branches.as_slice() else { panic!("one branch, not {branches:?}") };
    assert_eq!((branch.device, branch.from, branch.count, branch.received_ms), (device.id, 3, 3, NOW_MS));
    assert_eq!((branch.previous, branch.link), (device.heads[2].link, copy.end().link));
    assert_eq!((branch.seal.from, branch.seal.to, branch.seal.link), (1, 5, copy.end().link));
    assert!(verify_seal(&device.key, &organisation, &branch.seal));
    let kept = bed.store.branch_entries(organisation, device.id, 3, branch.link).await.expect("its entries");
    let expected: Vec<_> = (3..=5).map(|n| (copy.heads[n].link, copy.log[n - 1].canonical())).collect();
    let kept: Vec<_> = kept.into_iter().map(|BranchEntry { link, entry }| (link, entry.canonical())).collect();
    assert_eq!(kept, expected);
    assert_eq!(ledger(&bed, organisation, start).await.len(), 4, "a branch has no position");
    assert_eq!(bed.store.machine(organisation, EX4).await.expect("it answers"), None);

    // The fork lies before the push: all of it is kept, as another branch.
    let before = copy.push(&bed, 5, 5).await;
    assert_eq!(before.admission, Admission::Fork { seq: 4 });
    let branches = bed.store.branches(organisation).await.expect("branches");
    assert_eq!(branches.iter().map(|branch| (branch.from, branch.count)).collect::<Vec<_>>(), [(3, 3), (5, 1)]);
}

pub async fn what_a_copy_pushed_is_kept_whole_and_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    (0..3).for_each(|n| _ = device.note(Some(EX3), &format!("note {n}")));
    let start = bed.end(organisation).await;
    device.push(&bed, 1, 2).await;
    let copied = device.batch(2, 3);
    for later in 0..2 {
        let stored = bed.store.branch_keep(device.scope(), &copied, NOW_MS + later).await.expect("it is kept");
        assert_eq!(stored.keys().copied().collect::<Vec<_>>(), [2], "what of it the ledger holds");
        assert_eq!(stored[&2].link, copied.entries[0].link);
    }
    let branches = bed.store.branches(organisation).await.expect("branches");
    let kept: Vec<_> = branches.iter().map(|b| (b.from, b.count, b.link, b.received_ms)).collect();
    assert_eq!(kept, [(2, 2, device.end().link, NOW_MS)]);
    assert_eq!(ledger(&bed, organisation, start).await.len(), 2);

    // A later branch comes first.
    bed.store.branch_keep(device.scope(), &device.batch(1, 1), NOW_MS + 7).await.expect("it is kept");
    let branches = bed.store.branches(organisation).await.expect("branches");
    assert_eq!(branches.iter().map(|b| b.from).collect::<Vec<_>>(), [1, 2]);
}

pub async fn a_revoked_device_s_push_is_kept_and_stands_aside(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "before");
    let start = bed.end(organisation).await;
    device.push_on(&bed, 1).await;
    assert_eq!(
        bed.store.device_revoke(Actor::operator(organisation), device.id, NOW_MS).await.expect("it answers"),
        Changed::Done
    );
    device.note(Some(EX3), "after");
    let pushed = device.push(&bed, 2, 2).await;
    assert_eq!(pushed.answer.outcome, PushOutcome::Revoked);
    assert_eq!(pushed.head, device.end());
    let asides: Vec<_> = pushed.answer.aside.iter().map(|aside| (aside.seq, aside.code.as_str())).collect();
    assert_eq!(asides, [(2, code::DEVICE_REVOKED)]);
    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    let asides: Vec<_> = page.entries.iter().map(|held| (held.device == device.id, held.aside.as_deref())).collect();
    let written_down = (false, None);
    assert_eq!(asides, [(true, None), written_down, (true, Some(code::DEVICE_REVOKED))]);
}

pub async fn what_breaks_a_rule_is_taken_and_stands_aside(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "one");
    device.note_as(Some(EX3), Some(5), "a jump");
    device.unreadable();
    device.note_as(Some(EX3), Some(6), "goes on from the jump");
    device.value(json!({"head": {"v": 1, "machine": EX3, "mseq": 7, "seen": 0, "at": "2026-05-04T07:12:33+02:00",
        "by": "AQEBAQEBAQEBAQEBAQEBAQ", "kind": "greeting_of_tomorrow"}, "body": {"later": {"kept": true}}}));
    let start = bed.end(organisation).await;
    let pushed = device.push_on(&bed, 1).await;
    let asides = |aside: &[pintle_core::exchange::Aside]| {
        aside.iter().map(|aside| (aside.seq, aside.code.clone())).collect::<Vec<_>>()
    };
    let expected = [(2, code::MACHINE_SEQUENCE_GAP.to_owned()), (3, code::MALFORMED_ENTRY.to_owned())];
    assert_eq!(asides(&pushed.answer.aside), expected);
    let again = device.push(&bed, 1, 5).await;
    assert_eq!(asides(&again.answer.aside), expected, "told again after a lost reply");

    // The running count is remembered from one push to the next.
    device.note_as(Some(EX3), Some(9), "another jump");
    device.note_as(Some(EX4), Some(1), "another machine");
    let on = device.push_on(&bed, 6).await;
    assert_eq!(asides(&on.answer.aside), [(6, code::MACHINE_SEQUENCE_GAP.to_owned())]);

    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    assert_eq!(page.entries.iter().map(|held| held.entry.clone()).collect::<Vec<_>>(), device.log);
    // The unreadable entry counts for no machine.
    let head = bed.store.machine(organisation, EX3).await.expect("it answers").expect("it has entries");
    assert_eq!((head.digest.count, head.position), (5, start + 6));
}

pub async fn a_clock_that_is_off_is_marked(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(None, "made an hour before the server's now");
    let start = bed.end(organisation).await;
    let checked = device.batch(1, 1);
    let early_ms = NOW_MS - 2 * 3_600_000;
    let pushed = bed.store.push(device.scope(), &checked, &clock(), early_ms).await.expect("it answers");
    assert_eq!(pushed.answer.held.iter().map(|receipt| receipt.off_s).collect::<Vec<_>>(), [Some(3600)]);
    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    assert_eq!(
        page.entries.iter().map(|held| (held.off_s, held.received_ms)).collect::<Vec<_>>(),
        [(Some(3600), Some(early_ms))]
    );
}

pub async fn the_largest_push_with_as_many_machines_is_taken(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    for n in 0..PUSH_ENTRIES_MAX {
        let mut id = [9; 16];
        id[..8].copy_from_slice(&(n as u64).to_be_bytes());
        device.note(Some(MachineId(id)), "a fleet");
    }
    let start = bed.end(organisation).await;
    let pushed = device.push_on(&bed, 1).await;
    let last = PUSH_ENTRIES_MAX as u64;
    assert_eq!(
        pushed.answer.held.iter().map(|r| (r.from, r.to, r.position)).collect::<Vec<_>>(),
        [(1, last, start + 1)]
    );
    assert_eq!(bed.store.machines(organisation, None, 1000).await.expect("machines").len(), PUSH_ENTRIES_MAX);
    assert_eq!(device.push(&bed, 1, PUSH_ENTRIES_MAX).await.admission, Admission::Held);
}

pub async fn a_push_under_a_wrong_scope_is_refused(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let mut device = Device::enrolled(&bed, 1, ours).await;
    let other = Device::enrolled(&bed, 2, ours).await;
    let mut stranger = Device::new(3, ours);
    device.note(Some(EX3), "ours");
    stranger.note(Some(EX3), "a stranger's");
    let start = bed.end(ours).await;
    for (scope, checked) in [
        (other.scope(), device.batch(1, 1)),
        (stranger.scope(), stranger.batch(1, 1)),
        (DeviceScope { organisation: theirs, device: device.id }, device.batch(1, 1)),
    ] {
        let pushed = bed.store.push(scope, &checked, &clock(), NOW_MS).await;
        assert!(matches!(pushed, Err(StoreError::Failed { act: "push", .. })), "{pushed:?}");
        let kept = bed.store.branch_keep(scope, &checked, NOW_MS).await;
        assert!(matches!(kept, Err(StoreError::Failed { act: "branch_keep", .. })), "{kept:?}");
    }
    assert_eq!(ledger(&bed, ours, start).await, []);
    assert_eq!(ledger(&bed, theirs, 0).await, []);
    assert_eq!(bed.store.branches(ours).await.expect("branches"), []);
}
