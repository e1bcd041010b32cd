//! How often, and how much at once: counted, never timed. The clock stands until a test moves it.
//!
//! Promises: what one device or address uses up is nobody else's; who is told to wait is told how long and has lost
//! nothing; an address is believed only from a proxy that was named.

use crate::phone::{Phone, sync_post};
use crate::world::{Answer, World};
use actix_web::test::TestRequest;
use pintle_core::exchange::PushOutcome;
use pintle_core::ids::MachineId;
use pintle_server::http::source::{Proxies, ProxyHeader};
use pintle_store::Role;
use serde_json::json;
use std::net::SocketAddr;

const EX3: MachineId = MachineId([3; 16]);

fn told_to_wait(answer: &Answer) -> u32 {
    answer.refused(429, "too-many-requests", "");
    let seconds = answer.problem().retry_after_s.expect("how long");
    assert_eq!(answer.header("retry-after"), Some(seconds.to_string().as_str()));
    seconds
}

/// Sends one exchange until it is told to wait; gives how often it was answered, and the seconds to wait.
async fn flat_out(world: &World, phone: &Phone) -> (usize, u32) {
    let body = serde_json::to_vec(&phone.request(world, phone.push(1))).expect("JSON");
    let mut taken = 0;
    loop {
        let answer = world.send(sync_post(&phone.proof(&body)).set_payload(body.clone())).await;
        if answer.status != 200 {
            return (taken, told_to_wait(&answer));
        }
        taken += 1;
        assert!(taken < 10_000, "it was never told to wait");
    }
}

#[actix_web::test]
async fn one_device_flat_out_takes_nothing_from_the_others() {
    let world = World::with(&["sync.device=60/20"], Proxies::default()).await;
    let mut loud = world.phone("K7", Role::Crew).await;
    loud.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    assert_eq!(flat_out(&world, &loud).await, (20, 1));
    for mark in ["M2", "M3", "M4"] {
        let mut quiet = world.phone(mark, Role::Crew).await;
        quiet.record(EX3, 0, "meter_read", json!({"reading": "1"}));
        for _ in 0..10 {
            quiet.sync(&world, 1).await;
        }
    }
    // Told to wait a second, after a second it is let through, once.
    world.ambient.forward_s(1);
    assert_eq!(flat_out(&world, &loud).await, (1, 1));
}

#[actix_web::test]
async fn who_is_told_to_wait_has_lost_nothing() {
    let world = World::with(&["sync.device=60/1"], Proxies::default()).await;
    let mut phone = world.phone("K7", Role::Crew).await;
    phone.sync(&world, 1).await;
    phone.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let request = phone.request(&world, phone.push(1));
    let value = serde_json::to_value(&request).expect("JSON");
    told_to_wait(&phone.send_value(&world, &value).await);
    world.ambient.forward_s(1);
    // The same bytes: neither baton nor entry was touched by the refusal.
    let reply: pintle_core::exchange::SyncReply = phone.send_value(&world, &value).await.reply();
    assert_eq!((reply.push.outcome, reply.log.seq), (PushOutcome::Accepted, 1));
}

#[actix_web::test]
async fn nobody_can_use_up_the_allowance_of_another_device() {
    let world = World::with(&["sync.device=60/2", "token.device=60/2"], Proxies::default()).await;
    let mut phone = world.phone("K7", Role::Crew).await;
    let other = world.phone("M2", Role::Crew).await;
    let body = serde_json::to_vec(&phone.request(&world, None)).expect("JSON");
    for _ in 0..50 {
        let forged = sync_post(&other.proof(&body)).set_payload(body.clone());
        world.send(forged).await.refused(401, "bad-proof", "Pintle-Proof");
    }
    phone.sync(&world, 1).await;
    phone.sync(&world, 1).await;
}

#[actix_web::test]
async fn tokens_and_reads_have_allowances_of_their_own() {
    let world = World::with(&["token.device=60/3", "read.device=60/5"], Proxies::default()).await;
    let phone = world.phone("K7", Role::Crew).await;
    let mut token = String::new();
    for _ in 0..3 {
        token = phone.token(&world).await;
    }
    let assertion = json!({"assertion": phone.assertion(&phone.assertion_claims(&world))});
    assert_eq!(told_to_wait(&world.post("/v1/token", &assertion).await), 1);
    for _ in 0..5 {
        assert_eq!(world.get_with("/v1/machines", &token).await.status, 200);
    }
    assert_eq!(told_to_wait(&world.get_with("/v1/machines", &token).await), 1);
    assert_eq!(world.get("/healthz").await.status, 200, "a probe is always answered");
}

fn from(address: &str, request: TestRequest) -> TestRequest {
    request.peer_addr(SocketAddr::new(address.parse().expect("an address"), 4711))
}

#[actix_web::test]
async fn an_address_has_an_allowance_that_a_forged_header_does_not_renew() {
    let networks = vec!["10.0.0.0/8".parse().expect("a network")];
    let proxies = Proxies { networks, header: ProxyHeader::XForwardedFor };
    let world = World::with(&["read.address=60/3"], proxies).await;
    let get = |peer: &str, header: &str| {
        let request = TestRequest::get().uri("/readyz").insert_header(("X-Forwarded-For", header.to_owned()));
        world.send(from(peer, request.insert_header(("Forwarded", "for=198.51.100.200"))))
    };
    // A stranger claims another address each time.
    for n in 0..3 {
        assert_eq!(get("203.0.113.9", &format!("198.51.100.{n}")).await.status, 200);
    }
    told_to_wait(&get("203.0.113.9", "198.51.100.77").await);
    // Through the proxy, whose own word stands on the right.
    for n in 0..3 {
        assert_eq!(get("10.0.0.1", &format!("192.0.2.{n}, 203.0.113.10")).await.status, 200);
    }
    told_to_wait(&get("10.0.0.2", "192.0.2.77, 203.0.113.10").await);
    assert_eq!(get("10.0.0.1", "203.0.113.11").await.status, 200, "another caller through the same proxy");
}

#[actix_web::test]
async fn enrolment_is_limited_before_its_body_is_read() {
    let world = World::with(&["enrol.address=60/2"], Proxies::default()).await;
    for _ in 0..2 {
        world.post_bytes("/v1/enrol", b"x").await.refused(400, "malformed-json", "");
    }
    told_to_wait(&world.post_bytes("/v1/enrol", b"x").await);
}
