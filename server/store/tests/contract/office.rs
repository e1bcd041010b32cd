//! Codes, devices, share links and keys that follow others, as the office and the owner manage them.
//!
//! Promises: each outcome that the port names is met, also towards another organisation, and an outcome that changes
//! nothing is seen to change nothing: neither the ledger nor the directory.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, EX4, code_of};
use pintle_core::exchange::Wanted;
use pintle_core::fact::administration::Shown;
use pintle_core::ids::{Baton, CodeId, DeviceId, Hash, OrganisationId, PersonId, ShareId};
use pintle_store::{
    Actor, Changed, DeviceChange, DeviceStanding, Enrolled, EnrolmentCode, Follow, NewShare, OpenCode, Role, Share,
};

/// Someone of the organisation, not its server's operator.
pub fn someone(organisation: OrganisationId) -> Actor {
    Actor { organisation, person: PersonId([0x77; 16]) }
}

pub async fn code(bed: &Bed, actor: Actor, number: u16, role: Role, expires_ms: i64) -> CodeId {
    let code = EnrolmentCode { hash: code_of(number), role, expires_ms };
    bed.store.code_add(actor, &code, NOW_MS).await.expect("a code is added")
}

/// A device that was let in with a role.
pub async fn device_as(bed: &Bed, organisation: OrganisationId, number: u16, role: Role) -> Device {
    let device = Device::new(number, organisation);
    code(bed, Actor::operator(organisation), number, role, NOW_MS + 60_000).await;
    let enrolled = bed.store.enrol(&device.enrolment(code_of(number), &format!("D{number}"))).await;
    assert!(matches!(enrolled, Ok(Enrolled::In { .. })), "{enrolled:?}");
    device
}

pub fn follow_of(old: &Device, new: &Device, ends: bool) -> Follow {
    let Device { organisation, id, .. } = *old;
    Follow { organisation, old: id, key: new.key, ends, baton: Baton([6; 16]), now_ms: NOW_MS }
}

pub fn share_of(byte: u8, until_ms: i64) -> NewShare {
    NewShare { hash: Hash([byte; 32]), machine: EX3, shows: [Shown::Words].into(), until_ms }
}

/// What an act that is not done leaves as it was: the ledger's end and the directory's version.
async fn state(bed: &Bed, organisation: OrganisationId) -> (u64, Option<u64>) {
    let directory = bed.store.directory(organisation, u64::MAX).await.expect("it answers");
    (bed.end(organisation).await, directory.map(|directory| directory.version))
}

pub async fn codes_are_open_until_used_cancelled_or_over(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let office = someone(ours);
    let long = code(&bed, office, 1, Role::Crew, NOW_MS + 900).await;
    let short = code(&bed, office, 2, Role::Mechanic, NOW_MS + 300).await;
    let used = code(&bed, office, 3, Role::Owner, NOW_MS + 600).await;
    let foreign = code(&bed, someone(theirs), 4, Role::Crew, NOW_MS + 600).await;
    let open = async |organisation, now_ms| bed.store.codes(organisation, now_ms).await.expect("it answers");
    let ids = async |now_ms| open(ours, now_ms).await.iter().map(|open| open.code).collect::<Vec<_>>();
    let first = OpenCode { code: short, role: Role::Mechanic, made_ms: NOW_MS, expires_ms: NOW_MS + 300 };
    assert_eq!(open(ours, NOW_MS).await[0], first);
    assert_eq!(ids(NOW_MS).await, [short, used, long]);
    assert_eq!(ids(NOW_MS + 299).await, [short, used, long]);
    assert_eq!(ids(NOW_MS + 300).await, [used, long], "over in the moment of its end");
    assert_eq!(open(theirs, NOW_MS).await.len(), 1);
    assert_eq!(open(OrganisationId([9; 16]), NOW_MS).await, []);

    let device = Device::new(1, ours);
    let enrolled = bed.store.enrol(&device.enrolment(code_of(3), "K7")).await.expect("it answers");
    assert!(matches!(enrolled, Enrolled::In { .. }), "{enrolled:?}");
    assert_eq!(ids(NOW_MS).await, [short, long]);

    let before = state(&bed, ours).await;
    for (code, now_ms) in [(foreign, NOW_MS), (used, NOW_MS), (short, NOW_MS + 300), (CodeId([9; 16]), NOW_MS)] {
        let cancelled = bed.store.code_cancel(office, code, now_ms).await;
        assert!(!cancelled.expect("it answers"), "{code} is none of the open codes");
    }
    assert_eq!(state(&bed, ours).await, before);
    assert!(bed.store.code_cancel(office, long, NOW_MS).await.expect("it answers"));
    assert!(!bed.store.code_cancel(office, long, NOW_MS).await.expect("it answers"), "once");
    assert_eq!((ids(NOW_MS).await, open(theirs, NOW_MS).await.len()), (vec![short], 1));
    let late = bed.store.enrol(&Device::new(2, ours).enrolment(code_of(1), "K8")).await;
    assert_eq!(late.expect("it answers"), Enrolled::NoSuchCode);
}

