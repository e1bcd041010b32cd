//! Tokens: given for an assertion, refused in every way a token can be wrong.
//!
//! Promises: each forged token differs from a good one in one thing, and most are signed with the server's own key, so that
//! only that one thing can be what is refused.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::World;
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use ed25519_dalek::{Signer as _, SigningKey};
use hmac::{Hmac, KeyInit as _, Mac as _};
use pintle_core::ids::DeviceId;
use pintle_openapi::endpoints::documents::JwkSet;
use pintle_openapi::endpoints::me::MeReply;
use pintle_openapi::endpoints::token::{AssertionClaims, TOKEN_TTL_S};
use pintle_server::limits::CLOCK_LEEWAY_S;
use pintle_store::Role;
use serde_json::{Value, json};
use sha2::Sha256;

fn part(value: &Value) -> String {
    URL_SAFE_NO_PAD.encode(value.to_string())
}

pub fn decoded(token: &str, index: usize) -> Value {
    let part = token.split('.').nth(index).expect("a part");
    serde_json::from_slice(&URL_SAFE_NO_PAD.decode(part).expect("base64url")).expect("JSON")
}

/// A token signed with the server's own key: only its content is wrong.
pub fn signed(world: &World, header: &str, claims: &str) -> String {
    let key = SigningKey::from_bytes(&world.store.identity().token_secret);
    let text = format!("{}.{}", URL_SAFE_NO_PAD.encode(header), URL_SAFE_NO_PAD.encode(claims));
    format!("{text}.{}", URL_SAFE_NO_PAD.encode(key.sign(text.as_bytes()).to_bytes()))
}

fn with(value: &Value, field: &str, to: Value) -> String {
    let mut value = value.clone();
    value[field] = to;
    value.to_string()
}

fn without(value: &Value, field: &str) -> String {
    let mut value = value.clone();
    value.as_object_mut().expect("an object").remove(field).expect(field);
    value.to_string()
}

async fn a_token_says_who_one_is(world: World) {
    let phone = world.phone("K7", Role::Office).await;
    let token = phone.token(&world).await;
    let me: MeReply = world.get_with("/v1/me", &token).await.reply();
    assert_eq!((me.device, me.person, me.mark.as_str()), (phone.id(), phone.person.clone(), "K7"));
    assert_eq!((me.organisation.id, me.role), (world.organisation.id, pintle_openapi::Role::Office));
    let keys: JwkSet = world.get("/.well-known/jwks.json").await.reply();
    assert_eq!(decoded(&token, 0), json!({"alg": "EdDSA", "typ": "at+jwt", "kid": keys.keys[0].kid}));
    let claims = decoded(&token, 1);
    assert_eq!((&claims["iss"], &claims["aud"]), (&json!("pintle"), &json!(phone.store)));
    // The published key verifies the token.
    let key: [u8; 32] = URL_SAFE_NO_PAD.decode(&keys.keys[0].x).expect("base64url").try_into().expect("32 bytes");
    let (text, signature) = token.rsplit_once('.').expect("three parts");
    assert!(pintle_core::chain::verify(
        &pintle_core::PublicKey(key),
        text.as_bytes(),
        &signature.parse().expect("64 bytes"),
    ));
    let lower =
        actix_web::test::TestRequest::get().uri("/v1/me").insert_header(("Authorization", format!("bearer {token}")));
    assert_eq!(world.send(lower).await.status, 200, "the scheme may be written in any case");
}

async fn a_request_without_a_usable_header_has_no_token(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let token = phone.token(&world).await;
    world.get("/v1/me").await.refused(401, "token-missing", "");
    world.get(&format!("/v1/me?access_token={token}")).await.refused(401, "token-missing", "");
    let get = || actix_web::test::TestRequest::get().uri("/v1/me");
    for header in [token.clone(), format!("Basic {token}"), "Bearer".to_owned(), "Bearer ".to_owned(), String::new()] {
        world.send(get().insert_header(("Authorization", header))).await.refused(401, "token-missing", "Authorization");
    }
    let twice = get().append_header(("Authorization", format!("Bearer {token}")));
    let twice = twice.append_header(("Authorization", format!("Bearer {token}")));
    world.send(twice).await.refused(400, "bad-header", "authorization");
}

