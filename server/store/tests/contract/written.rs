//! What the server writes down of each act of administration, in a log of its own in the same ledger.
//!
//! Promises: every act is looked for by what it says, who had it done, and the key it is sealed under; an act that cannot
//! be written down is seen not to have been done.

use crate::bed::{Bed, NOW_MS};
use crate::crew::{Device, EX3, all_after, code_of};
use crate::office::{code, device_as, follow_of, share_of, someone};
use pintle_core::Fact;
use pintle_core::chain::{LogHead, verify_seal};
use pintle_core::exchange::DeviceCard;
use pintle_core::fact::administration::{
    CodeCancelled, CodeMade, DeviceChanged, DeviceEnrolled, DeviceRevoked, ShareEnded, ShareMade,
};
use pintle_core::ids::{Hash, OrganisationId, PersonId, ShareId};
use pintle_core::moment::Moment;
use pintle_core::scribe::Scribe;
use pintle_store::{Changed, DeviceChange, Enrolled, EnrolmentCode, Follow, Page, Role};

async fn page(bed: &Bed, organisation: OrganisationId) -> Page {
    bed.store.page(organisation, &all_after(0)).await.expect("a page")
}

/// The server's log of an organisation in an epoch: what it says, who had it done. Chain, seals and places are checked.
async fn written(bed: &Bed, organisation: OrganisationId, epoch: u64) -> Vec<(Fact, PersonId)> {
    let scribe = Scribe::new(&bed.store.identity().ledger_secret, organisation, epoch);
    let page = page(bed, organisation).await;
    let mut head = LogHead::empty(&scribe.key());
    let mut facts = Vec::new();
    for held in page.entries.iter().filter(|held| held.device == scribe.device()) {
        head = head.after(&held.entry);
        assert_eq!((head.link, &held.aside), (held.link, &None));
        let told = held.entry.head().expect("a head");
        assert_eq!((told.seq, Some(told.seen + 1)), (head.seq, held.position), "made at the ledger's end");
        assert_eq!((told.machine, told.at.second()), (None, NOW_MS / 1000));
        let seal = page.seals.iter().find(|seal| (seal.device, seal.to) == (scribe.device(), told.seq));
        let seal = seal.expect("every entry is sealed by itself");
        assert!(verify_seal(&scribe.key(), &organisation, seal), "{seal:?}");
        assert_eq!(seal.link, held.link);
        facts.push((Fact::read(told, &held.entry).expect("it can be read"), told.by));
    }
    facts
}

fn until(ms: i64) -> Moment {
    Moment::at(ms / 1000, 0).expect("in range")
}

pub async fn every_act_is_written_down_with_who_had_it_done(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let (office, end_ms) = (someone(organisation), NOW_MS + 60_000);
    let used = code(&bed, office, 1, Role::Mechanic, end_ms).await;
    let cancelled = code(&bed, office, 2, Role::Crew, end_ms).await;
    assert!(bed.store.code_cancel(office, cancelled, NOW_MS).await.expect("it answers"));
    let device = Device::new(1, organisation);
    bed.store.enrol(&device.enrolment(code_of(1), "K7")).await.expect("it answers");
    bed.store.enrol(&device.enrolment(code_of(1), "K7")).await.expect("it answers"); // the reply was lost
    let change = DeviceChange { mark: Some("K8".into()), role: Some(Role::Mechanic) };
    assert_eq!(bed.store.device_change(office, device.id, &change, NOW_MS).await.expect("it answers"), Changed::Done);
    let share = share_of(1, end_ms);
    bed.store.share_add(office, &share, NOW_MS).await.expect("added");
    bed.store.share_open(share.hash, NOW_MS).await.expect("it answers").expect("it lives");
    let id = ShareId::of_hash(&share.hash);
    assert!(bed.store.share_end(office, id, NOW_MS).await.expect("it answers"));
    let new = Device::new(2, organisation);
    bed.store.follow(&follow_of(&device, &new, true)).await.expect("it answers");
    assert_eq!(bed.store.device_revoke(office, new.id, NOW_MS).await.expect("it answers"), Changed::Done);

    let enrolled = |device: &Device, mark: &str, code, follows| {
        let Device { id: device, key, .. } = *device;
        Fact::DeviceEnrolled(DeviceEnrolled { device, key, mark: mark.into(), role: Role::Mechanic, code, follows })
    };
    let made = |code, role| Fact::CodeMade(CodeMade { code, role, until: until(end_ms) });
    let (by, own) = (office.person, PersonId([1; 16]));
    let shows = share.shows.clone();
    let expected = [
        (made(used, Role::Mechanic), by),
        (made(cancelled, Role::Crew), by),
        (Fact::CodeCancelled(CodeCancelled { code: cancelled }), by),
        (enrolled(&device, "K7", Some(used), None), own),
        (Fact::DeviceChanged(DeviceChanged { device: device.id, mark: Some("K8".into()), role: None }), by),
        (Fact::ShareMade(ShareMade { share: id, machine: EX3, until: until(end_ms), shows }), by),
        (Fact::ShareEnded(ShareEnded { share: id }), by),
        (enrolled(&new, "K82", None, Some(device.id)), own),
        (Fact::DeviceRevoked(DeviceRevoked { device: device.id }), own),
        (Fact::DeviceRevoked(DeviceRevoked { device: new.id }), by),
    ];
    assert_eq!(written(&bed, organisation, 1).await, expected);
    assert_eq!(bed.end(organisation).await, expected.len() as u64, "and nothing else");
}

