//! Machines, their entries and their views, page by page; and nothing of one organisation seen by another.
//!
//! Promises: every method of the port that names an organisation is asked by another one too.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, EX4, EX5, EX6, all_after, clock, code_of, digest_of, wanted};
use pintle_core::exchange::{Digest, Person};
use pintle_core::ids::{Baton, MachineId, OrganisationId, PersonId};
use pintle_store::{
    Actor, Changed, DeviceScope, Enrolled, EnrolmentCode, Lane, MachineHead, MachineView, PageAsk, Role, ViewSort,
};
use serde_json::json;

/// A device with entries about three machines and none.
async fn filled(bed: &Bed, organisation: OrganisationId, number: u16) -> Device {
    let mut device = Device::enrolled(bed, number, organisation).await;
    for machine in [Some(EX4), Some(EX3), None, Some(EX5), Some(EX3), Some(EX3)] {
        device.note(machine, "a note");
    }
    device.push_on(bed, 1).await;
    device
}

pub async fn machines_come_by_id_page_by_page(bed: Bed) {
    let organisation = bed.organisation(1).await;
    assert_eq!(bed.store.machines(organisation, None, 10).await.expect("machines"), []);
    let device = filled(&bed, organisation, 1).await;
    let start = bed.end(organisation).await - device.log.len() as u64;
    let head = |machine, seqs: &[usize]| MachineHead {
        machine,
        digest: digest_of(seqs.iter().map(|seq| &device.heads[*seq].link)),
        position: start + *seqs.last().expect("it has entries") as u64,
    };
    let expected = [head(EX3, &[2, 5, 6]), head(EX4, &[1]), head(EX5, &[4])];
    assert_eq!(bed.store.machines(organisation, None, 10).await.expect("machines"), expected);
    assert_eq!(bed.store.machines(organisation, None, 2).await.expect("machines"), expected[..2]);
    assert_eq!(bed.store.machines(organisation, Some(EX4), 2).await.expect("machines"), expected[2..]);
    assert_eq!(bed.store.machines(organisation, Some(EX5), 2).await.expect("machines"), []);
    assert_eq!(bed.store.machines(organisation, Some(MachineId([3; 16])), 0).await.expect("machines"), []);
    assert_eq!(bed.store.machine(organisation, EX3).await.expect("it answers"), Some(expected[0].clone()));
    assert_eq!(bed.store.machine(organisation, MachineId([9; 16])).await.expect("it answers"), None);
}

/// The id of zeros is a machine like any other, and not "no machine".
pub async fn the_machine_of_zeros_is_a_machine(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let zeros = MachineId([0; 16]);
    let start = bed.end(organisation).await;
    device.note(None, "about none");
    device.note(Some(zeros), "about the machine of zeros");
    device.push_on(&bed, 1).await;
    let machines = bed.store.machines(organisation, None, 10).await.expect("machines");
    assert_eq!(machines.iter().map(|head| (head.machine, head.digest.count)).collect::<Vec<_>>(), [(zeros, 1)]);
    let ask = PageAsk { wanted: wanted(&[]), ..all_after(0) };
    assert_eq!(bed.store.page(organisation, &ask).await.expect("a page").digest.count, start + 1);
}

pub async fn a_machine_s_entries_come_by_position_page_by_page(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let device = filled(&bed, organisation, 1).await;
    let start = bed.end(organisation).await - device.log.len() as u64;
    let entries = async |after, limit| {
        let entries = bed.store.machine_entries(organisation, EX3, after, limit).await.expect("entries");
        entries.iter().map(|held| held.position.expect("it has one") - start).collect::<Vec<_>>()
    };
    assert_eq!(entries(0, 10).await, [2, 5, 6]);
    assert_eq!(entries(start, 2).await, [2, 5]);
    assert_eq!(entries(start + 5, 2).await, [6]);
    assert_eq!(entries(start + 6, 2).await, [0; 0]);
    assert_eq!(entries(u64::MAX, 2).await, [0; 0]);
    let all = bed.store.machine_entries(organisation, EX3, 0, 10).await.expect("entries");
    for held in all {
        let seq = held.entry.seq() as usize;
        assert_eq!((held.device, held.link), (device.id, device.heads[seq].link));
        assert_eq!((held.entry, held.received_ms), (device.log[seq - 1].clone(), Some(NOW_MS)));
    }
}

