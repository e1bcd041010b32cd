//! What becomes of a push: taken, held, a gap, a fork, set aside; and what of it is kept.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, all_after, clock};
use pintle_core::admit::Admission;
use pintle_core::exchange::{PushOutcome, Receipt};

pub async fn a_push_is_taken_whole_and_held_when_it_comes_again(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "squeaks");
    device.note(None, "rain");
    device.note(Some(EX3), "greased");
    let first = device.push_on(&bed, 1).await;
    let receipt = Receipt { from: 1, to: 3, position: 1, received_ms: NOW_MS, off_s: None };
    assert_eq!(first.answer.held, [receipt.clone()]);
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
    let on = device.push_on(&bed, 2).await;
    assert_eq!(on.answer.held.iter().map(|r| (r.from, r.to, r.position)).collect::<Vec<_>>(), [(2, 4, 2)]);
    let page = bed.store.page(organisation, &all_after(0)).await.expect("a page");
    let seqs: Vec<_> = page.entries.iter().map(|held| (held.position, held.entry.seq())).collect();
    assert_eq!(seqs, [(Some(1), 1), (Some(2), 2), (Some(3), 3), (Some(4), 4)]);
    assert_eq!(page.entries.iter().map(|held| held.entry.clone()).collect::<Vec<_>>(), device.log);
    assert_eq!(bed.store.device(device.id).await.expect("it answers").expect("enrolled").head, device.end());
}