/// A time beyond the calendar of entries cannot be written down, so that what is done at it must not be done either.
pub async fn an_act_that_cannot_be_written_down_is_not_done(bed: Bed) {
    const YEAR_10000_MS: i64 = 253_402_300_800_000;
    let organisation = bed.organisation(1).await;
    let office = someone(organisation);
    let device = device_as(&bed, organisation, 1, Role::Crew).await;
    device_as(&bed, organisation, 2, Role::Owner).await;
    let open = code(&bed, office, 3, Role::Owner, i64::MAX).await;
    let share = share_of(1, i64::MAX);
    bed.store.share_add(office, &share, NOW_MS).await.expect("added");
    let everything = async || {
        let store = &bed.store;
        let directory = store.directory(organisation, u64::MAX).await.expect("it answers");
        let open = (
            store.codes(organisation, NOW_MS).await.expect("it answers"),
            store.shares(organisation, NOW_MS, 9).await.expect("it answers"),
        );
        let devices = store.devices(organisation).await.expect("it answers");
        (bed.end(organisation).await, directory, open, devices)
    };
    let before = everything().await;
    let now_ms = YEAR_10000_MS;
    let late = EnrolmentCode { hash: code_of(4), role: Role::Crew, expires_ms: i64::MAX };
    let change = DeviceChange { mark: Some("K9".into()), role: Some(Role::Mechanic) };
    let new = Device::new(5, organisation);
    let enrolment = |device: &Device| {
        let mut enrolment = device.enrolment(code_of(3), "K5");
        enrolment.now_ms = now_ms;
        enrolment
    };
    let follow = |ends| Follow { now_ms, ..follow_of(&device, &new, ends) };
    let share_id = ShareId::of_hash(&share.hash);
    let store = &bed.store;
    for (name, failed) in [
        ("code_add", store.code_add(office, &late, now_ms).await.is_err()),
        ("code_cancel", store.code_cancel(office, open, now_ms).await.is_err()),
        ("enrol", store.enrol(&enrolment(&new)).await.is_err()),
        ("enrol again", store.enrol(&enrolment(&device)).await.is_err()),
        ("device_change", store.device_change(office, device.id, &change, now_ms).await.is_err()),
        ("device_revoke", store.device_revoke(office, device.id, now_ms).await.is_err()),
        ("share_add", store.share_add(office, &share_of(2, i64::MAX), now_ms).await.is_err()),
        ("share_end", store.share_end(office, share_id, now_ms).await.is_err()),
        ("follow", store.follow(&follow(false)).await.is_err()),
        ("follow and end", store.follow(&follow(true)).await.is_err()),
    ] {
        assert!(failed, "{name} could be written down");
    }
    assert_eq!(everything().await, before);
    assert_eq!(store.device(new.id).await.expect("it answers"), None);
    let enrolled = store.enrol(&new.enrolment(code_of(3), "K5")).await.expect("it answers");
    assert!(matches!(enrolled, Enrolled::In { .. }), "the code is good: {enrolled:?}");
}

pub async fn every_organisation_and_epoch_has_a_log_of_its_own(bed: Bed) {
    let (ours, theirs) = (bed.organisation(1).await, bed.organisation(2).await);
    let device = device_as(&bed, ours, 1, Role::Crew).await;
    code(&bed, someone(theirs), 2, Role::Crew, NOW_MS + 900).await;
    let first = page(&bed, ours).await;
    assert_eq!(bed.store.epoch_raise(1, 2).await.expect("it answers"), 2);
    code(&bed, someone(ours), 3, Role::Crew, NOW_MS + 900).await;
    assert_eq!(bed.store.device_revoke(someone(ours), device.id, NOW_MS).await.expect("it answers"), Changed::Done);

    let kinds = async |organisation, epoch| {
        let facts = written(&bed, organisation, epoch).await;
        facts.iter().map(|(fact, _)| fact.write().expect("it has a kind").0).collect::<Vec<_>>()
    };
    assert_eq!(kinds(ours, 1).await, ["code_made", "device_enrolled"], "the old log stays as it was");
    assert_eq!(kinds(ours, 2).await, ["code_made", "device_revoked"]);
    assert_eq!((kinds(theirs, 1).await, kinds(theirs, 2).await), (vec!["code_made"], vec![]));
    let now = page(&bed, ours).await;
    assert_eq!(now.entries[..first.entries.len()], first.entries);

    let directory = bed.store.directory(ours, 0).await.expect("it answers").expect("a directory");
    let secret = &bed.store.identity().ledger_secret;
    let card = |mark: &str| -> &DeviceCard { directory.devices.iter().find(|card| card.mark == mark).expect(mark) };
    for (mark, epoch) in [("SV", 1), ("SV2", 2)] {
        let scribe = Scribe::new(secret, ours, epoch);
        let (id, key, person) = (card(mark).id, card(mark).key, card(mark).person);
        assert_eq!((id, key, person), (scribe.device(), scribe.key(), PersonId::OPERATOR));
    }
}

/// Nor can what lets someone in be found by trying: no hash of a code is there, and no part of one.
pub async fn nothing_written_down_lets_anyone_in(bed: Bed) {
    let organisation = bed.organisation(1).await;
    device_as(&bed, organisation, 1, Role::Owner).await;
    bed.store.share_add(someone(organisation), &share_of(7, NOW_MS + 900), NOW_MS).await.expect("added");
    let entries = page(&bed, organisation).await.entries;
    assert_eq!(entries.len(), 3);
    for held in &entries {
        let text = String::from_utf8(held.entry.canonical()).expect("JSON is text");
        // The first eleven characters of base64url are the first 66 bits.
        for hash in [code_of(1).to_string(), Hash([7; 32]).to_string()] {
            assert!(!text.contains(&hash), "{text}");
        }
        assert!(!text.contains(&code_of(1).to_string()[..11]), "{text}");
    }
}
