//! Checkpoints, proofs and service histories, as a caller gets them.
//!
//! Promises: what comes is verified by core's verifier with the key that came another way, not looked at.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{Answer, World};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use flate2::read::GzDecoder;
use pintle_core::history::verdict::{Standing, Verdict};
use pintle_core::history::verify::Verifier;
use pintle_core::ids::{Hash, MachineId, PublicKey};
use pintle_core::permission::Role;
use pintle_core::proof::checkpoint::{Checkpoint, origin};
use pintle_core::proof::leaf::roll_leaf_data;
use pintle_core::proof::merkle::{leaf_hash, verify_consistency, verify_inclusion};
use pintle_openapi::endpoints::proof::{CheckpointReply, ProofReply};
use pintle_openapi::endpoints::shares::ShareReply;
use serde_json::{Value, json};
use std::io::Read as _;

const EX3: MachineId = MachineId([3; 16]);
const EX4: MachineId = MachineId([4; 16]);

fn lines(answer: &Answer) -> String {
    assert_eq!((answer.status, answer.header("content-type")), (200, Some("application/gzip")));
    let mut text = String::new();
    GzDecoder::new(&answer.body[..]).read_to_string(&mut text).expect("a gzip file of text");
    text
}

fn judged(text: &str, key: PublicKey) -> Verdict {
    let mut verifier = Verifier::new(Some(key));
    text.lines().for_each(|line| verifier.line(line.as_bytes()));
    verifier.finish()
}

fn checked(world: &World, reply: &CheckpointReply) -> Checkpoint {
    let name = origin(&world.organisation.id, reply.epoch);
    let checkpoint = Checkpoint::open(&reply.note, &name, &reply.key).expect("signed by its key");
    assert_eq!((checkpoint.size, checkpoint.root), (reply.size, reply.root));
    checkpoint
}

async fn story(world: &World) -> (Phone, Phone, String) {
    let mut owner = world.phone("OW", Role::Owner).await;
    let mut crew = world.phone("K7", Role::Crew).await;
    owner.record(EX3, 0, "machine_added", json!({"name": "EX3", "serial": "A1"}));
    owner.record(EX4, 1, "machine_added", json!({"name": "EX4"}));
    owner.sync(world, 1).await;
    let words = json!({"salt": "AAAAAAAAAAAAAAAA", "text": "rattles like the devil"});
    let office = json!({"salt": "AAAAAAAAAAAAAAAAAAAAAA", "customer": "Quarry North"});
    let body = json!({"sign": "squeak", "urgency": "soon"});
    crew.record(EX4, 2, "meter_read", json!({"reading": "7"}));
    crew.record_parts(EX3, 3, "finding_raised", json!({"body": body, "words": words, "office": office}));
    crew.record(EX4, 4, "meter_read", json!({"reading": "8"}));
    crew.record(EX3, 5, "meter_read", json!({"reading": "124.5"}));
    crew.sync(world, 1).await;
    let token = owner.token(world).await;
    (owner, crew, token)
}

async fn a_checkpoint_covers_the_ledger_and_grows_only(world: World) {
    let (_, mut crew, token) = story(&world).await;
    let first: CheckpointReply = world.get_with("/v1/checkpoint", &token).await.reply();
    let older = checked(&world, &first);
    assert_eq!((first.roll.position, first.roll.machines), (world.end().await, 2));
    let path = format!("/v1/proof/inclusion?index={}&size={}", older.size - 1, older.size);
    let ProofReply { proof } = world.get_with(&path, &token).await.reply();
    let leaf = leaf_hash(&roll_leaf_data(&first.roll));
    assert!(verify_inclusion(&leaf, older.size - 1, older.size, &proof, &older.root));
    let again: CheckpointReply = world.get_with("/v1/checkpoint", &token).await.reply();
    assert_eq!(again, first, "nothing new is signed over the same");

    crew.record(EX3, 6, "meter_read", json!({"reading": "125"}));
    crew.sync(&world, 5).await;
    let second: CheckpointReply = world.get_with("/v1/checkpoint", &token).await.reply();
    let newer = checked(&world, &second);
    assert_eq!(second.key, first.key);
    let path = format!("/v1/proof/consistency?from={}&to={}", older.size, newer.size);
    let ProofReply { proof } = world.get_with(&path, &token).await.reply();
    assert!(verify_consistency(older.size, newer.size, &proof, &older.root, &newer.root));
    for (path, place) in [
        ("/v1/proof/inclusion?index=9&size=9".to_owned(), "index"),
        ("/v1/proof/inclusion?index=-1&size=9".to_owned(), "index"),
        (format!("/v1/proof/inclusion?index=0&size={}", newer.size + 1), "size"),
        ("/v1/proof/inclusion?index=0&size=0".to_owned(), "size"),
        ("/v1/proof/consistency?from=0&to=9".to_owned(), "from"),
        ("/v1/proof/consistency?from=9&to=8".to_owned(), "from"),
        ("/v1/proof/consistency?from=1&to=9007199254740993".to_owned(), "to"),
    ] {
        world.get_with(&path, &token).await.refused(422, "out-of-range", place);
    }
}

