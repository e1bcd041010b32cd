//! The device's half of sync against a server made of `admit` alone, with a network that loses and repeats.
//!
//! Both ends here are memory; what is tested is the protocol: nothing lost, nothing doubled, and an end to it.

use pintle_core::chain::LogHead;
use pintle_core::device::{Effect, Input, NetworkFailure, Notice, Refusal, Session, Stop, check_page};
use pintle_core::exchange::{Pulled, SyncRequest};
use pintle_core::ids::{DeviceId, Hash};
use pintle_core::limits::NETWORK_TRIES_MAX;
use proptest::prelude::*;

mod ends;
mod places;
mod rewritten;

use ends::{Device, Fault, Server, names, server};

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever the network does: after healing everything is everywhere, once.
    #[test]
    fn nothing_is_lost_or_doubled(acts in proptest::collection::vec((0..3usize, 0..4u8), 1..40),
                                  faults in proptest::collection::vec(0..5u8, 0..200)) {
        let mut server = server();
        let mut devices: Vec<Device> = (1..=3).map(|n| Device::new(n, &mut server)).collect();
        let mut faults = faults.into_iter();
        let mut recorded = 0;
        for (device, act) in acts {
            if act < 3 {
                devices[device].record();
                recorded += 1;
            } else {
                devices[device].sync(&mut server, || match faults.next() {
                    Some(1) => Fault::RequestLost,
                    Some(2) => Fault::ReplyLost,
                    Some(3) => Fault::Doubled,
                    Some(4) => Fault::Portal,
                    _ => Fault::None,
                });
            }
        }
        for _ in 0..2 {
            for device in &mut devices {
                prop_assert_eq!(device.clean_sync(&mut server), Stop::Done);
            }
        }
        let names = names(&server);
        prop_assert_eq!(names.len(), recorded);
        prop_assert!(names.windows(2).all(|pair| pair[0] < pair[1]));
        for device in &devices {
            let held: Vec<_> = device.held.keys().copied().collect();
            prop_assert_eq!(&held, &names);
            prop_assert!(device.held.values().all(|h| h.position.is_some()));
        }
    }
}

#[test]
fn a_day_of_work_is_one_exchange() {
    let mut server = server();
    server.page_entries = 100;
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..30).for_each(|_| b.record());
    assert_eq!(b.clean_sync(&mut server), Stop::Done);
    (0..20).for_each(|_| a.record());
    let (stop, session) = a.sync(&mut server, || Fault::None);
    assert_eq!(stop, Stop::Done);
    assert_eq!((session.counts.sent, session.counts.received, session.counts.exchanges), (20, 30, 1));
}

#[test]
fn a_lost_tail_is_pulled_back_before_anything_is_pushed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..5).for_each(|_| device.record());
    device.clean_sync(&mut server);
    // The disk comes back as it was two entries ago.
    let id = device.standing.device;
    device.held.retain(|(_, seq), _| *seq <= 3);
    device.standing.log = LogHead { seq: 3, link: device.held[&(id, 3)].link };
    device.restate();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert!(device.notices.contains(&Notice::TailLost { here: 3, there: 5 }));
    assert_eq!((device.standing.log.seq, device.standing.recover), (5, None));
    device.record();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!(names(&server).len(), 6);
}

#[test]
fn a_restored_server_is_filled_again_from_the_devices() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..6).for_each(|_| a.record());
    (0..3).for_each(|_| b.record());
    for _ in 0..2 {
        a.clean_sync(&mut server);
        b.clean_sync(&mut server);
    }
    let copy_of_a = a.standing.device;
    server.ledger.truncate(2);
    server.epoch = 2;
    let key_of = |server: &Server, id: DeviceId| server.heads[&id].0;
    let (key_a, key_b) = (key_of(&server, copy_of_a), key_of(&server, b.standing.device));
    let link_2 = server.ledger[1].link;
    server.heads.insert(copy_of_a, (key_a, LogHead { seq: 2, link: link_2 }));
    server.heads.insert(b.standing.device, (key_b, LogHead::empty(&key_b)));
    for _ in 0..2 {
        assert_eq!(b.clean_sync(&mut server), Stop::Done);
        assert_eq!(a.clean_sync(&mut server), Stop::Done);
    }
    assert!(a.notices.contains(&Notice::LedgerChanged));
    assert_eq!(names(&server).len(), 9);
    assert_eq!((a.held.len(), b.held.len()), (9, 9));
    assert_eq!(a.standing.digest, b.standing.digest);
}