async fn a_forged_token_is_refused(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let good = phone.token(&world).await;
    let (header, claims) = (decoded(&good, 0), decoded(&good, 1));
    let signature = good.rsplit('.').next().expect("a signature");
    let keys: JwkSet = world.get("/.well-known/jwks.json").await.reply();
    let public = URL_SAFE_NO_PAD.decode(&keys.keys[0].x).expect("base64url");
    let mut forged: Vec<String> = Vec::new();
    for alg in ["none", "None", "nOnE", ""] {
        let header = with(&header, "alg", json!(alg));
        forged.push(format!("{}.{}.", URL_SAFE_NO_PAD.encode(&header), part(&claims)));
        forged.push(signed(&world, &header, &claims.to_string()));
    }
    for secret in [public.clone(), keys.keys[0].x.clone().into_bytes()] {
        let text = format!("{}.{}", URL_SAFE_NO_PAD.encode(with(&header, "alg", json!("HS256"))), part(&claims));
        let mut mac = Hmac::<Sha256>::new_from_slice(&secret).expect("any length");
        mac.update(text.as_bytes());
        forged.push(format!("{text}.{}", URL_SAFE_NO_PAD.encode(mac.finalize().into_bytes())));
    }
    for kid in ["../../x", "' OR 1=1 --", "", "AAAAAAAAAAA", &"k".repeat(1 << 20)] {
        forged.push(signed(&world, &with(&header, "kid", json!(kid)), &claims.to_string()));
    }
    for (field, value) in [
        ("jku", json!("http://127.0.0.1:1/keys")),
        ("x5u", json!("http://127.0.0.1:1/keys")),
        ("jwk", json!({"kty": "OKP", "crv": "Ed25519", "x": keys.keys[0].x})),
        ("crit", json!(["b64"])),
        ("typ", json!("JWT")),
        ("typ", json!("rt+jwt")),
    ] {
        forged.push(signed(&world, &with(&header, field, value), &claims.to_string()));
    }
    for field in ["typ", "kid", "alg"] {
        forged.push(signed(&world, &without(&header, field), &claims.to_string()));
    }
    let twice = header.to_string().replacen('{', "{\"typ\":\"at+jwt\",", 1);
    forged.push(signed(&world, &twice, &claims.to_string()));
    let body = good.rsplit_once('.').expect("three parts").0;
    forged.extend([
        format!("{good}."),
        format!("{good}.x"),
        format!("{good}="),
        format!("{body}."),
        body.to_owned(),
        format!("{body}.{}", STANDARD.encode(URL_SAFE_NO_PAD.decode(signature).expect("base64url"))),
        format!("{body}.{}", &signature[..85]),
        format!("{body}.{}", tail_bits(signature)),
        "..".to_owned(),
        "x".repeat(5_000),
        phone.assertion(&phone.assertion_claims(&world)),
    ]);
    for token in forged {
        let answer = world.get_with("/v1/me", &token).await;
        assert_eq!(answer.refusal().1, "invalid-token", "{token:.300}");
    }
    assert_eq!(world.get_with("/v1/me", &good).await.status, 200);
}

/// The same 64 bytes, with the unused bits of the last character set.
fn tail_bits(signature: &str) -> String {
    const ALPHABET: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let last = ALPHABET.iter().position(|c| *c == signature.as_bytes()[85]).expect("base64url");
    format!("{}{}", &signature[..85], ALPHABET[last | 1] as char)
}

async fn claims_must_be_exactly_those_of_a_token(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let good = phone.token(&world).await;
    let (header, claims) = (decoded(&good, 0).to_string(), decoded(&good, 1));
    let now_s = claims["iat"].as_i64().expect("seconds");
    let mut bad: Vec<String> = ["iss", "aud", "sub", "org", "role", "iat", "nbf", "exp", "jti"]
        .iter()
        .flat_map(|field| [without(&claims, field), with(&claims, field, Value::Null)])
        .collect();
    bad.extend([
        with(&claims, "iss", json!(7)),
        with(&claims, "iss", json!(["pintle"])),
        with(&claims, "iss", json!("other")),
        with(&claims, "aud", json!([claims["aud"]])),
        with(&claims, "aud", json!("AAAAAAAAAAAAAAAAAAAAAA")),
        with(&claims, "sub", json!(DeviceId([9; 16]))),
        with(&claims, "org", json!("AAAAAAAAAAAAAAAAAAAAAA")),
        with(&claims, "nbf", json!(now_s + CLOCK_LEEWAY_S + 1)),
        with(&claims, "iat", json!(now_s + 3600)),
        with(&claims, "exp", json!(now_s + TOKEN_TTL_S + 1)),
        with(&claims, "exp", json!(i64::MAX)),
        with(&claims, "exp", json!("never")),
        with(&claims, "scope", json!("all")),
        claims.to_string().replacen("\"exp\":", "\"exp\":1e300,\"x\":", 1),
        claims.to_string().replacen('{', "{\"role\":\"owner\",", 1),
        format!("{}1{}", "[".repeat(500), "]".repeat(500)),
        format!("{}1{}", "[".repeat(5_000), "]".repeat(5_000)),
        "[]".to_owned(),
        "null".to_owned(),
    ]);
    for claims in bad {
        let answer = world.get_with("/v1/me", &signed(&world, &header, &claims)).await;
        assert_eq!(answer.refusal().1, "invalid-token", "{claims:.300}");
    }
    let owner = with(&claims, "role", json!("owner"));
    let me: MeReply = world.get_with("/v1/me", &signed(&world, &header, &owner)).await.reply();
    assert_eq!(me.role, pintle_openapi::Role::Crew, "the role is the database's, not the token's");
}

