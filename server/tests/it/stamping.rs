//! Time stamps of checkpoints: by OpenSSL as an authority, and by authorities that answer wrongly or not at all.
//!
//! Promises: what is kept is read back and judged again; what must not count is not kept, and the ledger goes on.

use crate::authority::Authority;
use crate::receiver::{Receiver, Reply, status};
use crate::world::World;
use flate2::read::GzDecoder;
use pintle_core::history::stamped::{Tally, Weight, proved_by};
use pintle_core::history::verdict::{Standing, Verdict};
use pintle_core::history::verify::Verifier;
use pintle_core::ids::Hash;
use pintle_core::permission::Role;
use pintle_core::proof::note::Note;
use pintle_core::stamp::{Authority as Believed, Flaw, TOKEN_BYTES_MAX, judge};
use pintle_openapi::endpoints::proof::CheckpointReply;
use pintle_server::app::stamp::{Haste, Stamped, Stamper, Unstamped};
use pintle_server::outgoing::reach::{Reach, Target};
use pintle_server::outgoing::{Outgoing, OutgoingError};
use pintle_store::StampRecord;
use serde_json::json;
use std::io::Read as _;

const HOUR_MS: i64 = 3_600_000;
const EX3: pintle_core::MachineId = pintle_core::MachineId([3; 16]);

fn stamper(url: &str, pem: &[u8]) -> Stamper {
    Stamper {
        target: Target::read(url, Reach::Inside).expect("a URL"),
        authorities: Believed::read_pem(pem).expect("a certificate"),
        every_ms: 24 * HOUR_MS,
    }
}

async fn stamped(world: &World, stamper: &Stamper, haste: Haste) -> Result<Stamped, Unstamped> {
    let outgoing = Outgoing::trusting_none();
    let done = world.app.stamp_checkpoint(world.organisation.id, stamper, &outgoing, haste).await;
    done.map_err(|refusal| format!("{refusal:?}")).expect("the store answers")
}

async fn kept(world: &World) -> Vec<StampRecord> {
    let found = world.store.machine_stamps(world.organisation.id, EX3, u64::MAX >> 1, 64).await.expect("it answers");
    found.into_iter().map(|found| found.stamp).collect()
}

/// Records about the machine and grows the tree.
async fn recorded(world: &World, phone: &mut crate::phone::Phone, reading: &str) {
    phone.record(EX3, 6, "meter_read", json!({ "reading": reading }));
    phone.sync(world, phone.log.len()).await;
    world.app.grow_trees().await.map_err(|refusal| format!("{refusal:?}")).expect("it grows");
}

#[actix_web::test]
async fn a_checkpoint_is_stamped_when_it_is_time_and_something_is_new() {
    let world = World::sqlite().await;
    let authority = Authority::new();
    let stamper = stamper(&authority.url(), &authority.pem());
    assert!(matches!(stamped(&world, &stamper, Haste::Due).await, Ok(Stamped::Nothing)), "there is no checkpoint");
    let mut phone = world.phone("K7", Role::Owner).await;
    recorded(&world, &mut phone, "100").await;
    let Ok(Stamped::Kept(first)) = stamped(&world, &stamper, Haste::Due).await else { panic!("a stamp") };
    assert_eq!(kept(&world).await, std::slice::from_ref(&first));
    let checkpoint = world.store.checkpoint(world.organisation.id).await.expect("it answers").expect("a checkpoint");
    assert_eq!((first.size, first.authority.as_str()), (checkpoint.size, "CN=root,O=Hill"));
    let text = Note::read(&checkpoint.note).expect("a note").text;
    let judged = judge(&first.token, &Hash::of(&[text.as_bytes()]), None, &stamper.authorities).expect("it counts");
    assert_eq!((judged.at_s, judged.authority), (first.at_s, first.authority.clone()));

    assert!(matches!(stamped(&world, &stamper, Haste::Now).await, Ok(Stamped::Nothing)), "nothing is new");
    recorded(&world, &mut phone, "110").await;
    assert!(matches!(stamped(&world, &stamper, Haste::Due).await, Ok(Stamped::Early)));
    world.ambient.forward_s(24 * 3600);
    let Ok(Stamped::Kept(second)) = stamped(&world, &stamper, Haste::Due).await else { panic!("a day later") };
    recorded(&world, &mut phone, "120").await;
    let Ok(Stamped::Kept(third)) = stamped(&world, &stamper, Haste::Now).await else { panic!("on demand") };
    assert_eq!(kept(&world).await, [first, second, third]);
}

/// The history of the machine, judged by who has the key and these authorities.
async fn judged_history(world: &World, token: &str, authorities: Vec<Believed>) -> Verdict {
    let key = world.get_with("/v1/checkpoint", token).await.reply::<CheckpointReply>().key;
    let answer = world.get_with(&format!("/v1/machines/{EX3}/history"), token).await;
    let mut text = String::new();
    GzDecoder::new(answer.body.as_slice()).read_to_string(&mut text).expect("gzip");
    let mut verifier = Verifier::new(Some(key)).believing(authorities);
    text.lines().for_each(|line| verifier.line(line.as_bytes()));
    verifier.finish()
}