/// The same without anyone having raised the epoch: positions below the device's cursor are taken by other entries.
#[test]
fn a_server_that_quietly_went_back_is_filled_again() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..6).for_each(|_| a.record());
    a.clean_sync(&mut server);
    b.clean_sync(&mut server);
    server.ledger.truncate(2);
    let (id, key) = (a.standing.device, a.key.public());
    let link_2 = server.ledger[1].link;
    server.heads.insert(id, (key, LogHead { seq: 2, link: link_2 }));
    (0..3).for_each(|_| b.record());
    for _ in 0..2 {
        assert_eq!(b.clean_sync(&mut server), Stop::Done);
        assert_eq!(a.clean_sync(&mut server), Stop::Done);
    }
    assert!(a.notices.contains(&Notice::LedgerChanged) && b.notices.contains(&Notice::LedgerChanged));
    assert_eq!(names(&server).len(), 9);
    assert_eq!((a.held.len(), b.held.len()), (9, 9));
    assert_eq!(a.standing.digest, b.standing.digest);
}

#[test]
fn a_fork_is_told_and_reading_goes_on() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    let mut copy = Device::new(1, &mut server);
    (0..2).for_each(|_| a.record());
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    copy.standing.position = 7; // what it has seen differs, so its first entry does
    copy.record();
    copy.standing.position = 0;
    b.record();
    b.clean_sync(&mut server);
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert!(copy.notices.contains(&Notice::Forked { seq: 1 }));
    assert_eq!(copy.own().count(), 1, "its own entry is still there");
    assert_eq!(copy.held.len(), 2, "and the other device's came");
    b.record();
    b.clean_sync(&mut server);
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert_eq!(copy.held.len(), 3, "reading goes on");
}

/// What the ledger holds has its place, whatever comes after it: only the rest is recorded once more under a new key.
#[test]
fn what_lies_before_a_fork_has_its_place() {
    let mut server = server();
    let mut a = Device::new(1, &mut server);
    let mut copy = Device::new(1, &mut server);
    a.record();
    copy.record();
    a.record();
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
    copy.standing.position = 7;
    (0..2).for_each(|_| copy.record());
    copy.standing.position = 0;
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert!(copy.notices.contains(&Notice::Forked { seq: 2 }));
    assert_eq!(copy.standing.first_unplaced, Some(2));
}

/// A device that is taken for a copy learns first what of its log the ledger holds.
#[test]
fn a_copy_learns_what_the_ledger_holds() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    let (log, held) = (device.standing.log, device.held.clone());
    device.clean_sync(&mut server);
    let mut copy = Device::new(1, &mut server);
    server.heads.insert(device.standing.device, (device.key.public(), log));
    (copy.standing.log, copy.held) = (log, held);
    copy.restate();
    server.sees_copies = true;
    assert_eq!(copy.clean_sync(&mut server), Stop::Held);
    assert_eq!((copy.standing.copied, copy.standing.first_unplaced), (true, None));
    assert_eq!(copy.notices.iter().filter(|notice| **notice == Notice::Copied).count(), 1, "told once");
}

/// Something was recorded after the tail was lost and before the device could know. It stands under a number that is
/// taken, so waiting for the tail would never end.
#[test]
fn what_was_recorded_on_top_of_a_lost_tail_is_pushed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..5).for_each(|_| device.record());
    device.clean_sync(&mut server);
    let (id, there) = (device.standing.device, device.standing.log);
    device.held.retain(|(_, seq), _| *seq <= 3);
    device.standing.log = LogHead { seq: 3, link: device.held[&(id, 3)].link };
    device.standing.position = 1;
    device.record();
    device.standing.recover = Some(there);
    assert_eq!(device.clean_sync(&mut server), Stop::Held);
    assert!(device.notices.contains(&Notice::Forked { seq: 4 }));
    assert_eq!((device.standing.recover, device.standing.first_unplaced), (None, Some(4)));
}

/// The server told of entries that this device had lost, and then lost them as well.
#[test]
fn a_tail_that_nobody_holds_is_not_waited_for() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    device.clean_sync(&mut server);
    device.standing.recover = Some(LogHead { seq: 5, link: Hash([7; 32]) });
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert!(device.notices.contains(&Notice::LedgerChanged));
    assert_eq!((device.standing.recover, device.standing.log.seq), (None, 3));
}

#[test]
fn a_cursor_that_is_refused_again_and_again_is_given_up() {
    let mut server = server();
    let (mut a, mut b) = (Device::new(1, &mut server), Device::new(2, &mut server));
    (0..20).for_each(|_| b.record());
    b.clean_sync(&mut server);
    server.refuses_cursors = true;
    let (stop, session) = a.sync(&mut server, || Fault::None);
    assert_eq!(stop, Stop::Stalled);
    assert!(session.counts.exchanges < 10, "{:?}", session.counts);
    server.refuses_cursors = false;
    assert_eq!(a.clean_sync(&mut server), Stop::Done);
}