async fn a_token_expires(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let token = phone.token(&world).await;
    world.ambient.forward_s(TOKEN_TTL_S + CLOCK_LEEWAY_S);
    assert_eq!(world.get_with("/v1/me", &token).await.status, 200);
    world.ambient.forward_s(1);
    world.get_with("/v1/me", &token).await.refused(401, "token-expired", "");
}

async fn an_assertion_is_judged_by_the_servers_clock(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    for shift_s in [-3600, -91, 31, 86_400 * 365] {
        let mut claims = phone.assertion_claims(&world);
        claims.iat += shift_s;
        claims.exp += shift_s;
        let answer = world.post("/v1/token", &json!({"assertion": phone.assertion(&claims)})).await;
        answer.refused(401, "clock-off", "");
        let now_ms = answer.problem().now_ms.expect("the server's time");
        // The device corrects itself by that time and tries once more.
        let claims = AssertionClaims { iat: now_ms / 1000, exp: now_ms / 1000 + 60, ..claims };
        assert_eq!(world.post("/v1/token", &json!({"assertion": phone.assertion(&claims)})).await.status, 200);
    }
}

async fn a_wrong_assertion_is_refused(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let other = world.phone("M2", Role::Crew).await;
    let stranger = Phone::new(&world, "X1");
    let good = phone.assertion_claims(&world);
    let id = |phone: &Phone| phone.id().to_string();
    let wrong: Vec<AssertionClaims> = vec![
        AssertionClaims { iss: id(&other), ..good.clone() },
        AssertionClaims { sub: id(&other), ..good.clone() },
        AssertionClaims { aud: id(&phone), ..good.clone() },
        AssertionClaims { exp: good.iat + 61, ..good.clone() },
        AssertionClaims { exp: good.iat, ..good.clone() },
        AssertionClaims { exp: i64::MAX, ..good.clone() },
        AssertionClaims { iat: i64::MIN, ..good.clone() },
        AssertionClaims { jti: String::new(), ..good.clone() },
    ];
    let mut assertions: Vec<String> = wrong.iter().map(|claims| phone.assertion(claims)).collect();
    let forged = pintle_openapi::endpoints::token::assertion(
        &pintle_openapi::endpoints::token::AssertionHeader { alg: "EdDSA".into(), typ: "JWT".into(), kid: id(&phone) },
        &good,
        |text| other.key().sign(text),
    );
    assertions.extend([forged, String::new(), "x.y.z".to_owned(), phone.token(&world).await]);
    let payload = serde_json::to_value(&good).expect("JSON");
    for header in [
        json!({"alg": "none", "typ": "JWT", "kid": id(&phone)}),
        json!({"alg": "EdDSA", "typ": "JWT"}),
        json!({"alg": "EdDSA", "typ": "JWT", "kid": "x"}),
        json!({"alg": "EdDSA", "typ": "JWT", "kid": id(&phone), "jku": "http://127.0.0.1:1"}),
    ] {
        let text = format!("{}.{}", part(&header), part(&payload));
        assertions.push(format!("{text}.{}", phone.key().sign(text.as_bytes())));
    }
    for assertion in assertions {
        let answer = world.post("/v1/token", &json!({"assertion": assertion})).await;
        assert_eq!(
            answer.refusal(),
            (401, "invalid-assertion".to_owned(), "/assertion".to_owned()),
            "{assertion:.300}"
        );
    }
    let mut claims = stranger.assertion_claims(&world);
    claims.aud = phone.store.to_string();
    let unknown = json!({"assertion": stranger.assertion(&claims)});
    world.post("/v1/token", &unknown).await.refused(401, "unknown-device", "/assertion");
    world.post("/v1/token", &json!({"assertion": 7})).await.refused(422, "malformed-request", "/assertion");
    world.post("/v1/token", &json!({"assertion": "x", "scope": "all"})).await.refused(422, "unknown-field", "/scope");
    world.post_bytes("/v1/token", &vec![b' '; 17 * 1024]).await.refused(413, "payload-too-large", "");
}