#[actix_web::test]
async fn a_history_has_the_stamps_that_tell_something_of_its_machine() {
    let world = World::sqlite().await;
    let authority = Authority::new();
    let stamper = stamper(&authority.url(), &authority.pem());
    let believed = || stamper.authorities.clone();
    let mut phone = world.phone("K7", Role::Owner).await;
    let token = phone.token(&world).await;
    recorded(&world, &mut phone, "100").await;
    assert_eq!(judged_history(&world, &token, believed()).await.about.stamps, Tally::default());
    let Ok(Stamped::Kept(first)) = stamped(&world, &stamper, Haste::Now).await else { panic!("a stamp") };
    // Entries about other machines are stamped as well, which tells nothing new of this one.
    phone.record(pintle_core::MachineId([4; 16]), 6, "meter_read", json!({"reading": "7"}));
    phone.sync(&world, phone.log.len()).await;
    world.app.grow_trees().await.map_err(|refusal| format!("{refusal:?}")).expect("it grows");
    let Ok(Stamped::Kept(_)) = stamped(&world, &stamper, Haste::Now).await else { panic!("of another machine") };
    let epoch = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().epoch;
    world.store.epoch_raise(epoch, epoch + 5).await.expect("it is raised");
    phone.record(EX3, 7, "meter_read", json!({"reading": "110"}));
    let body = phone.request_value(&world, phone.log.len());
    assert_eq!(phone.send_value(&world, &body).await.status, 200);
    world.app.grow_trees().await.map_err(|refusal| format!("{refusal:?}")).expect("it grows");
    let Ok(Stamped::Kept(second)) = stamped(&world, &stamper, Haste::Now).await else { panic!("a new epoch") };
    recorded(&world, &mut phone, "120").await;

    let verdict = judged_history(&world, &token, believed()).await;
    assert_eq!((verdict.standing, verdict.failures), (Standing::Valid, Vec::new()));
    let found = verdict.about.stamps.stamps;
    let told: Vec<_> = found.iter().map(|stamp| (stamp.count, stamp.at_s, stamp.authority.as_str())).collect();
    assert_eq!(told, [(1, first.at_s, "CN=root,O=Hill"), (2, second.at_s, "CN=root,O=Hill")]);
    assert_eq!((proved_by(&found, 1), proved_by(&found, 2)), (found[0].by_s(), found[1].by_s()));
    assert!(found[0].by_s() >= Some(first.at_s) && proved_by(&found, 3).is_none());
    // To who names no authority they are claims.
    let unjudged = judged_history(&world, &token, Vec::new()).await.about.stamps.stamps;
    assert!(unjudged.len() == 2 && unjudged.iter().all(|stamp| stamp.weight == Weight::Unjudged));
}

#[actix_web::test]
async fn what_does_not_count_is_not_kept_and_the_ledger_goes_on() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Owner).await;
    recorded(&world, &mut phone, "100").await;
    let believed = Authority::new().pem();
    let of_other = include_bytes!("../../../core/tests/vectors/stamps/rsa.tsr").to_vec();
    let refused = include_bytes!("../../../core/tests/vectors/stamps/refused.tsr").to_vec();
    let body = |bytes: &[u8]| {
        let head = format!("HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n", bytes.len());
        Reply::Bytes([head.as_bytes(), bytes].concat())
    };
    let flood = Reply::Flood(b"HTTP/1.1 200 OK\r\nconnection: close\r\n\r\n".to_vec());
    let long = Reply::Flood(b"HTTP/1.1 200 OK\r\ncontent-length: 1073741824\r\n\r\n".to_vec());
    let replies = vec![
        body(&of_other),
        body(&refused),
        body(b"<html>sign in</html>"),
        body(&vec![0; TOKEN_BYTES_MAX]),
        status(503),
        flood,
        long,
        Reply::Bytes(Vec::new()),
    ];
    let receiver = Receiver::new(replies).await;
    let stamper = stamper(&receiver.url(), &believed);
    let mut answers = Vec::new();
    for _ in 0..8 {
        let error = stamped(&world, &stamper, Haste::Due).await.expect_err("no stamp");
        answers.push(match error {
            Unstamped::Flawed(flaw) => flaw.as_str().to_owned(),
            Unstamped::Status(status) => status.as_u16().to_string(),
            Unstamped::Unreached(OutgoingError::Broken(_)) => "broken".to_owned(),
            Unstamped::Unreached(other) => panic!("{other}"),
        });
        assert_eq!(kept(&world).await, []);
    }
    // A body without a length is not read at all.
    let damaged = Flaw::Damaged.as_str();
    let expected = ["other-imprint", "not-granted", damaged, damaged, "503", damaged, "broken", "broken"];
    assert_eq!(answers, expected);

    // One of another authority than the operator's.
    let stranger = Authority::new();
    let error = stamped(&world, &self::stamper(&stranger.url(), &believed), Haste::Due).await.expect_err("a stranger");
    assert!(matches!(error, Unstamped::Flawed(Flaw::SignatureFalse | Flaw::AuthorityUnknown)), "{error}");
    // One that answers a request of before.
    let before = stamped(&world, &self::stamper(&stranger.url(), &stranger.pem()), Haste::Due).await;
    let Ok(Stamped::Kept(before)) = before else { panic!("its own believe it: {before:?}") };
    assert_eq!(kept(&world).await, [before]);
    recorded(&world, &mut phone, "110").await;
    let newest = world.store.checkpoint(world.organisation.id).await.expect("it answers").expect("a checkpoint");
    assert!(newest.size > 1, "the tree grows on");
}
