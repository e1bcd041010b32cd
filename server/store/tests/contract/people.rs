//! Organisations, codes, devices, batons, marks and the directory.
//!
//! Promises: each outcome that the port names is met, and what it leaves behind is looked at.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, EX4, code_of, wanted};
use pintle_core::exchange::{Person, Wanted};
use pintle_core::ids::{Baton, DeviceId, Hash, OrganisationId, PersonId};
use pintle_store::{Actor, BatonJudged, Changed, Enrolled, EnrolmentCode, Organisation, Role, StoreError};

async fn code(bed: &Bed, organisation: OrganisationId, number: u16, role: Role) -> Hash {
    let code = EnrolmentCode { hash: code_of(number), role, expires_ms: NOW_MS + 60_000 };
    bed.store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("a code is added");
    code.hash
}

async fn version(bed: &Bed, organisation: OrganisationId) -> u64 {
    bed.store.directory(organisation, u64::MAX).await.expect("it answers").expect("no such version is held").version
}

fn let_in(enrolled: Enrolled) -> (String, Role) {
    match enrolled {
        Enrolled::In { mark, role, .. } => (mark, role),
        other => panic!("it was to be let in: {other:?}"),
    }
}

pub async fn organisations_are_listed_by_name(bed: Bed) {
    for (byte, name) in [(1, "north"), (2, "Älv"), (3, "South"), (4, "north")] {
        let organisation = Organisation { id: OrganisationId([byte; 16]), name: name.into() };
        bed.store.organisation_add(&organisation, NOW_MS).await.expect("it is added");
    }
    let all = bed.store.organisations().await.expect("organisations");
    let all: Vec<_> = all.iter().map(|o| (o.name.as_str(), o.id.0[0])).collect();
    assert_eq!(all, [("South", 3), ("north", 1), ("north", 4), ("Älv", 2)]);
    let again = Organisation { id: OrganisationId([1; 16]), name: "again".into() };
    let again = bed.store.organisation_add(&again, NOW_MS).await;
    assert!(again.is_err(), "an id is added once");
}

pub async fn a_code_lets_one_device_in_and_again(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let code = code(&bed, organisation, 1, Role::Mechanic).await;
    let device = Device::new(1, organisation);
    let enrolled = bed.store.enrol(&device.enrolment(code, "K7")).await.expect("it answers");
    let expected = Organisation { id: organisation, name: "organisation 1".into() };
    assert_eq!(enrolled, Enrolled::In { organisation: expected, mark: "K7".into(), role: Role::Mechanic });
    let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
    assert_eq!((record.organisation, record.device, record.key), (organisation, device.id, device.key));
    assert_eq!((record.mark.as_str(), record.role, record.revoked), ("K7", Role::Mechanic, false));
    assert_eq!((record.head, record.baton, record.wanted), (device.end(), Baton([1; 16]), Wanted::default()));
    let before = version(&bed, organisation).await;

    // The reply was lost, and it comes again after the code's end.
    let mut again = device.enrolment(code, "K7");
    (again.baton, again.now_ms) = (Baton([2; 16]), NOW_MS + 120_000);
    assert_eq!(bed.store.enrol(&again).await.expect("it answers"), enrolled);
    let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
    assert_eq!((record.baton, record.baton_before), (Baton([2; 16]), Baton([1; 16])));
    assert_eq!(version(&bed, organisation).await, before, "nothing that the directory shows has changed");

    let other = Device::new(2, organisation);
    assert_eq!(bed.store.enrol(&other.enrolment(code, "K8")).await.expect("it answers"), Enrolled::CodeUsed);
    assert_eq!(bed.store.device(other.id).await.expect("it answers"), None);
}

pub async fn a_code_that_is_unknown_or_over_lets_nobody_in(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let code = code(&bed, organisation, 1, Role::Crew).await;
    let device = Device::new(1, organisation);
    let unknown = bed.store.enrol(&device.enrolment(code_of(2), "K7")).await.expect("it answers");
    assert_eq!(unknown, Enrolled::NoSuchCode);
    let mut late = device.enrolment(code, "K7");
    late.now_ms = NOW_MS + 60_000;
    assert_eq!(bed.store.enrol(&late).await.expect("it answers"), Enrolled::NoSuchCode);
    assert_eq!(bed.store.device(device.id).await.expect("it answers"), None);
    late.now_ms -= 1;
    let_in(bed.store.enrol(&late).await.expect("it answers"));
    let twice = EnrolmentCode { hash: code, role: Role::Owner, expires_ms: NOW_MS };
    assert!(bed.store.code_add(Actor::operator(organisation), &twice, NOW_MS).await.is_err(), "a code is added once");
    let nowhere = EnrolmentCode { hash: code_of(3), role: Role::Owner, expires_ms: NOW_MS };
    assert!(bed.store.code_add(Actor::operator(OrganisationId([9; 16])), &nowhere, NOW_MS).await.is_err());
}

