//! Co-signatures of checkpoints: what is kept, and witnesses that answer wrongly or not at all.
//!
//! Promises: what must not count is not kept, and the ledger goes on. A witness by other hands is asked in
//! `tests/outside/check_witness.py`.

use crate::receiver::{Receiver, Reply, status};
use crate::world::World;
use pintle_core::MachineId;
use pintle_core::chain::DeviceKey;
use pintle_core::permission::Role;
use pintle_core::proof::note::{Judged, Kind, Note, Signer, witness};
use pintle_openapi::endpoints::proof::CheckpointReply;
use pintle_server::app::cosign::{Cosigned, Cosigner, Uncosigned};
use pintle_server::outgoing::reach::{Reach, Target};
use pintle_server::outgoing::{Outgoing, OutgoingError};
use pintle_store::{CheckpointRecord, Cosignature};
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);
const NAME: &str = "witness.example/hill";

fn key() -> DeviceKey {
    DeviceKey::from_secret(&[7; 32])
}

fn cosigner(receiver: &Receiver) -> Cosigner {
    Cosigner {
        signer: Signer { name: NAME.to_owned(), kind: Kind::Witness, key: key().public() },
        target: Target::read(&receiver.url(), Reach::Inside).expect("a URL"),
    }
}

fn answered(code: u16, body: &str) -> Reply {
    let head = format!("HTTP/1.1 {code} any\r\ncontent-length: {}\r\n\r\n", body.len());
    Reply::Bytes([head.as_bytes(), body.as_bytes()].concat())
}

/// The witness's line over a checkpoint, as at that second.
fn line(checkpoint: &CheckpointRecord, time_s: u64) -> String {
    let note = Note::read(&checkpoint.note).expect("a note");
    witness(&note.text, NAME, &key(), time_s).write()
}

async fn newest(world: &World) -> CheckpointRecord {
    world.store.checkpoint(world.organisation.id).await.expect("it answers").expect("a checkpoint")
}

async fn asked(world: &World, receiver: &Receiver) -> Result<Cosigned, Uncosigned> {
    let outgoing = Outgoing::trusting_none();
    let done = world.app.cosign_checkpoint(world.organisation.id, &cosigner(receiver), &outgoing).await;
    done.map_err(|refusal| format!("{refusal:?}")).expect("the store answers")
}

async fn kept(world: &World, size: u64) -> Vec<Cosignature> {
    world.store.cosignatures(world.organisation.id, size).await.expect("it answers")
}

/// Records about the machine and grows the tree.
async fn recorded(world: &World, phone: &mut crate::phone::Phone, reading: &str) {
    phone.record(EX3, 6, "meter_read", json!({ "reading": reading }));
    let body = phone.request_value(world, phone.log.len());
    assert_eq!(phone.send_value(world, &body).await.status, 200);
    world.app.grow_trees().await.map_err(|refusal| format!("{refusal:?}")).expect("it grows");
}

fn first_line(receiver: &Receiver, at: usize) -> String {
    let body = String::from_utf8(receiver.got()[at].body.clone()).expect("text");
    body.lines().next().unwrap_or_default().to_owned()
}

