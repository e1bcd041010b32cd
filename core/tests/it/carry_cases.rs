//! A carry file is believed by keys that came another way: those known, and those that the server's own log lets in.
//!
//! Never trusts a card of the file: it names, and proves nothing.

use pintle_core::carry::{BAD_SEAL, Believed, Bundle, Proof, prove, stands_aside};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::entry::{Entry, Head};
use pintle_core::exchange::{Carried, DeviceCard, Push};
use pintle_core::fact::Fact;
use pintle_core::fact::administration::DeviceEnrolled;
use pintle_core::ids::{DeviceId, OrganisationId, PersonId, PublicKey};
use pintle_core::moment::Moment;
use pintle_core::permission::Role;
use pintle_core::scribe::Scribe;
use serde_json::json;
use std::collections::BTreeMap;

const ORGANISATION: OrganisationId = OrganisationId([9; 16]);
const NOW_S: i64 = 1_777_870_200;

fn entry(seq: u64, kind: &str, body: serde_json::Value) -> Entry {
    let head = Head {
        v: 1,
        seq,
        machine: None,
        mseq: None,
        seen: 0,
        also_seen: BTreeMap::new(),
        at: Moment::at(NOW_S, 0).expect("in range"),
        by: PersonId([1; 16]),
        kind: kind.into(),
        clock: None,
    };
    let serde_json::Value::Object(body) = body else { panic!("a body is an object") };
    Entry::new(&head, body, None, None).expect("a sound entry")
}

fn run(key: &DeviceKey, entries: Vec<Entry>) -> Carried {
    let empty = LogHead::empty(&key.public());
    let head = entries.iter().fold(empty, |head, entry| head.after(entry));
    let signature = key.seal(&ORGANISATION, 1, &head).signature;
    let push = Push { from: 1, previous: empty.link, entries, signature };
    Carried { device: DeviceId::of_key(&key.public()), push }
}

/// The server's log, in which it lets in a device.
fn lets_in(scribe: &Scribe, key: PublicKey) -> Carried {
    let device = DeviceId::of_key(&key);
    let enrolled = DeviceEnrolled { device, key, mark: "N4".into(), role: Role::Crew, code: None, follows: None };
    let empty = LogHead::empty(&scribe.key());
    let written = scribe.write(&empty, 0, PersonId::OPERATOR, &Fact::DeviceEnrolled(enrolled), NOW_S * 1000);
    let written = written.expect("written");
    let entries = written.entries.iter().map(|one| one.entry.clone()).collect();
    let push = Push { from: 1, previous: empty.link, entries, signature: written.seal.signature };
    Carried { device: scribe.device(), push }
}

fn judged(runs: Vec<Carried>, devices: Vec<DeviceCard>, scribe: &Scribe) -> Result<Proof, pintle_core::Fault> {
    let bundle = Bundle { organisation: ORGANISATION, devices, people: Vec::new(), runs };
    let bundle = Bundle::read(&bundle.write().expect("bytes")).expect("reads back");
    let server = Believed { key: scribe.key(), is_server: true, revoked: false };
    prove(&bundle, &ORGANISATION, &BTreeMap::from([(scribe.device(), server)]))
}

#[test]
fn a_device_that_is_new_is_believed_by_the_server_s_own_log_alone() {
    let (key, scribe) = (DeviceKey::from_secret(&[5; 32]), Scribe::new(&[1; 32], ORGANISATION, 1));
    let device = DeviceId::of_key(&key.public());
    let made = || run(&key, vec![entry(1, "note_left", json!({})), entry(2, "note_left", json!({}))]);
    let proof = judged(vec![made(), lets_in(&scribe, key.public())], Vec::new(), &scribe).expect("proven");
    assert_eq!(proof.runs.iter().map(|run| (run.device, run.checked.entries.len())).collect::<Vec<_>>(), [(device, 2)]);
    assert_eq!(proof.let_in[&device].mark, "N4");
    // A card in the file is nobody's word.
    let person = PersonId([1; 16]);
    let card = DeviceCard { id: device, mark: "N4".into(), key: key.public(), person, revoked: false };
    let proof = judged(vec![made()], vec![card], &scribe).expect("read");
    assert_eq!((proof.runs.len(), proof.unknown), (0, BTreeMap::from([(device, 2)])));
    // A server that nobody here knows lets nobody in, and neither does one whose seal is another's.
    let other = Scribe::new(&[2; 32], ORGANISATION, 1);
    let proof = judged(vec![made(), lets_in(&other, key.public())], Vec::new(), &scribe).expect("read");
    assert_eq!((proof.runs.len(), proof.unknown.len()), (0, 2));
    let mut forged = lets_in(&other, key.public());
    forged.device = scribe.device();
    let refused = judged(vec![made(), forged], Vec::new(), &scribe).expect_err("refused");
    assert!([BAD_SEAL, "chain-mismatch"].contains(&refused.code.as_str()), "{refused}");
}

/// What only the server may say, a person's device cannot bring into force by file either.
#[test]
fn what_only_the_server_may_say_stands_aside() {
    let (key, scribe) = (DeviceKey::from_secret(&[5; 32]), Scribe::new(&[1; 32], ORGANISATION, 1));
    let revoke = json!({"device": scribe.device()});
    let entries =
        vec![entry(1, "device_revoked", revoke), entry(2, "note_left", json!({})), entry(3, "task_done", json!({}))];
    let proof = judged(vec![run(&key, entries), lets_in(&scribe, key.public())], Vec::new(), &scribe).expect("proven");
    let aside =
        |revoked| proof.runs[0].checked.entries.iter().map(|one| stands_aside(one, revoked)).collect::<Vec<_>>();
    let here = aside(false);
    assert_eq!((here[0].as_deref(), here[1].as_deref()), (Some("not-permitted"), None));
    assert!(here[2].is_some(), "a form that the server would set aside");
    assert!(aside(true).iter().all(|code| code.as_deref() == Some("device-revoked")));
}