pub async fn devices_are_listed_by_mark_as_they_stand(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let mut second = device_as(&bed, ours, 2, Role::Mechanic).await;
    let first = device_as(&bed, ours, 1, Role::Owner).await;
    device_as(&bed, theirs, 3, Role::Crew).await;
    second.note(Some(EX3), "squeaks");
    second.note(Some(EX4), "greased");
    second.push_on(&bed, 1).await;
    let scope = second.scope();
    bed.store.baton(scope, Baton([1; 16]), Baton([2; 16]), NOW_MS + 5_000).await.expect("it answers");
    bed.store.device_revoke(Actor::operator(ours), second.id, NOW_MS).await.expect("it answers");
    let standing = |device: &Device, byte: u8, role| DeviceStanding {
        device: device.id,
        mark: format!("D{byte}"),
        person: PersonId([byte; 16]),
        role,
        revoked: false,
        entries: 0,
        enrolled_ms: NOW_MS,
        last_ms: None,
    };
    let busy = DeviceStanding {
        revoked: true,
        entries: 2,
        last_ms: Some(NOW_MS + 5_000),
        ..standing(&second, 2, Role::Mechanic)
    };
    let all = bed.store.devices(ours).await.expect("it answers");
    assert_eq!(all, [standing(&first, 1, Role::Owner), busy], "the server's own log is nobody's device");
    assert_eq!(bed.store.devices(theirs).await.expect("it answers").len(), 1);
    assert_eq!(bed.store.devices(OrganisationId([9; 16])).await.expect("it answers"), []);
}

pub async fn a_device_is_changed_and_its_marks_stay_its_own(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let owner = device_as(&bed, ours, 1, Role::Owner).await;
    let device = device_as(&bed, ours, 2, Role::Crew).await;
    let foreign = device_as(&bed, theirs, 3, Role::Crew).await;
    let change = async |actor, device, mark: Option<&str>, role| {
        let change = DeviceChange { mark: mark.map(str::to_owned), role };
        bed.store.device_change(actor, device, &change, NOW_MS).await.expect("it answers")
    };
    let office = someone(ours);
    let cards = bed.store.directory(ours, 0).await.expect("it answers").expect("a directory").devices;
    let server = cards.iter().find(|card| card.mark == "SV").expect("the server's own log").id;
    let before = state(&bed, ours).await;
    for (device, mark, role, expected) in [
        (foreign.id, Some("K7"), None, Changed::NoSuchDevice),
        (server, Some("K7"), None, Changed::NoSuchDevice),
        (DeviceId([9; 16]), None, Some(Role::Crew), Changed::NoSuchDevice),
        (device.id, None, None, Changed::Already),
        (device.id, Some("D2"), Some(Role::Crew), Changed::Already),
        (device.id, Some("D1"), Some(Role::Office), Changed::MarkTaken),
        (device.id, Some("d1"), None, Changed::MarkTaken),
        (device.id, Some("sv"), None, Changed::MarkTaken),
        (owner.id, None, Some(Role::Crew), Changed::LastOwner),
        (owner.id, Some("K9"), Some(Role::Crew), Changed::LastOwner),
    ] {
        assert_eq!(change(office, device, mark, role).await, expected, "{mark:?} {role:?}");
    }
    assert_eq!(state(&bed, ours).await, before);

    let (end, version) = before;
    assert_eq!(change(office, device.id, Some("K7"), Some(Role::Mechanic)).await, Changed::Done);
    assert_eq!(state(&bed, ours).await, (end + 1, version.map(|version| version + 1)), "both are one change");
    let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
    assert_eq!((record.mark.as_str(), record.role, record.head), ("K7", Role::Mechanic, device.end()));
    assert_eq!(change(office, owner.id, Some("D2"), None).await, Changed::MarkTaken, "it had been another's");
    assert_eq!(change(office, device.id, Some("d2"), None).await, Changed::Done, "and may be that one's again");
    assert_eq!(change(office, device.id, Some("D2"), None).await, Changed::Done, "another case");
    assert_eq!(change(office, device.id, Some("K7"), None).await, Changed::Done);
    let newcomer = Device::new(4, ours);
    code(&bed, office, 4, Role::Crew, NOW_MS + 900).await;
    let enrolled = bed.store.enrol(&newcomer.enrolment(code_of(4), "D2")).await.expect("it answers");
    assert!(matches!(&enrolled, Enrolled::In { mark, .. } if mark == "D22"), "{enrolled:?}");
}

