//! Photos and documents over HTTP: who reaches one, what becomes of chunks, and what is not taken.
//!
//! Promises: what a caller may not learn of and what is not there answer alike.

use crate::phone::Phone;
use crate::world::{Answer, World};
use actix_web::test::TestRequest;
use pintle_core::MachineId;
use pintle_core::ids::{Hash, Salt};
use pintle_core::limits::FILE_CHUNK_BYTES;
use pintle_core::permission::Role;
use pintle_openapi::endpoints::files::FileStandingReply;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);
const C: usize = FILE_CHUNK_BYTES as usize;

/// A document of so many bytes.
fn document(bytes: usize) -> Vec<u8> {
    let mut pdf = b"%PDF-1.7\n".to_vec();
    pdf.resize(bytes - 6, b' ');
    pdf.extend_from_slice(b"%%EOF\n");
    pdf
}

/// A phone that has recorded and pushed an entry which names this file; gives the way to it.
async fn named(world: &World, phone: &mut Phone, file: &[u8], media: &str) -> String {
    let files = json!([{"sha256": Hash::of(&[file]), "bytes": file.len(), "type": media, "name": "../../x.pdf"}]);
    let words = json!({"salt": Salt([5; 12]), "text": "see", "files": files});
    phone.record_parts(EX3, 6, "note_left", json!({"body": {}, "words": words}));
    phone.sync(world, phone.log.len()).await;
    path(phone, phone.log.len() as u64, file)
}

fn path(phone: &Phone, seq: u64, file: &[u8]) -> String {
    format!("/v1/entries/{}/{seq}/files/{}", phone.id(), Hash::of(&[file]))
}

async fn sent(world: &World, path: &str, token: &str, offset: &str, media: &str, chunk: &[u8]) -> Answer {
    let request = TestRequest::post()
        .uri(&format!("{path}?offset={offset}"))
        .insert_header(("authorization", format!("Bearer {token}")))
        .insert_header(("content-type", media))
        .set_payload(chunk.to_vec());
    world.send(request).await
}

async fn bring(world: &World, path: &str, token: &str, offset: usize, chunk: &[u8]) -> Answer {
    sent(world, path, token, &offset.to_string(), "application/octet-stream", chunk).await
}

fn received(answer: &Answer) -> u64 {
    assert_eq!(answer.status, 200, "{}", answer.text());
    answer.reply::<FileStandingReply>().received
}

#[actix_web::test]
async fn a_file_is_brought_in_chunks_and_read_by_the_crew() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Crew).await;
    let file = document(2 * C + 100);
    let way = named(&world, &mut phone, &file, "application/pdf").await;
    let token = phone.token(&world).await;
    let standing = world.get_with(&way, &token).await.reply::<FileStandingReply>();
    assert_eq!((standing.received, standing.bytes, standing.media.as_str()), (0, file.len() as u64, "application/pdf"));
    assert_eq!(world.get_with(&format!("{way}/content"), &token).await.status, 404, "it is not whole");
    assert_eq!(received(&bring(&world, &way, &token, C, &file[C..2 * C]).await), 0, "one that comes too early");
    for (at, end) in [(0, C), (0, C), (C, 2 * C), (2 * C, file.len()), (0, C)] {
        let there = received(&bring(&world, &way, &token, at, &file[at..end]).await);
        assert!(there >= end as u64, "{at}");
    }
    // Another device of the crew reads it, as something to keep.
    let other = world.phone("M4", Role::Crew).await;
    let answer = world.get_with(&format!("{way}/content"), &other.token(&world).await).await;
    assert_eq!((answer.status, answer.body.as_slice()), (200, file.as_slice()));
    for (name, value) in [
        ("content-type", "application/octet-stream"),
        ("content-disposition", "attachment"),
        ("x-content-type-options", "nosniff"),
        ("cache-control", "no-store"),
    ] {
        assert_eq!(answer.header(name), Some(value), "{name}");
    }
}

#[actix_web::test]
async fn a_file_is_reached_only_by_an_entry_that_names_it() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Owner).await;
    let file = document(100);
    let way = named(&world, &mut phone, &file, "application/pdf").await;
    let token = phone.token(&world).await;
    assert_eq!(received(&bring(&world, &way, &token, 0, &file).await), 100);
    // Of the same server another organisation, which knows the hash and even names it, has none of it.
    let organisation = world.other_organisation().await;
    let mut stranger = Phone::new(&world, "K7");
    stranger.enrol(&world, &world.code_of(&organisation, Role::Owner).await).await;
    let own = named(&world, &mut stranger, &file, "application/pdf").await;
    let strange = stranger.token(&world).await;
    assert_eq!(world.get_with(&own, &strange).await.reply::<FileStandingReply>().received, 0);
    for lost in [way.clone(), format!("{way}/content"), format!("{own}/content")] {
        world.get_with(&lost, &strange).await.refused(404, "not-found", "");
    }
    let hash = Hash::of(&[&file]).to_string();
    for lost in [
        path(&phone, 2, &file),
        path(&phone, 99, &file),
        path(&phone, u64::MAX, &file),
        way.replace("/1/", "/-1/"),
        way.replace("/1/", "/0/"),
        path(&phone, 1, b"another"),
        way.replace(&hash, "..%2f..%2fx"),
        way.replace(&hash, "x"),
    ] {
        world.get_with(&lost, &token).await.refused(404, "not-found", "");
        bring(&world, &lost, &token, 0, &file).await.refused(404, "not-found", "");
    }
    assert_eq!(world.get_with(&way, "no token").await.status, 401);
    assert_eq!(bring(&world, &way, "no token", 0, &file).await.status, 401);
}

#[actix_web::test]
async fn what_is_not_taken_says_why_and_leaves_nothing() {
    let world = World::sqlite().await;
    let mut phone = world.phone("K7", Role::Crew).await;
    let file = document(C + 100);
    let way = named(&world, &mut phone, &file, "application/pdf").await;
    let token = phone.token(&world).await;
    let mut other = file.clone();
    other[20] = b'x';
    assert_eq!(received(&bring(&world, &way, &token, 0, &other[..C]).await), C as u64);
    let refused = bring(&world, &way, &token, C, &other[C..]).await;
    assert_eq!((refused.status, refused.problem().code.as_str()), (422, "bad-file"));
    assert_eq!(world.get_with(&way, &token).await.reply::<FileStandingReply>().received, 0, "it begins anew");
    for (offset, chunk) in
        [("1", &file[..C]), ("-1", &file[..C]), ("0", &file[..C - 1]), ("262144", &file[..7]), ("0", &file[..0])]
    {
        let answer = sent(&world, &way, &token, offset, "application/octet-stream", chunk).await;
        assert_eq!((answer.status, answer.problem().code.as_str()), (422, "out-of-range"), "{offset}");
    }
    let too_large = bring(&world, &way, &token, 0, &[0; C + 1]).await;
    assert_eq!((too_large.status, too_large.problem().code.as_str()), (413, "payload-too-large"));
    let json = sent(&world, &way, &token, "0", "application/json", b"{}").await;
    assert_eq!((json.status, json.problem().code.as_str()), (415, "unsupported-media-type"));
    // Whatever it is called, what is none of the files that are kept stays out; a type of tomorrow is only named.
    let script = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>".to_vec();
    for media in ["image/png", "image/svg+xml"] {
        let way = named(&world, &mut phone, &script, media).await;
        let answer = bring(&world, &way, &token, 0, &script).await;
        assert_eq!((answer.status, answer.problem().code.as_str()), (422, "bad-file"), "{media}");
    }
}
