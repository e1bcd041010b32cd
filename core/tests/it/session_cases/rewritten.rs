//! A ledger that was rewritten beneath a checkpoint that a device holds.
//!
//! Promises: every device that holds one says so, keeps it and what was shown instead, and loses nothing; what others
//! noticed still reaches it.

use super::ends::{Device, Fault, ORGANISATION, Server, server};
use pintle_core::chain::LogHead;
use pintle_core::device::{Notice, Stop};
use pintle_core::proof::checkpoint::origin;
use pintle_core::proof::watch::{HeldCheckpoint, NotShown};

/// A server that signs, and two devices that are in step with it.
fn lived() -> (Server, Device, Device) {
    let mut server = Server { signs: Some((1, 0)), ..server() };
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    for device in [&mut a, &mut b] {
        device.record();
        device.record();
        assert_eq!(device.clean_sync(&mut server), Stop::Done);
    }
    (server, a, b)
}

fn size(device: &Device) -> u64 {
    device.standing.checkpoint.as_ref().map_or(0, |held| held.size)
}

#[test]
fn a_device_holds_the_newest_that_follows() {
    let (mut server, mut a, mut b) = lived();
    assert_eq!((size(&a), size(&b)), (2, 4));
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    assert_eq!(size(&a), 4);
    b.record();
    assert_eq!(b.clean_sync(&mut server), Stop::Done);
    assert_eq!(size(&b), 5);
    assert!(a.notices.is_empty() && b.notices.is_empty() && b.evidence.is_none());
}

/// An entry is said to have been received earlier than it was: no chain, no seal and no digest is about that.
#[test]
fn what_was_dated_back_in_the_ledger_is_noticed_by_all_who_saw_it() {
    let (mut server, mut a, mut b) = lived();
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    let held = a.standing.checkpoint.clone().expect("held");
    server.ledger[3].received_ms = Some(1);
    assert_eq!(a.clean_sync(&mut server), Stop::Rewritten(NotShown::OtherRoot));
    a.record();
    assert_eq!(a.clean_sync(&mut server), Stop::Rewritten(NotShown::FalseProof));
    assert_eq!(a.standing.checkpoint, Some(held), "the one held stays");
    let (why, shown) = a.evidence.clone().expect("kept");
    assert_eq!(why, NotShown::FalseProof);
    let origin = origin(&ORGANISATION, server.epoch);
    assert_eq!(HeldCheckpoint::open(&origin, shown.key, &shown.note).expect("signed").size, 5);
    assert!(a.own().all(|held| held.position.is_some()), "its own went out all the same");

    // What others record reaches it; it says so each time, once.
    b.record();
    assert!(matches!(b.clean_sync(&mut server), Stop::Rewritten(_)));
    assert!(matches!(a.clean_sync(&mut server), Stop::Rewritten(_)));
    assert!(a.notices.is_empty(), "how it ended says it");
    assert!(a.held.contains_key(&(b.standing.device, 3)));
}

#[test]
fn a_ledger_restored_without_a_word_says_it_is_shorter_until_its_epoch_is_raised() {
    let (mut server, mut a, mut b) = lived();
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    server.ledger.truncate(2);
    let empty = LogHead::empty(&b.key.public());
    server.heads.insert(b.standing.device, (b.key.public(), empty));
    assert_eq!(a.clean_sync(&mut server), Stop::Rewritten(NotShown::Smaller));
    server.epoch += 1;
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    assert_eq!(b.clean_sync(&mut server), Stop::Done, "everything is offered again");
    assert_eq!(server.ledger.len(), 4);
    b.record();
    assert_eq!(b.clean_sync(&mut server), Stop::Done);
    assert_eq!(size(&b), 5);
}

#[test]
fn another_key_is_not_taken_for_the_one_before() {
    let (mut server, mut a, _) = lived();
    server.signs = Some((2, 0));
    a.record();
    assert_eq!(a.clean_sync(&mut server), Stop::Rewritten(NotShown::OtherKey));
    server.signs = Some((1, 0));
    assert_eq!(a.clean_sync(&mut server), Stop::Done, "it is shown again that it has only grown");
    assert_eq!(size(&a), 5);
}

/// Nothing is held that it could contradict: the sync goes on, and nothing is held.
#[test]
fn a_first_checkpoint_that_is_of_another_ledger_is_told_and_not_held() {
    let mut server = Server { signs: Some((1, 7)), ..server() };
    let mut device = Device::new(1, &mut server);
    server.page_entries = 1;
    for _ in 0..3 {
        device.record();
    }
    let (stop, session) = device.sync(&mut server, || Fault::None);
    assert!(stop == Stop::Done && session.counts.exchanges > 1, "{stop:?} after {:?}", session.counts);
    assert_eq!((size(&device), &device.evidence), (0, &None));
    assert_eq!(device.notices, [Notice::CheckpointRefused(NotShown::Unreadable)]);
}