pub async fn one_owner_stays_unless_the_operator_says_otherwise(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let first = device_as(&bed, organisation, 1, Role::Owner).await;
    let second = device_as(&bed, organisation, 2, Role::Owner).await;
    let demoted = DeviceChange { mark: None, role: Some(Role::Office) };
    let (person, operator) = (someone(organisation), Actor::operator(organisation));
    let revoke = async |actor, device| bed.store.device_revoke(actor, device, NOW_MS).await.expect("it answers");
    let demote =
        async |actor, device| bed.store.device_change(actor, device, &demoted, NOW_MS).await.expect("it answers");
    assert_eq!(revoke(person, first.id).await, Changed::Done);
    assert_eq!(demote(person, first.id).await, Changed::Done, "one that is revoked is no owner any more");
    let before = state(&bed, organisation).await;
    assert_eq!(revoke(person, second.id).await, Changed::LastOwner);
    assert_eq!(demote(person, second.id).await, Changed::LastOwner);
    assert_eq!(state(&bed, organisation).await, before);
    assert_eq!(demote(operator, second.id).await, Changed::Done);
    let third = device_as(&bed, organisation, 3, Role::Owner).await;
    assert_eq!(revoke(operator, third.id).await, Changed::Done);
    assert_eq!(revoke(operator, third.id).await, Changed::Already);
}

/// Nor may the last owner lose it by showing a code for less on the same device.
pub async fn the_last_owner_is_not_let_in_as_less(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let owner = device_as(&bed, organisation, 1, Role::Owner).await;
    for (number, role) in [(2, Role::Crew), (3, Role::Owner)] {
        code(&bed, someone(organisation), number, role, NOW_MS + 900).await;
    }
    let before = state(&bed, organisation).await;
    let enrol = async |number| bed.store.enrol(&owner.enrolment(code_of(number), "D1")).await.expect("it answers");
    assert_eq!(enrol(2).await, Enrolled::LastOwner);
    assert_eq!(state(&bed, organisation).await, before);
    assert_eq!(bed.store.codes(organisation, NOW_MS).await.expect("it answers").len(), 2, "no code has been spent");
    assert!(matches!(enrol(3).await, Enrolled::In { role: Role::Owner, .. }));
    device_as(&bed, organisation, 4, Role::Owner).await;
    assert!(matches!(enrol(2).await, Enrolled::In { role: Role::Crew, .. }), "another owner is there");
}

pub async fn share_links_live_until_ended_or_over_and_are_counted(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let office = someone(ours);
    let lasting = share_of(1, NOW_MS + 10_000);
    let add = async |actor, share: &NewShare, now_ms| bed.store.share_add(actor, share, now_ms).await;
    add(office, &lasting, NOW_MS).await.expect("added");
    add(office, &share_of(2, NOW_MS + 500), NOW_MS + 1).await.expect("added");
    add(office, &share_of(3, NOW_MS + 10_000), NOW_MS + 2).await.expect("added");
    add(someone(theirs), &share_of(4, NOW_MS + 10_000), NOW_MS).await.expect("added");
    assert!(add(office, &lasting, NOW_MS).await.is_err(), "a link is added once");
    assert!(add(someone(OrganisationId([9; 16])), &share_of(9, NOW_MS + 1), NOW_MS).await.is_err());

    let open = async |byte, now_ms| bed.store.share_open(Hash([byte; 32]), now_ms).await.expect("it answers");
    let expected = Share {
        hash: Hash([1; 32]),
        organisation: ours,
        machine: EX3,
        shows: [Shown::Words].into(),
        made_by: office.person,
        made_ms: NOW_MS,
        until_ms: NOW_MS + 10_000,
        ended_ms: None,
        opened_count: 2,
        opened_ms: Some(NOW_MS + 40),
    };
    open(1, NOW_MS + 30).await.expect("it lives");
    assert_eq!(open(1, NOW_MS + 40).await, Some(expected.clone()));
    assert!(open(2, NOW_MS + 499).await.is_some());
    assert_eq!(open(2, NOW_MS + 500).await, None, "over in the moment of its end");
    assert_eq!(open(7, NOW_MS).await, None);

    let end = async |actor, byte, now_ms| {
        bed.store.share_end(actor, ShareId::of_hash(&Hash([byte; 32])), now_ms).await.expect("it answers")
    };
    let before = state(&bed, ours).await;
    assert!(!end(office, 4, NOW_MS).await, "another organisation's");
    assert!(!end(office, 7, NOW_MS).await);
    assert!(!end(office, 2, NOW_MS + 500).await, "over already");
    assert_eq!(state(&bed, ours).await, before);
    assert!(end(office, 3, NOW_MS + 600).await);
    assert!(!end(office, 3, NOW_MS + 700).await, "once");
    assert_eq!(open(3, NOW_MS + 600).await, None);
    assert!(open(4, NOW_MS + 600).await.is_some());

    let listed = async |limit| {
        let shares = bed.store.shares(ours, NOW_MS + 600, limit).await.expect("it answers");
        shares.iter().map(|share| (share.hash.0[0], share.ended_ms, share.opened_count)).collect::<Vec<_>>()
    };
    let all = [(1, None, 2), (3, Some(NOW_MS + 600), 0), (2, None, 1)];
    assert_eq!(listed(10).await, all, "what lives comes first, so that it can always be ended; then the newest");
    assert_eq!(listed(1).await, all[..1]);
    assert_eq!(bed.store.shares(ours, NOW_MS, 10).await.expect("it answers")[1], expected);
}