pub async fn a_device_that_shows_a_fresh_code_keeps_its_mark_and_log(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "squeaks");
    device.push_on(&bed, 1).await;
    let before = version(&bed, organisation).await;
    let fresh = code(&bed, organisation, 2, Role::Office).await;
    let mut enrolment = device.enrolment(fresh, "ZZ");
    enrolment.person = Person { id: PersonId([77; 16]), name: "another".into() };
    enrolment.baton = Baton([5; 16]);
    assert_eq!(let_in(bed.store.enrol(&enrolment).await.expect("it answers")), ("D1".into(), Role::Office));
    let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
    assert_eq!((record.head, record.role, record.person), (device.end(), Role::Office, PersonId([77; 16])));
    assert_eq!((record.baton, record.baton_before), (Baton([5; 16]), Baton([1; 16])));
    assert_eq!(version(&bed, organisation).await, before + 1);
    let other = Device::new(3, organisation);
    let spent = bed.store.enrol(&other.enrolment(fresh, "X1")).await.expect("it answers");
    assert_eq!(spent, Enrolled::CodeUsed, "the fresh code has been spent");
}

pub async fn a_revoked_or_foreign_key_is_refused_and_the_code_stays_good(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let device = Device::enrolled(&bed, 1, ours).await;
    let their_code = code(&bed, theirs, 2, Role::Crew).await;
    let foreign = bed.store.enrol(&device.enrolment(their_code, "K7")).await.expect("it answers");
    assert_eq!(foreign, Enrolled::KeyRefused);
    assert_eq!(
        bed.store.device_revoke(Actor::operator(ours), device.id, NOW_MS).await.expect("it answers"),
        Changed::Done
    );
    let our_code = code(&bed, ours, 3, Role::Crew).await;
    for code in [our_code, code_of(1)] {
        let revoked = bed.store.enrol(&device.enrolment(code, "K7")).await.expect("it answers");
        assert_eq!(revoked, Enrolled::KeyRefused, "by its own spent code too");
    }
    let_in(bed.store.enrol(&Device::new(4, theirs).enrolment(their_code, "K7")).await.expect("it answers"));
    let_in(bed.store.enrol(&Device::new(5, ours).enrolment(our_code, "K7")).await.expect("it answers"));
}

pub async fn marks_are_unique_in_an_organisation_without_their_case(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let wishes =
        [(ours, "K7"), (ours, "k7"), (ours, "K7"), (theirs, "K7"), (ours, "K72"), (ours, "ABCD"), (ours, "abcd")];
    let mut given = Vec::new();
    for (number, (organisation, wish)) in (1..).zip(wishes) {
        let code = code(&bed, organisation, number, Role::Crew).await;
        let device = Device::new(number, organisation);
        given.push(let_in(bed.store.enrol(&device.enrolment(code, wish)).await.expect("it answers")).0);
    }
    assert_eq!(given, ["K7", "k72", "K73", "K7", "K722", "ABCD", "abc2"]);
}

pub async fn a_device_is_revoked_once_and_by_its_own_organisation(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let device = Device::enrolled(&bed, 1, ours).await;
    let before = version(&bed, ours).await;
    assert_eq!(
        bed.store.device_revoke(Actor::operator(theirs), device.id, NOW_MS).await.expect("it answers"),
        Changed::NoSuchDevice
    );
    assert_eq!(
        bed.store.device_revoke(Actor::operator(ours), Device::new(2, ours).id, NOW_MS).await.expect("it answers"),
        Changed::NoSuchDevice
    );
    assert!(!bed.store.device(device.id).await.expect("it answers").expect("enrolled").revoked);
    for expected in [Changed::Done, Changed::Already] {
        let revoked = bed.store.device_revoke(Actor::operator(ours), device.id, NOW_MS).await.expect("it answers");
        assert_eq!(revoked, expected);
        assert!(bed.store.device(device.id).await.expect("it answers").expect("enrolled").revoked);
        assert_eq!(version(&bed, ours).await, before + 1);
    }
    let directory = bed.store.directory(ours, 0).await.expect("it answers").expect("it has changed");
    let mut cards: Vec<_> = directory.devices.iter().map(|card| (card.mark.as_str(), card.revoked)).collect();
    cards.sort_unstable();
    assert_eq!(cards, [("D1", true), ("SV", false)]);
}