async fn a_history_verifies_and_shows_what_it_is_to_show(world: World) {
    let (owner, _, token) = story(&world).await;
    let key = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().key;
    for (withhold, names, words, office) in [
        ("", true, true, false),
        ("?withhold=", true, true, true),
        ("?withhold=names", false, true, true),
        ("?withhold=words,office", true, false, false),
    ] {
        let text = lines(&world.get_with(&format!("/v1/machines/{EX3}/history{withhold}"), &token).await);
        let verdict = judged(&text, key);
        assert_eq!((verdict.standing, verdict.failures), (Standing::Valid, Vec::new()), "{withhold}");
        assert_eq!((verdict.about.entries, verdict.about.devices), (3, 2));
        assert_eq!(text.contains(&owner.person.name), names, "{withhold}");
        assert_eq!(text.contains("rattles like the devil"), words, "{withhold}");
        assert_eq!(text.contains("Quarry North"), office, "{withhold}");
        assert!(!text.contains(&EX4.to_string()), "no other machine");
    }
    let path = format!("/v1/machines/{EX3}/history?withhold=body");
    world.get_with(&path, &token).await.refused(422, "out-of-range", "withhold");
    let unknown = MachineId([0x77; 16]);
    world.get_with(&format!("/v1/machines/{unknown}/history"), &token).await.refused(404, "not-found", "");
}

async fn a_link_gives_the_history_of_its_machine_alone(world: World) {
    let (owner, _, token) = story(&world).await;
    let key = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().key;
    let request = json!({"machine": EX3, "days": 3, "shows": ["words"]});
    let share: ShareReply = world.post_with("/v1/shares", &request, &token).await.reply();
    let text = lines(&world.get(&format!("/v1/shared/{}/history", share.link)).await);
    let verdict = judged(&text, key);
    assert_eq!((verdict.standing, verdict.about.entries), (Standing::Valid, 3));
    assert_eq!(verdict.about.withheld, ["names", "office"]);
    assert!(text.contains("rattles like the devil"));
    assert!(!text.contains("Quarry North") && !text.contains(&owner.person.name));
    let end = format!("/v1/shares/{}/end", share.report.id);
    assert_eq!(world.post_with(&end, &json!({}), &token).await.status, 200);
    world.get(&format!("/v1/shared/{}/history", share.link)).await.refused(404, "not-found", "");
}

/// The base64 that a page holds under a name.
fn held(page: &str, name: &str) -> Vec<u8> {
    let (_, rest) = page.split_once(&format!("id=\"{name}\">")).expect(name);
    STANDARD.decode(rest.split_once("</script>").expect(name).0).expect("base64")
}

async fn a_page_holds_the_file_and_what_was_computed_of_the_same(world: World) {
    let (owner, _, token) = story(&world).await;
    let key = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().key;
    let answer = world.get_with(&format!("/v1/machines/{EX3}/history/page?withhold=words"), &token).await;
    assert_eq!((answer.status, answer.header("content-type")), (200, Some("text/html; charset=utf-8")));
    let policy = answer.header("content-security-policy").expect("a policy").to_owned();
    assert!(policy.starts_with(&pintle_core::history::page::policy()) && !policy.contains("unsafe"), "{policy}");
    assert!(answer.header("content-disposition").is_some_and(|name| name.starts_with("inline")));
    let page = answer.text();
    let file = held(&page, "file");
    let mut text = String::new();
    GzDecoder::new(&file[..]).read_to_string(&mut text).expect("a gzip file of text");
    assert_eq!(judged(&text, key).standing, Standing::Valid);
    let summary: Value = serde_json::from_slice(&held(&page, "summary")).expect("JSON");
    assert_eq!(summary["of"], Hash::of(&[&file]).to_string(), "it says of which file it is");
    assert_eq!(summary["book"]["counts"]["entries"], 3);
    assert!(!summary.to_string().contains("rattles") && !page.contains(&owner.person.name), "not even as text");

    let request = json!({"machine": EX3, "days": 3, "shows": []});
    let share: ShareReply = world.post_with("/v1/shares", &request, &token).await.reply();
    let path = format!("/v1/shared/{}/history/page", share.link);
    let shared = held(&world.get(&path).await.text(), "file");
    let mut text = String::new();
    GzDecoder::new(&shared[..]).read_to_string(&mut text).expect("a gzip file of text");
    assert_eq!(judged(&text, key).about.withheld, ["names", "office", "words"]);
    let end = format!("/v1/shares/{}/end", share.report.id);
    assert_eq!(world.post_with(&end, &json!({}), &token).await.status, 200);
    world.get(&path).await.refused(404, "not-found", "");
}