#[actix_web::test]
async fn a_line_of_the_witness_is_kept_and_stands_under_the_checkpoint() {
    let world = World::sqlite().await;
    let nobody = Receiver::new(vec![status(500)]).await;
    assert_eq!(asked(&world, &nobody).await.expect("nothing to sign"), Cosigned::Nothing);
    let mut phone = world.phone("K7", Role::Owner).await;
    let token = phone.token(&world).await;
    recorded(&world, &mut phone, "100").await;
    let first = newest(&world).await;
    // It has signed fewer leaves than it is asked about: the second request begins there.
    let receiver = Receiver::new(vec![answered(409, "1\n"), answered(200, &line(&first, 1_777_907_300))]).await;
    let Ok(Cosigned::Kept(size, cosignature)) = asked(&world, &receiver).await else { panic!("it is signed") };
    assert_eq!((size, cosignature.time_s, cosignature.name.as_str()), (first.size, 1_777_907_300, NAME));
    assert_eq!(kept(&world, size).await, std::slice::from_ref(&cosignature));
    assert_eq!([first_line(&receiver, 0), first_line(&receiver, 1)], ["old 0", "old 1"]);
    assert_eq!(asked(&world, &receiver).await.expect("signed already"), Cosigned::Nothing);
    assert_eq!(receiver.got().len(), 2, "and not asked again");
    let note = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().note;
    let note = Note::read(&note).expect("a note");
    assert_eq!(note.judge(&cosigner(&receiver).signer), Judged::Signed(Some(1_777_907_300)));

    // The next one begins at the one that it signed; in another epoch the ledger is another to it.
    recorded(&world, &mut phone, "110").await;
    let second = newest(&world).await;
    let receiver = Receiver::new(vec![answered(200, &line(&second, 1_777_907_400))]).await;
    assert!(matches!(asked(&world, &receiver).await, Ok(Cosigned::Kept(..))));
    assert_eq!(first_line(&receiver, 0), format!("old {}", first.size));
    world.store.epoch_raise(second.epoch, second.epoch + 5).await.expect("it is raised");
    recorded(&world, &mut phone, "120").await;
    let third = newest(&world).await;
    let receiver = Receiver::new(vec![answered(200, &line(&third, 1_777_907_500))]).await;
    assert!(matches!(asked(&world, &receiver).await, Ok(Cosigned::Kept(..))));
    assert_eq!(first_line(&receiver, 0), "old 0");
}

#[actix_web::test]
async fn what_is_no_co_signature_is_not_kept_and_says_why() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Owner).await;
    recorded(&world, &mut phone, "100").await;
    let checkpoint = newest(&world).await;
    let good = line(&checkpoint, 1_777_907_300);
    let text = Note::read(&checkpoint.note).expect("a note").text;
    let stranger = witness(&text, NAME, &DeviceKey::from_secret(&[8; 32]), 1_777_907_300).write();
    let of_other = witness("another text\n", NAME, &key(), 1_777_907_300).write();
    let own_log = checkpoint.note.lines().last().map(|line| format!("{line}\n")).unwrap_or_default();
    let (more, size) = (checkpoint.size + 7, checkpoint.size);
    let replies = vec![
        answered(200, &stranger),
        answered(200, &of_other),
        answered(200, &own_log),
        answered(200, ""),
        answered(200, &good[..good.len() - 1]),
        answered(200, &good.repeat(101)),
        answered(200, &format!("{good}{of_other}")),
        answered(404, ""),
        answered(403, &good),
        answered(503, &good),
        answered(422, ""),
        answered(409, &format!("{more}\n")),
        answered(409, &format!("{size}\n")),
        answered(409, ""),
        Reply::Flood(b"HTTP/1.1 200 OK\r\ncontent-length: 1073741824\r\n\r\n".to_vec()),
        Reply::Bytes(Vec::new()),
    ];
    let receiver = Receiver::new(replies).await;
    let mut told = Vec::new();
    for _ in 0..15 {
        told.push(match asked(&world, &receiver).await.expect_err("no co-signature") {
            Uncosigned::Flawed => "flawed".to_owned(),
            Uncosigned::Stranger(status) => format!("stranger {status}"),
            Uncosigned::Status(status) => status.as_u16().to_string(),
            Uncosigned::Rewritten(at) => format!("rewritten at {at}"),
            Uncosigned::Behind(signed, have) => format!("behind {signed} {have}"),
            Uncosigned::Unreached(OutgoingError::Broken(_)) => "broken".to_owned(),
            Uncosigned::Unreached(other) => panic!("{other}"),
        });
        assert_eq!(kept(&world, size).await, []);
    }
    let flawed = "flawed";
    let mut expected = vec![flawed; 7];
    let (behind, rewritten) = (format!("behind {more} {size}"), format!("rewritten at {size}"));
    expected.extend(["stranger 404 Not Found", "stranger 403 Forbidden", "503", "rewritten at 0", &behind, &rewritten]);
    expected.extend(["broken", "broken"]);
    assert_eq!(told, expected);
    recorded(&world, &mut phone, "110").await;
    assert!(newest(&world).await.size > size, "the ledger goes on");
}
