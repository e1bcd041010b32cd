//! Keys that sign tokens, rotated while two processes serve one database.
//!
//! Promises: the clock is moved, never waited for; each process looks at its keys as late as it may.

use crate::phone::Phone;
use crate::tokens::decoded;
use crate::world::World;
use pintle_openapi::endpoints::documents::JwkSet;
use pintle_openapi::endpoints::token::{TOKEN_TTL_S, TokenRequest};
use pintle_server::app::App;
use pintle_server::limits::{KEY_LEAD_S, KEY_LOOK};
use pintle_store::{EarlierKeys, Role};
use serde_json::json;
use std::collections::BTreeSet;

async fn token(app: &App, world: &World, phone: &Phone) -> String {
    let assertion = phone.assertion(&phone.assertion_claims(world));
    app.token(TokenRequest { assertion }).await.expect("a token").access_token
}

fn kid(token: &str) -> String {
    decoded(token, 0)["kid"].as_str().expect("a name").to_owned()
}

fn published(app: &App) -> BTreeSet<String> {
    app.jwks().keys.into_iter().map(|key| key.kid).collect()
}

/// Two processes look at their keys at different moments, each once a minute. Throughout a rotation every token of one
/// is taken by the other, for as long as it lives.
async fn no_token_is_lost_by_a_rotation(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let processes = [world.another_process(), world.another_process()];
    for process in &processes {
        process.learn_keys().await.expect("it answers");
    }
    let look_s = i64::try_from(KEY_LOOK.as_secs()).expect("a minute");
    let mut given: Vec<(i64, String)> = Vec::new();
    let mut signed = BTreeSet::new();
    for step in 0..120 {
        let at_s = step * (look_s / 2);
        if step == 3 {
            world.operator().keys_rotate(EarlierKeys::Overlap).await.expect("a new key");
        }
        // The first has just looked when the second has not looked for a minute.
        processes[usize::from(step % 2 == 1)].learn_keys().await.expect("it answers");
        for process in &processes {
            let token = token(process, &world, &phone).await;
            assert!(published(process).contains(&kid(&token)), "what signs is published");
            signed.insert(kid(&token));
            given.push((at_s, token));
        }
        given.retain(|(given_s, _)| at_s - given_s <= TOKEN_TTL_S);
        for process in &processes {
            for (given_s, token) in &given {
                assert!(process.caller(token).await.is_ok(), "given at {given_s} s, shown at {at_s} s");
            }
        }
        world.ambient.forward_s(look_s / 2);
    }
    assert_eq!(signed.len(), 2, "the new key came into use");
    assert_eq!(published(&processes[0]).len(), 1, "and the old one went");
}

async fn a_new_key_is_published_at_once_and_signs_when_all_know_it(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let process = world.another_process();
    let before = published(&process);
    world.operator().keys_rotate(EarlierKeys::Overlap).await.expect("a new key");
    process.learn_keys().await.expect("it answers");
    assert_eq!(published(&process).len(), 2);
    world.ambient.forward_s(KEY_LEAD_S - 1);
    assert!(before.contains(&kid(&token(&process, &world, &phone).await)));
    world.ambient.forward_s(1);
    let new = kid(&token(&process, &world, &phone).await);
    assert!(!before.contains(&new) && published(&process).contains(&new));
    let lines = world.operator().keys().await.expect("it answers").join("\n");
    assert!(lines.contains("verifies until") && lines.contains(&format!("{new}  signs")), "{lines}");
    // After the overlap the next rotation forgets what is over, but for the first, which lies elsewhere.
    for _ in 0..3 {
        world.ambient.forward_s(86_400);
        world.operator().keys_rotate(EarlierKeys::Overlap).await.expect("a new key");
    }
    assert_eq!(world.store.token_keys().await.expect("it answers").len(), 2);
}

async fn a_key_that_was_seen_by_others_is_void_at_once(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let process = world.another_process();
    let old = token(&process, &world, &phone).await;
    assert!(process.caller(&old).await.is_ok());
    // One that has not begun to sign was there to be seen as well.
    world.operator().keys_rotate(EarlierKeys::Overlap).await.expect("a new key");
    world.operator().keys_rotate(EarlierKeys::Void).await.expect("a new key");
    process.learn_keys().await.expect("it answers");
    let refused = process.caller(&old).await.expect_err("void");
    assert_eq!(refused.problem.code(), "invalid-token");
    let new = token(&process, &world, &phone).await;
    assert!(process.caller(&new).await.is_ok());
    assert_eq!(published(&process), BTreeSet::from([kid(&new)]));
    world.ambient.forward_s(KEY_LEAD_S);
    assert_eq!(kid(&token(&process, &world, &phone).await), kid(&new));
}

#[actix_web::test]
async fn a_key_nobody_knows_touches_no_database() {
    let world = World::memory().await;
    let phone = world.phone("K7", Role::Crew).await;
    let good = phone.token(&world).await;
    let keys: JwkSet = world.get("/.well-known/jwks.json").await.reply();
    world.memory.as_ref().expect("in memory").go_down();
    for unknown in ["../../etc/passwd", "' OR 1=1 --", "AAAAAAAAAAA"] {
        let header = json!({"alg": "EdDSA", "typ": "at+jwt", "kid": unknown}).to_string();
        let forged = crate::tokens::signed(&world, &header, &decoded(&good, 1).to_string());
        world.get_with("/v1/me", &forged).await.refused(401, "invalid-token", "");
    }
    // A known key does: whether the device may still read is looked up every time.
    world.get_with("/v1/me", &good).await.refused(503, "unavailable", "");
    assert_eq!(keys.keys.len(), 1);
    let again: JwkSet = world.get("/.well-known/jwks.json").await.reply();
    assert_eq!(again, keys, "keys are published from memory");
}

/// Worlds on PostgreSQL share a database, and with it its keys: there the storage's own contract is tested instead.
mod on_memory {
    use crate::world::World;

    #[actix_web::test]
    async fn no_token_is_lost_by_a_rotation() {
        super::no_token_is_lost_by_a_rotation(World::memory().await).await;
    }
    #[actix_web::test]
    async fn a_new_key_is_published_at_once_and_signs_when_all_know_it() {
        super::a_new_key_is_published_at_once_and_signs_when_all_know_it(World::memory().await).await;
    }
    #[actix_web::test]
    async fn a_key_that_was_seen_by_others_is_void_at_once() {
        super::a_key_that_was_seen_by_others_is_void_at_once(World::memory().await).await;
    }
}
mod on_sqlite {
    use crate::world::World;

    #[actix_web::test]
    async fn no_token_is_lost_by_a_rotation() {
        super::no_token_is_lost_by_a_rotation(World::sqlite().await).await;
    }
    #[actix_web::test]
    async fn a_new_key_is_published_at_once_and_signs_when_all_know_it() {
        super::a_new_key_is_published_at_once_and_signs_when_all_know_it(World::sqlite().await).await;
    }
    #[actix_web::test]
    async fn a_key_that_was_seen_by_others_is_void_at_once() {
        super::a_key_that_was_seen_by_others_is_void_at_once(World::sqlite().await).await;
    }
}
