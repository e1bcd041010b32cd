//! The store in memory with faults on demand: each leaves what a database would leave.
//!
//! Promises: after each fault the store is asked what it holds, and the same push is sent again.

use crate::bed::{NOW_MS, secrets};
use crate::crew::{Device, EX3, all_after, clock, code_of};
use pintle_core::exchange::PushOutcome;
use pintle_core::ids::OrganisationId;
use pintle_store::memory::{MemoryStore, WriteFault};
use pintle_store::{Actor, Enrolled, EnrolmentCode, Organisation, Role, Store, StoreError};

/// Where the ledger of [`filled`] ends: with what is written down about the code and the device.
const START: u64 = 2;

async fn filled() -> (MemoryStore, Device) {
    let store = MemoryStore::new(secrets(1));
    let organisation = OrganisationId([1; 16]);
    let name = "organisation".to_owned();
    store.organisation_add(&Organisation { id: organisation, name }, NOW_MS).await.expect("it is added");
    let code = EnrolmentCode { hash: code_of(1), role: Role::Crew, expires_ms: NOW_MS + 1000 };
    store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("it is added");
    let mut device = Device::new(1, organisation);
    let enrolled = store.enrol(&device.enrolment(code.hash, "K7")).await.expect("it answers");
    assert!(matches!(enrolled, Enrolled::In { .. }));
    device.note(Some(EX3), "squeaks");
    (store, device)
}

async fn push(store: &MemoryStore, device: &Device) -> Result<PushOutcome, StoreError> {
    store.push(device.scope(), &device.batch(1, 1), &clock(), NOW_MS).await.map(|pushed| pushed.answer.outcome)
}

#[tokio::test]
async fn a_fault_before_the_commit_writes_nothing_and_strikes_once() {
    let (store, device) = filled().await;
    store.fail_next_write(WriteFault::BeforeCommit);
    store.fail_next_write(WriteFault::Full);
    assert!(matches!(push(&store, &device).await, Err(StoreError::Unavailable { act: "push", .. })));
    assert_eq!(store.page(device.organisation, &all_after(0)).await.expect("reading goes on").position, START);
    assert!(matches!(push(&store, &device).await, Err(StoreError::Full { act: "push" })));
    assert_eq!(store.page(device.organisation, &all_after(0)).await.expect("reading goes on").position, START);
    assert_eq!(push(&store, &device).await.expect("the faults are over"), PushOutcome::Accepted);
}

#[tokio::test]
async fn a_write_can_be_let_pass_before_the_fault() {
    let (store, device) = filled().await;
    store.pass_next_write();
    store.fail_next_write(WriteFault::Full);
    assert_eq!(push(&store, &device).await.expect("it passes"), PushOutcome::Accepted);
    assert!(matches!(push(&store, &device).await, Err(StoreError::Full { .. })));
    assert_eq!(push(&store, &device).await.expect("the fault is over"), PushOutcome::AlreadyHeld);
}

#[tokio::test]
async fn a_lost_answer_has_written_all_the_same() {
    let (store, device) = filled().await;
    store.fail_next_write(WriteFault::ReplyLost);
    assert!(matches!(push(&store, &device).await, Err(StoreError::Unavailable { act: "push", .. })));
    assert_eq!(store.page(device.organisation, &all_after(0)).await.expect("a page").position, START + 1);
    assert_eq!(push(&store, &device).await.expect("it answers"), PushOutcome::AlreadyHeld);
}

#[tokio::test]
async fn a_store_that_is_down_answers_nothing_and_forgets_nothing() {
    let (store, device) = filled().await;
    push(&store, &device).await.expect("it answers");
    store.go_down();
    assert!(matches!(store.ping().await, Err(StoreError::Unavailable { act: "ping", .. })));
    assert!(store.page(device.organisation, &all_after(0)).await.is_err());
    assert!(push(&store, &device).await.is_err());
    store.come_up();
    assert_eq!(push(&store, &device).await.expect("it answers"), PushOutcome::AlreadyHeld);
}

#[tokio::test]
async fn a_copy_is_the_store_as_it_was() {
    let (store, device) = filled().await;
    let copy = store.copy();
    push(&store, &device).await.expect("it answers");
    assert_eq!(copy.page(device.organisation, &all_after(0)).await.expect("a page").position, START);
    assert_eq!(copy.identity().store, store.identity().store);
    assert_eq!(copy.epoch_raise(1, 2).await.expect("it answers"), 2);
    assert_eq!(store.epoch().await.expect("it answers"), 1, "the copy's own");
    assert_eq!(push(&copy, &device).await.expect("it answers"), PushOutcome::Accepted);
}
