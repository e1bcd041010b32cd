//! What a caller sees when the database is away or full: a coded answer, nothing acknowledged, and it works again.
//!
//! Promises: each fault strikes the baton's write and then the push's; the same bytes sent again are then taken.
//! Never a fault that only a real disk has: those are the store's tests.

use crate::world::World;
use pintle_core::exchange::{PushOutcome, SyncReply};
use pintle_core::ids::MachineId;
use pintle_store::Role;
use pintle_store::memory::WriteFault;
use serde_json::json;

const EX3: MachineId = MachineId([3; 16]);

#[actix_web::test]
async fn a_database_that_is_away_is_503_and_comes_back() {
    let world = World::memory().await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let token = k7.token(&world).await;
    k7.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    let memory = world.memory.clone().expect("a memory store");
    memory.go_down();
    let body = k7.request_value(&world, 1);
    for answer in
        [k7.send_value(&world, &body).await, world.get("/readyz").await, world.get_with("/v1/machines", &token).await]
    {
        answer.refused(503, "unavailable", "");
        assert_eq!(answer.header("retry-after"), Some("5"));
        assert!(answer.problem().detail.is_none(), "nothing of the inside: {}", answer.text());
    }
    assert_eq!(world.get("/healthz").await.status, 200, "the process lives");
    memory.come_up();
    assert_eq!(k7.sync(&world, 1).await.push.outcome, PushOutcome::Accepted);
}

/// The first write of an exchange is the baton's, the second the push.
#[actix_web::test]
async fn no_write_that_fails_is_acknowledged() {
    let world = World::memory().await;
    let memory = world.memory.clone().expect("a memory store");
    for (fault, status, code) in [
        (WriteFault::Full, 507, "storage-full"),
        (WriteFault::BeforeCommit, 503, "unavailable"),
        (WriteFault::ReplyLost, 503, "unavailable"),
    ] {
        for passed in [0, 1] {
            let mut phone = world.phone("K7", Role::Crew).await;
            phone.record(MachineId(phone.id().0), 0, "meter_read", json!({"reading": "1"}));
            let body = phone.request_value(&world, 1);
            for _ in 0..passed {
                memory.pass_next_write();
            }
            memory.fail_next_write(fault);
            phone.send_value(&world, &body).await.refused(status, code, "");
            // The very same bytes, as a device sends them that has had no answer.
            let reply: SyncReply = phone.send_value(&world, &body).await.reply();
            let was_written = fault == WriteFault::ReplyLost && passed == 1;
            let expected = if was_written { PushOutcome::AlreadyHeld } else { PushOutcome::Accepted };
            assert_eq!((reply.push.outcome, reply.log), (expected, phone.head()), "{fault:?} after {passed}");
            assert_eq!(reply.push.held.len(), 1);
        }
    }
}