async fn an_assertion_is_answered_once_whichever_process_it_comes_to(world: World) {
    let phone = world.phone("K7", Role::Crew).await;
    let claims = phone.assertion_claims(&world);
    let body = json!({"assertion": phone.assertion(&claims)});
    assert_eq!(world.post("/v1/token", &body).await.status, 200);
    let used = (401, "invalid-assertion".to_owned(), "/assertion".to_owned());
    assert_eq!(world.post("/v1/token", &body).await.refusal(), used);
    let request = pintle_openapi::endpoints::token::TokenRequest { assertion: phone.assertion(&claims) };
    let refused = world.another_process().token(request).await.expect_err("it has been answered elsewhere");
    assert_eq!(refused.problem.code(), "invalid-assertion");
    // The same jti with other times is the same assertion; another device's is another.
    let later = AssertionClaims { exp: claims.exp - 1, ..claims.clone() };
    assert_eq!(world.post("/v1/token", &json!({"assertion": phone.assertion(&later)})).await.refusal(), used);
    let other = world.phone("M2", Role::Crew).await;
    let same_jti = AssertionClaims { jti: claims.jti.clone(), ..other.assertion_claims(&world) };
    assert_eq!(world.post("/v1/token", &json!({"assertion": other.assertion(&same_jti)})).await.status, 200);
    // One that was refused for the clock may come again: nothing was given for it.
    let early = AssertionClaims { iat: claims.iat + 40, exp: claims.exp + 40, jti: "early".to_owned(), ..claims };
    let body = json!({"assertion": phone.assertion(&early)});
    world.post("/v1/token", &body).await.refused(401, "clock-off", "");
    world.ambient.forward_s(40);
    assert_eq!(world.post("/v1/token", &body).await.status, 200);
}

/// A header that tells where to find a key is refused without looking there.
#[actix_web::test]
async fn a_token_s_header_makes_the_server_call_nobody() {
    let world = World::memory().await;
    let phone = world.phone("K7", Role::Crew).await;
    let good = phone.token(&world).await;
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.set_nonblocking(true).expect("it does not wait");
    let there = format!("http://{}/keys", listener.local_addr().expect("an address"));
    for field in ["jku", "x5u"] {
        let header = with(&decoded(&good, 0), field, json!(there));
        let forged = signed(&world, &header, &decoded(&good, 1).to_string());
        world.get_with("/v1/me", &forged).await.refused(401, "invalid-token", "");
    }
    let waiting = listener.accept().expect_err("nobody has called");
    assert_eq!(waiting.kind(), std::io::ErrorKind::WouldBlock);
}

/// What is taken from a device or a person is gone with the next request, whatever the token says.
async fn a_right_that_was_taken_is_gone_with_the_next_request(world: World) {
    let phone = world.phone("K7", Role::Office).await;
    let token = phone.token(&world).await;
    let fresh = world.code(Role::Crew).await;
    phone.clone().enrol(&world, &fresh).await;
    let me: MeReply = world.get_with("/v1/me", &token).await.reply();
    assert_eq!(me.role, pintle_openapi::Role::Crew, "what the office reads is no longer read");
    world.operator().revoke(Some(&world.organisation.name), "K7").await.expect("revoked");
    world.get_with("/v1/me", &token).await.refused(403, "device-revoked", "");
    let assertion = json!({"assertion": phone.assertion(&phone.assertion_claims(&world))});
    world.post("/v1/token", &assertion).await.refused(403, "device-revoked", "");
}

on_every_store! {
    an_assertion_is_answered_once_whichever_process_it_comes_to
    a_right_that_was_taken_is_gone_with_the_next_request
    a_token_says_who_one_is
    a_request_without_a_usable_header_has_no_token
    a_forged_token_is_refused
    claims_must_be_exactly_those_of_a_token
    a_token_expires
    an_assertion_is_judged_by_the_servers_clock
    a_wrong_assertion_is_refused
}