pub async fn what_is_set_aside_and_what_rules_on_it_come_by_position(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "one");
    device.note_as(Some(EX3), Some(5), "a jump");
    device.unreadable();
    device.note_as(Some(EX3), Some(6), "another");
    let target = json!({"device": device.id, "seq": 2});
    for (mseq, kind) in [(7, "released"), (8, "struck"), (9, "meter_read")] {
        device
            .value(json!({"head": {"v": 1, "machine": EX3, "mseq": mseq, "seen": 0, "at": "2026-05-04T07:12:33+02:00",
            "by": "AQEBAQEBAQEBAQEBAQEBAQ", "kind": kind}, "body": {"target": target, "reading": "5"}}));
    }
    let start = bed.end(organisation).await;
    device.push_on(&bed, 1).await;
    let seqs = async |lane, after, limit| -> Vec<u64> {
        let found = bed.store.lane(organisation, lane, after, limit).await.expect("entries");
        found.iter().map(|held| held.entry.seq()).collect()
    };
    // Of a crew's device a release stands aside itself.
    assert_eq!(seqs(Lane::Aside, 0, 10).await, [2, 3, 5]);
    assert_eq!(seqs(Lane::Aside, 0, 2).await, [2, 3]);
    assert_eq!(seqs(Lane::Aside, start + 2, 10).await, [3, 5]);
    assert_eq!(seqs(Lane::Rulings, 0, 10).await, [5, 6]);
    assert_eq!(seqs(Lane::Rulings, start + 5, 10).await, [6]);
}

pub async fn a_view_is_kept_in_place_of_the_one_before(bed: Bed) {
    let organisation = bed.organisation(1).await;
    for sort in [ViewSort::Glance, ViewSort::Book] {
        assert_eq!(bed.store.view(organisation, sort, EX3).await.expect("it answers"), None);
        let view = |machine, count, json: &str| MachineView {
            sort,
            machine,
            digest: Digest { count, sum: u64::MAX - count },
            json: json.into(),
        };
        let put = async |views: &[MachineView]| bed.store.views_put(organisation, views).await.expect("they are kept");
        put(&[]).await;
        put(&[view(EX4, 1, "{}"), view(EX3, 1, "{\"old\":1}")]).await;
        put(&[view(EX5, 7, "[]"), view(EX3, 1, "{\"older\":1}"), view(EX3, 2, "{\"é\":1}")]).await;
        let expected = [view(EX3, 2, "{\"é\":1}"), view(EX4, 1, "{}"), view(EX5, 7, "[]")];
        assert_eq!(bed.store.views(organisation, sort, None, 10).await.expect("views"), expected);
        assert_eq!(bed.store.views(organisation, sort, None, 1).await.expect("views"), expected[..1]);
        assert_eq!(bed.store.views(organisation, sort, Some(EX3), 10).await.expect("views"), expected[1..]);
        assert_eq!(bed.store.views(organisation, sort, Some(EX5), 10).await.expect("views"), []);
        assert_eq!(bed.store.view(organisation, sort, EX5).await.expect("it answers"), Some(expected[2].clone()));
    }
    // The views of a machine are apart: what is kept of one sort says nothing of the other.
    let only = MachineView { sort: ViewSort::Book, machine: EX6, digest: Digest::default(), json: "{}".into() };
    bed.store.views_put(organisation, std::slice::from_ref(&only)).await.expect("it is kept");
    assert_eq!(bed.store.view(organisation, ViewSort::Glance, EX6).await.expect("it answers"), None);
    assert_eq!(bed.store.view(organisation, ViewSort::Book, EX6).await.expect("it answers"), Some(only));
}