pub async fn a_key_that_is_vouched_for_goes_on_for_another(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut old = device_as(&bed, organisation, 1, Role::Mechanic).await;
    old.note(Some(EX3), "squeaks");
    old.push_on(&bed, 1).await;
    let new = Device::new(2, organisation);
    let followed = bed.store.follow(&follow_of(&old, &new, false)).await.expect("it answers");
    assert!(matches!(&followed, Enrolled::In { mark, role: Role::Mechanic, .. } if mark == "D12"), "{followed:?}");
    let record = bed.store.device(new.id).await.expect("it answers").expect("it is in");
    assert_eq!((record.key, record.person, record.head), (new.key, PersonId([1; 16]), new.end()));
    assert_eq!((record.wanted, record.revoked, record.baton), (Wanted::default(), false, Baton([6; 16])));
    assert!(!bed.store.device(old.id).await.expect("it answers").expect("it is in").revoked, "a copy goes on");

    let before = state(&bed, organisation).await;
    let again = Follow { baton: Baton([7; 16]), ..follow_of(&old, &new, false) };
    assert_eq!(bed.store.follow(&again).await.expect("it answers"), followed, "the reply was lost");
    let record = bed.store.device(new.id).await.expect("it answers").expect("it is in");
    assert_eq!((record.baton, record.baton_before), (Baton([7; 16]), Baton([6; 16])));
    assert_eq!(state(&bed, organisation).await, before);

    let last = Device::new(3, organisation);
    let ends = follow_of(&new, &last, true);
    let ended = bed.store.follow(&ends).await.expect("it answers");
    assert!(matches!(&ended, Enrolled::In { mark, .. } if mark == "D122"), "{ended:?}");
    assert!(bed.store.device(new.id).await.expect("it answers").expect("it is in").revoked);
    assert_eq!(state(&bed, organisation).await.0, before.0 + 2, "let in, and ended");
    assert_eq!(bed.store.follow(&ends).await.expect("it answers"), ended, "also after the old one's end");
}

pub async fn a_key_that_is_not_vouched_for_is_refused(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let old = device_as(&bed, ours, 1, Role::Crew).await;
    let other = device_as(&bed, ours, 2, Role::Crew).await;
    let revoked = device_as(&bed, ours, 3, Role::Crew).await;
    let foreign = device_as(&bed, theirs, 4, Role::Crew).await;
    bed.store.device_revoke(Actor::operator(ours), revoked.id, NOW_MS).await.expect("it answers");
    let cards = bed.store.directory(ours, 0).await.expect("it answers").expect("a directory").devices;
    let server = cards.iter().find(|card| card.mark == "SV").expect("the server's own log").id;
    let new = Device::new(9, ours);
    let good = follow_of(&old, &new, false);
    let before = (state(&bed, ours).await, state(&bed, theirs).await);
    for (name, follow) in [
        ("nobody vouches", Follow { old: DeviceId([9; 16]), ..good }),
        ("a revoked device vouches for nobody", follow_of(&revoked, &new, false)),
        ("nor the server's own", Follow { old: server, ..good }),
        ("another organisation's", Follow { organisation: theirs, ..good }),
        ("a key in use", follow_of(&old, &other, false)),
        ("a key in use elsewhere", follow_of(&old, &foreign, false)),
        ("its own", follow_of(&old, &old, false)),
    ] {
        assert_eq!(bed.store.follow(&follow).await.expect("it answers"), Enrolled::KeyRefused, "{name}");
    }
    assert_eq!((state(&bed, ours).await, state(&bed, theirs).await), before);
    assert_eq!(bed.store.device(new.id).await.expect("it answers"), None);
}