/// A server set up again from an old copy knows only old batons: what it took for a copy of the device was none.
#[test]
fn another_epoch_ends_the_wait_of_a_device_that_was_taken_for_a_copy() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    device.clean_sync(&mut server);
    device.record();
    device.standing.copied = true;
    assert_eq!(device.clean_sync(&mut server), Stop::Held);
    server.epoch += 1;
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!((device.standing.copied, names(&server).len()), (false, 2));
}

#[test]
fn a_server_that_contradicts_itself_is_not_believed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    server.spoil_digest = true;
    let stop = device.clean_sync(&mut server);
    assert!(matches!(&stop, Stop::Distrusted(fault) if fault.code == "digest-mismatch"), "{stop:?}");
    assert!(device.notices.contains(&Notice::Repairing));
    server.spoil_digest = false;
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
}

#[test]
fn no_signal_is_no_failure() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    let mut session = Session::default();
    let effects = session.step(Input::Begin(device.standing.clone()));
    assert!(matches!(effects.as_slice(), [Effect::Load { from: Some(1), .. }]));
    session.step(Input::Loaded(Box::new(device.load(Some(1)))));
    let effects = session.step(Input::Failed(NetworkFailure::Unreachable));
    assert_eq!(effects, [Effect::Stop(Stop::NoSignal(NetworkFailure::Unreachable))]);
    assert_eq!(session.step(Input::Waited), [], "an ended session stays ended");
}

#[test]
fn the_link_of_a_page_must_follow_from_what_is_held() {
    let mut server = server();
    let mut a = Device::new(1, &mut server);
    (0..3).for_each(|_| a.record());
    a.clean_sync(&mut server);
    let page = |server: &Server| -> Vec<Pulled> {
        let mut b = Device::new(2, &mut Server { heads: server.heads.clone(), ..self::server() });
        let outgoing = b.load(None);
        let mut session = Session::default();
        session.step(Input::Begin(b.standing.clone()));
        let effects = session.step(Input::Loaded(Box::new(outgoing)));
        let [Effect::Send(request)] = effects.as_slice() else { panic!("a request") };
        server.page(request, true).entries
    };
    let good = page(&server);
    assert_eq!(check_page(&good, |_, _| None), Ok(()));
    let mut altered = good.clone();
    altered[1].link = Hash([1; 32]);
    let fault = check_page(&altered, |_, _| None).expect_err("an altered link");
    assert_eq!((fault.code.as_str(), fault.pointer.as_str()), ("chain-mismatch", "/pull/entries/1"));
    let mut swapped = good;
    swapped.swap(0, 1);
    assert_eq!(check_page(&swapped, |_, _| None).expect_err("swapped").code, "position-order");
}

/// A device that is asked to wait waits as long as it was asked to, then sends the same; asked for longer than a person
/// stands beside it, it stops. Nothing is lost either way.
#[test]
fn a_device_that_is_asked_to_wait_waits_and_keeps_everything() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    (0..3).for_each(|_| device.record());
    let asked = |retry_after_s| {
        let code = "too-many-requests".to_owned();
        Input::Refused(Refusal { code, detail: String::new(), retry_after_s })
    };
    let sent = |device: &mut Device, session: &mut Session, effects: Vec<Effect>| -> SyncRequest {
        let [Effect::Load { from, .. }] = effects[..] else { panic!("{effects:?}") };
        let effects = session.step(Input::Loaded(Box::new(device.load(from))));
        let [Effect::Send(request)] = &effects[..] else { panic!("{effects:?}") };
        SyncRequest::clone(request)
    };
    let mut session = Session::default();
    let begun = session.step(Input::Begin(device.standing.clone()));
    let first = sent(&mut device, &mut session, begun);
    assert_eq!(session.step(asked(Some(30))), [Effect::Wait { ms: 30_000 }]);
    let waited = session.step(Input::Waited);
    let second = sent(&mut device, &mut session, waited);
    assert_eq!((&first.push, first.baton), (&second.push, second.baton));
    let stopped = session.step(asked(Some(31)));
    assert!(matches!(&stopped[..], [Effect::Stop(Stop::Refused(refusal))] if refusal.retry_after_s == Some(31)));
    // Asked again and again, it stops too: somebody who keeps asking a busy server makes it busier.
    let mut session = Session::default();
    let mut effects = session.step(Input::Begin(device.standing.clone()));
    for _ in 1..NETWORK_TRIES_MAX {
        sent(&mut device, &mut session, effects);
        assert_eq!(session.step(asked(Some(1))), [Effect::Wait { ms: 1_000 }]);
        effects = session.step(Input::Waited);
    }
    sent(&mut device, &mut session, effects);
    assert!(matches!(&session.step(asked(Some(1)))[..], [Effect::Stop(Stop::Refused(_))]));
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!(names(&server), [1, 2, 3].map(|seq| (device.standing.device, seq)));
}