/// Every method of the port that names an organisation, asked by another one.
pub async fn no_organisation_sees_or_touches_another_s(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let device = filled(&bed, ours, 1).await;
    let store = &bed.store;
    let view = MachineView { sort: ViewSort::Book, machine: EX3, digest: Digest::default(), json: "{}".into() };
    store.views_put(ours, std::slice::from_ref(&view)).await.expect("it is kept");
    store.branch_keep(device.scope(), &device.batch(1, 1), NOW_MS).await.expect("it is kept");
    let branch = store.branches(ours).await.expect("branches").remove(0);
    let before = store.directory(ours, 0).await.expect("it answers").expect("it has people");
    let record = store.device(device.id).await.expect("it answers").expect("enrolled");
    let end = bed.end(ours).await;

    // Reading finds nothing.
    let page = store.page(theirs, &all_after(0)).await.expect("a page");
    assert_eq!((page.entries.len(), page.seals.len(), page.position, page.digest), (0, 0, 0, Digest::default()));
    assert_eq!(store.link_at(theirs, 1).await.expect("it answers"), None);
    assert_eq!(store.machines(theirs, None, 10).await.expect("machines"), []);
    assert_eq!(store.machine(theirs, EX3).await.expect("it answers"), None);
    assert_eq!(store.machine_entries(theirs, EX3, 0, 10).await.expect("entries"), []);
    for lane in [Lane::Aside, Lane::Rulings] {
        assert_eq!(store.lane(theirs, lane, 0, 10).await.expect("entries"), []);
    }
    assert_eq!(store.digest(theirs).await.expect("it answers"), Digest::default());
    assert_eq!(store.views(theirs, ViewSort::Book, None, 10).await.expect("views"), []);
    assert_eq!(store.view(theirs, ViewSort::Book, EX3).await.expect("it answers"), None);
    assert_eq!(store.branches(theirs).await.expect("branches"), []);
    let entries = store.branch_entries(theirs, device.id, branch.from, branch.link).await.expect("entries");
    assert_eq!(entries, []);
    assert_eq!(store.directory(theirs, 0).await.expect("it answers"), None);

    // Writing under their name touches nothing of ours.
    let scope = DeviceScope { organisation: theirs, device: device.id };
    let mut longer = device.clone();
    longer.note(Some(EX3), "smuggled");
    assert!(store.push(scope, &longer.batch(7, 7), &clock(), NOW_MS).await.is_err());
    assert!(store.branch_keep(scope, &longer.batch(7, 7), NOW_MS).await.is_err());
    assert!(store.baton(scope, Baton([1; 16]), Baton([9; 16]), NOW_MS).await.is_err());
    assert!(store.wanted_set(scope, &wanted(&[])).await.is_err());
    assert_eq!(
        store.device_revoke(Actor::operator(theirs), device.id, NOW_MS).await.expect("it answers"),
        Changed::NoSuchDevice
    );
    store.views_put(theirs, &[MachineView { json: "[]".into(), ..view.clone() }]).await.expect("theirs is kept");
    store.people_add(theirs, &[Person { id: PersonId([1; 16]), name: "theirs".into() }]).await.expect("theirs");
    let code = EnrolmentCode { hash: code_of(9), role: Role::Owner, expires_ms: NOW_MS + 1000 };
    store.code_add(Actor::operator(theirs), &code, NOW_MS).await.expect("theirs");
    let taken = store.enrol(&device.enrolment(code.hash, "K7")).await.expect("it answers");
    assert_eq!(taken, Enrolled::KeyRefused);

    assert_eq!(store.page(ours, &all_after(0)).await.expect("a page").position, end);
    assert_eq!(store.view(ours, ViewSort::Book, EX3).await.expect("it answers"), Some(view));
    assert_eq!(store.directory(ours, 0).await.expect("it answers"), Some(before));
    assert_eq!(store.device(device.id).await.expect("it answers"), Some(record));
    assert_eq!(store.branches(ours).await.expect("branches"), [branch]);
}

/// Two ledgers count for themselves, though device and machine ids of the one are met in the other.
pub async fn ledgers_count_for_themselves(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let (first, second) = (filled(&bed, ours, 1).await, filled(&bed, theirs, 2).await);
    for (organisation, device) in [(ours, &first), (theirs, &second)] {
        let start = bed.end(organisation).await - device.log.len() as u64;
        assert_eq!(start, 2, "what is written down about the code and the device it let in");
        let before = bed.links(organisation).await[..2].to_vec();
        let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
        let positions: Vec<_> = page.entries.iter().map(|held| held.position).collect();
        assert_eq!(positions, (3..=8).map(Some).collect::<Vec<_>>());
        assert!(page.entries.iter().all(|held| held.device == device.id));
        assert_eq!(page.digest, digest_of(before.iter().chain(device.heads[1..].iter().map(|head| &head.link))));
        assert_eq!(bed.store.digest(organisation).await.expect("it answers"), page.digest);
        let head = bed.store.machine(organisation, EX3).await.expect("it answers").expect("it has entries");
        assert_eq!(head.digest, digest_of([2, 5, 6].map(|seq: usize| &device.heads[seq].link)));
    }
}