pub async fn a_baton_is_current_before_or_old(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let device = Device::enrolled(&bed, 1, organisation).await;
    let judge = async |presented: u8, next: u8| {
        bed.store.baton(device.scope(), Baton([presented; 16]), Baton([next; 16]), NOW_MS).await.expect("it answers")
    };
    assert_eq!(judge(1, 2).await, BatonJudged::Current);
    assert_eq!(judge(2, 3).await, BatonJudged::Current);
    // The reply with 3 was lost: 2 comes again and again, and 3 is sent again.
    assert_eq!(judge(2, 4).await, BatonJudged::Before(Baton([3; 16])));
    assert_eq!(judge(2, 5).await, BatonJudged::Before(Baton([3; 16])));
    assert_eq!(judge(1, 6).await, BatonJudged::Old);
    assert_eq!(judge(4, 7).await, BatonJudged::Old, "one that was never handed out");
    assert_eq!(judge(3, 8).await, BatonJudged::Current);
    let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
    assert_eq!((record.baton, record.baton_before), (Baton([8; 16]), Baton([3; 16])));
}

pub async fn what_a_device_wants_is_kept(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let device = Device::enrolled(&bed, 1, organisation).await;
    let at = |sites: &[&str]| sites.iter().map(|site| (*site).to_owned()).collect();
    let sites = Wanted { machines: None, sites: at(&["north pit", "Übergang"]) };
    let both = Wanted { sites: at(&["a"]), ..wanted(&[EX3]) };
    for set in [sites, wanted(&[EX4, EX3]), both, wanted(&[]), Wanted::default(), wanted(&[EX3])] {
        bed.store.wanted_set(device.scope(), &set).await.expect("it is kept");
        assert_eq!(bed.store.device(device.id).await.expect("it answers").expect("enrolled").wanted, set);
    }
}

pub async fn the_directory_grows_and_nobody_is_renamed(bed: Bed) {
    let organisation = bed.organisation(1).await;
    assert_eq!(bed.store.directory(organisation, 0).await.expect("it answers"), None, "a new one is empty");
    let person = |byte: u8, name: &str| Person { id: PersonId([byte; 16]), name: name.into() };
    let add = async |people: &[Person]| {
        bed.store.people_add(organisation, people).await.expect("people are added");
        version(&bed, organisation).await
    };
    assert_eq!(add(&[person(8, "Ilse"), person(7, "Bo"), person(8, "a second name")]).await, 1);
    assert_eq!(add(&[person(7, "Renamed")]).await, 1);
    assert_eq!(add(&[]).await, 1);
    assert_eq!(add(&[person(7, "Renamed"), person(9, "Änne")]).await, 2);
    let device = Device::enrolled(&bed, 1, organisation).await;
    let directory = bed.store.directory(organisation, 2).await.expect("it answers").expect("it has changed");
    assert_eq!(directory.version, 4, "the server's log is new, and so is the device");
    let people: Vec<_> = directory.people.iter().map(|p| (p.id.0[0], p.name.as_str())).collect();
    assert_eq!(people, [(0, "server"), (1, "person of D1"), (7, "Bo"), (8, "Ilse"), (9, "Änne")]);
    let mut devices = directory.devices.clone();
    devices.sort_by(|a, b| a.mark.cmp(&b.mark));
    let [card, server] = devices.as_slice() else { panic!("two devices, not {devices:?}") };
    assert_eq!((server.mark.as_str(), server.person, server.revoked), ("SV", PersonId::OPERATOR, false));
    assert_eq!(server.id, DeviceId::of_key(&server.key));
    assert_eq!((card.id, card.mark.as_str(), card.key, card.person), (device.id, "D1", device.key, PersonId([1; 16])));
    assert_eq!(bed.store.directory(organisation, 4).await.expect("it answers"), None);
    let nowhere = bed.store.people_add(OrganisationId([9; 16]), &[person(1, "nobody")]).await;
    assert!(matches!(nowhere, Err(StoreError::Failed { .. })), "{nowhere:?}");

    // More than are looked up in one statement, half of them known.
    let crowd: Vec<_> = (0..450u16)
        .map(|n| {
            let mut id = [50; 16];
            id[..2].copy_from_slice(&n.to_be_bytes());
            Person { id: PersonId(id), name: format!("person {n}") }
        })
        .collect();
    assert_eq!(add(&crowd[..225]).await, 5);
    assert_eq!(add(&crowd).await, 6);
    let directory = bed.store.directory(organisation, 5).await.expect("it answers").expect("it has changed");
    assert_eq!(directory.people.len(), 5 + 450);
}
