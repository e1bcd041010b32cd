//! Places in the ledger that are other ones than a device had learned.
//!
//! Promises: the device goes on where the ledger lost something, and stops where the server contradicts itself.

use super::ends::{Device, Fault, deliver, names, server};
use pintle_core::chain::LogHead;
use pintle_core::device::{Effect, Input, Notice, Session, Stop};

/// What a device says of a place that is another one than it was.
pub(super) fn fault(code: &str) -> pintle_core::Fault {
    pintle_core::Fault::new(code, "/push/held", "an entry moved")
}

/// The ledger lost its last writes after this device had learned of them, and nothing but a place shows it.
#[test]
fn places_that_moved_are_forgotten_and_everything_is_offered_again() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    let mut other = Device::new(2, &mut server);
    device.record();
    device.record();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    server.ledger.clear();
    server.heads.insert(device.standing.device, (device.key.public(), LogHead::empty(&device.key.public())));
    other.record();
    assert_eq!(other.clean_sync(&mut server), Stop::Done);
    // As after a void that a late receipt followed.
    device.held.get_mut(&(device.standing.device, 1)).expect("own entry").position = None;
    (device.standing.cursor, device.standing.position) = (None, 0);
    device.restate();
    assert_eq!(device.clean_sync(&mut server), Stop::Done);
    assert_eq!(device.notices, [Notice::LedgerChanged]);
    assert_eq!(names(&server).len(), 3);
    let places: Vec<_> = device.own().map(|held| held.position).collect();
    assert_eq!(places, [Some(2), Some(3)]);
}

#[test]
fn places_that_move_again_are_not_believed() {
    let mut server = server();
    let mut device = Device::new(1, &mut server);
    device.record();
    let mut session = Session::default();
    let mut effects = session.step(Input::Begin(device.standing.clone()));
    let mut voids = 0;
    let stop = loop {
        let effect = effects.pop().expect("the session goes on or stops");
        effects = session.step(match effect {
            Effect::Load { from, .. } => Input::Loaded(Box::new(device.load(from))),
            Effect::Send(request) => deliver(&mut server, &request, Fault::None),
            Effect::Apply(apply) if apply.void => {
                voids += 1;
                device.apply(&apply)
            }
            Effect::Apply(_) => Input::Distrusted(fault("position-taken")),
            Effect::Stop(stop) => break stop,
            other => panic!("unexpected: {other:?}"),
        });
    };
    assert_eq!(stop, Stop::Distrusted(fault("position-taken")));
    assert_eq!(voids, 1);
}