/// The one file inside a PDF, as its writer puts it: without a filter.
fn inside(pdf: &[u8]) -> Vec<u8> {
    let find = |from: usize, what: &[u8]| {
        pdf[from..].windows(what.len()).position(|part| part == what).map(|at| from + at).expect("a file inside")
    };
    let at = find(0, b"/Type/EmbeddedFile/");
    let before = &pdf[..at];
    let length = before.windows(8).rposition(|part| part == b"/Length ").expect("a length") + 8;
    let length: usize = std::str::from_utf8(&pdf[length..at]).expect("ASCII").parse().expect("a number");
    let begin = find(at, b"stream\n") + b"stream\n".len();
    pdf[begin..begin + length].to_vec()
}

/// One after the other: papers are set one at a time, and who waits too long is told so.
async fn a_paper_holds_the_file_it_was_printed_from(world: World) {
    let (_, _, token) = story(&world).await;
    let key = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>().key;
    let path = format!("/v1/machines/{EX3}/history/pdf");
    let answer = world.get_with(&format!("{path}?withhold=words&paper=letter"), &token).await;
    assert_eq!((answer.status, answer.header("content-type")), (200, Some("application/pdf")));
    assert!(answer.header("content-disposition").is_some_and(|name| name.contains("service-history.pdf")));
    assert!(answer.body.starts_with(b"%PDF-"));
    let file = inside(&answer.body);
    let mut text = String::new();
    GzDecoder::new(&file[..]).read_to_string(&mut text).expect("a gzip file of text");
    let verdict = judged(&text, key);
    assert_eq!((verdict.standing, verdict.about.entries), (Standing::Valid, 3));
    assert_eq!(verdict.about.withheld, ["words"]);
    assert!(!String::from_utf8_lossy(&answer.body).contains("rattles"));
    world.get_with(&format!("{path}?paper=a5"), &token).await.refused(422, "malformed-request", "paper");
    world.get_with(&format!("{path}?withhold=body"), &token).await.refused(422, "out-of-range", "withhold");
    let unknown = MachineId([0x77; 16]);
    world.get_with(&format!("/v1/machines/{unknown}/history/pdf"), &token).await.refused(404, "not-found", "");

    let request = json!({"machine": EX3, "days": 3});
    let share: ShareReply = world.post_with("/v1/shares", &request, &token).await.reply();
    let path = format!("/v1/shared/{}/history/pdf", share.link);
    let mut text = String::new();
    let shared = inside(&world.get(&path).await.body);
    GzDecoder::new(&shared[..]).read_to_string(&mut text).expect("a gzip file of text");
    assert_eq!(judged(&text, key).about.withheld, ["names", "office", "words"]);
    let end = format!("/v1/shares/{}/end", share.report.id);
    assert_eq!(world.post_with(&end, &json!({}), &token).await.status, 200);
    world.get(&path).await.refused(404, "not-found", "");
}

/// On a database of its own: worlds on PostgreSQL share one, and its epoch.
#[actix_web::test]
async fn a_history_goes_on_over_a_new_epoch_under_the_first_key() {
    let world = World::sqlite().await;
    let (_, mut crew, token) = story(&world).await;
    let first = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>();
    world.store.epoch_raise(first.epoch, first.epoch + 5).await.expect("it is raised");
    crew.record(EX3, 7, "meter_read", json!({"reading": "130"}));
    let body = crew.request_value(&world, 5);
    assert_eq!(crew.send_value(&world, &body).await.status, 200);
    let text = lines(&world.get_with(&format!("/v1/machines/{EX3}/history"), &token).await);
    let newest = world.get_with("/v1/checkpoint", &token).await.reply::<CheckpointReply>();
    assert_ne!(newest.key, first.key);
    for key in [first.key, newest.key] {
        assert_eq!(judged(&text, key).standing, Standing::Valid);
    }
}

on_every_store! {
    a_checkpoint_covers_the_ledger_and_grows_only
    a_history_verifies_and_shows_what_it_is_to_show
    a_link_gives_the_history_of_its_machine_alone
    a_page_holds_the_file_and_what_was_computed_of_the_same
    a_paper_holds_the_file_it_was_printed_from
}

#[actix_web::test]
async fn an_empty_ledger_has_no_checkpoint_and_the_follower_nothing_to_do() {
    let world = World::memory().await;
    let token = world.phone("OW", Role::Owner).await.token(&world).await;
    // Enrolment itself is written down: the ledger is not empty.
    let reply: CheckpointReply = world.get_with("/v1/checkpoint", &token).await.reply();
    assert_eq!(reply.roll.machines, 0);
    world.another_process().grow_trees().await.expect("it looks");
    let again: CheckpointReply = world.get_with("/v1/checkpoint", &token).await.reply();
    assert_eq!(again, reply);
}
