//! Callers that meet: on one device, one code, one mark, one machine; and locks that stand in the way.
//!
//! Promises: on databases half of the callers come from a second process. Cases that need one order of events wait for
//! each event itself, never for a time.

use crate::bed::{Bed, NOW_MS, secrets};
use crate::crew::{Device, EX3, EX4, all_after, clock, code_of};
use crate::office::{device_as, share_of, someone};
use pintle_core::Fact;
use pintle_core::admit::Admission;
use pintle_core::exchange::{Person, PushOutcome};
use pintle_core::ids::{Baton, PersonId};
use pintle_store::sql::SqlStore;
use pintle_store::{Actor, BatonJudged, Changed, Enrolled, EnrolmentCode, Role, Store};
use sea_orm::{ConnectOptions, ConnectionTrait, Database, DatabaseConnection, Statement, TransactionTrait};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::task::Poll;

/// Stores over one database, as many as processes might be; in memory one is all there is.
pub async fn processes(bed: &Bed) -> Vec<Arc<dyn Store>> {
    let mut stores = vec![bed.store.clone()];
    if let Some(url) = &bed.url {
        stores.push(Arc::new(SqlStore::open(url, secrets(2), NOW_MS).await.expect("a second process opens it")));
    }
    stores
}

pub async fn one_push_sent_by_many_at_once_is_written_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    (0..5).for_each(|n| _ = device.note(Some(EX3), &format!("note {n}")));
    let stores = processes(&bed).await;
    let start = bed.end(organisation).await;
    let device = Arc::new(device);
    let tasks: Vec<_> = (0..8)
        .map(|n| {
            let (store, device) = (stores[n % stores.len()].clone(), device.clone());
            tokio::spawn(async move {
                store.push(device.scope(), &device.batch(1, 5), &clock(), NOW_MS).await.expect("it answers")
            })
        })
        .collect();
    let mut outcomes = Vec::new();
    for task in tasks {
        let pushed = task.await.expect("it ends");
        let held: Vec<_> = pushed.answer.held.iter().map(|r| (r.from, r.to, r.position)).collect();
        assert_eq!(held, [(1, 5, start + 1)]);
        outcomes.push(pushed.answer.outcome);
    }
    assert_eq!(outcomes.iter().filter(|outcome| **outcome == PushOutcome::Accepted).count(), 1);
    assert_eq!(outcomes.iter().filter(|outcome| **outcome == PushOutcome::AlreadyHeld).count(), 7);
    let head = bed.store.machine(organisation, EX3).await.expect("it answers").expect("it has entries");
    assert_eq!((head.digest.count, head.position), (5, start + 5));
}

pub async fn two_branches_sent_at_once_end_as_ledger_and_branch(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "common");
    device.push_on(&bed, 1).await;
    let mut copy = device.clone();
    device.note(Some(EX3), "one way");
    copy.note(Some(EX4), "the other way");
    let stores = processes(&bed).await;
    let send = |device: &Device, n: usize| {
        let (store, device) = (stores[n % stores.len()].clone(), device.clone());
        tokio::spawn(async move { store.push(device.scope(), &device.batch(2, 2), &clock(), NOW_MS).await })
    };
    let tasks = [send(&device, 0), send(&copy, 1)];
    let mut admissions = Vec::new();
    for task in tasks {
        admissions.push(task.await.expect("it ends").expect("it answers").admission);
    }
    assert_eq!(admissions.iter().filter(|a| matches!(a, Admission::Write { .. })).count(), 1, "{admissions:?}");
    assert_eq!(admissions.iter().filter(|a| **a == Admission::Fork { seq: 2 }).count(), 1, "{admissions:?}");
    assert_eq!(bed.store.branches(organisation).await.expect("branches").len(), 1);
}

pub async fn one_code_shown_by_many_at_once_lets_one_in(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let code = EnrolmentCode { hash: code_of(1), role: Role::Crew, expires_ms: NOW_MS + 1000 };
    bed.store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("a code is added");
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (1..=6u16)
        .map(|n| {
            let store = stores[usize::from(n) % stores.len()].clone();
            let enrolment = Device::new(n, organisation).enrolment(code_of(1), "K7");
            tokio::spawn(async move { store.enrol(&enrolment).await.expect("it answers") })
        })
        .collect();
    let mut let_in = 0;
    for task in tasks {
        match task.await.expect("it ends") {
            Enrolled::In { .. } => let_in += 1,
            other => assert_eq!(other, Enrolled::CodeUsed),
        }
    }
    assert_eq!(let_in, 1);
    let directory = bed.store.directory(organisation, 0).await.expect("it answers").expect("it has changed");
    // One device and its person beside the server's log and the operator.
    assert_eq!((directory.devices.len(), directory.people.len(), directory.version), (2, 2, 2));
}

pub async fn one_mark_wished_for_by_many_at_once_is_given_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let stores = processes(&bed).await;
    let mut tasks = Vec::new();
    for n in 1..=6u16 {
        let code = EnrolmentCode { hash: code_of(n), role: Role::Crew, expires_ms: NOW_MS + 1000 };
        bed.store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("a code is added");
        let store = stores[usize::from(n) % stores.len()].clone();
        let enrolment = Device::new(n, organisation).enrolment(code_of(n), "K7");
        tasks.push(tokio::spawn(async move { store.enrol(&enrolment).await.expect("it answers") }));
    }
    let mut marks = BTreeSet::new();
    for task in tasks {
        let Enrolled::In { mark, .. } = task.await.expect("it ends") else { panic!("all are let in") };
        marks.insert(mark);
    }
    assert_eq!(marks, ["K7", "K72", "K73", "K74", "K75", "K76"].map(String::from).into());
    let version = bed.store.directory(organisation, 0).await.expect("it answers").map(|directory| directory.version);
    assert_eq!(version, Some(7), "once for the server's log, once for each device");
}

/// The same key by the same code, as when an impatient client asks twice.
pub async fn one_device_that_asks_twice_at_once_is_let_in_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let code = EnrolmentCode { hash: code_of(1), role: Role::Crew, expires_ms: NOW_MS + 1000 };
    bed.store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("a code is added");
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..4u8)
        .map(|n| {
            let store = stores[usize::from(n) % stores.len()].clone();
            let mut enrolment = Device::new(1, organisation).enrolment(code_of(1), "K7");
            enrolment.baton = Baton([n + 1; 16]);
            tokio::spawn(async move { store.enrol(&enrolment).await.expect("it answers") })
        })
        .collect();
    for task in tasks {
        let enrolled = task.await.expect("it ends");
        assert!(matches!(&enrolled, Enrolled::In { mark, .. } if mark == "K7"), "{enrolled:?}");
    }
    let directory = bed.store.directory(organisation, 0).await.expect("it answers").expect("it has changed");
    assert_eq!((directory.devices.len(), directory.version), (2, 2), "the device beside the server's log");
}

pub async fn one_baton_presented_by_many_at_once_is_current_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let device = Device::enrolled(&bed, 1, organisation).await;
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..6u8)
        .map(|n| {
            let (store, scope) = (stores[usize::from(n) % stores.len()].clone(), device.scope());
            let next = Baton([n + 10; 16]);
            tokio::spawn(
                async move { (next, store.baton(scope, Baton([1; 16]), next, NOW_MS).await.expect("it answers")) },
            )
        })
        .collect();
    let mut judged = Vec::new();
    for task in tasks {
        judged.push(task.await.expect("it ends"));
    }
    let current: Vec<_> = judged.iter().filter(|(_, judged)| *judged == BatonJudged::Current).collect();
    let [(next, _)] = current.as_slice() else { panic!("one is current: {judged:?}") };
    let others = judged.iter().filter(|(_, judged)| *judged == BatonJudged::Before(*next));
    assert_eq!(others.count(), 5, "{judged:?}");
}

pub async fn an_epoch_raised_by_many_at_once_is_raised_once(bed: Bed) {
    assert_eq!(bed.store.epoch().await.expect("it answers"), 1);
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..6)
        .map(|n| {
            let store = stores[n % stores.len()].clone();
            tokio::spawn(async move { store.epoch_raise(1, 2).await.expect("it answers") })
        })
        .collect();
    for task in tasks {
        assert_eq!(task.await.expect("it ends"), 2);
    }
    assert_eq!(bed.store.epoch_raise(7, 9).await.expect("it answers"), 2, "not from an epoch it is not in");
    assert_eq!(bed.store.epoch_raise(2, 2).await.expect("it answers"), 2, "it only grows");
    assert_eq!(bed.store.epoch_raise(2, 1_780_000_000).await.expect("it answers"), 1_780_000_000);
    assert_eq!(bed.store.epoch().await.expect("it answers"), 1_780_000_000);
}

/// All processes write the server's own log under one key and never fork it.
pub async fn acts_of_many_at_once_are_all_written_down_in_one_log(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (1..=12u16)
        .map(|n| {
            let store = stores[usize::from(n) % stores.len()].clone();
            let code = EnrolmentCode { hash: code_of(n), role: Role::Crew, expires_ms: NOW_MS + 1000 };
            let actor = Actor::operator(organisation);
            tokio::spawn(async move { store.code_add(actor, &code, NOW_MS).await.expect("it answers") })
        })
        .collect();
    let mut made = BTreeSet::new();
    for task in tasks {
        made.insert(task.await.expect("it ends"));
    }
    let page = bed.store.page(organisation, &all_after(0)).await.expect("a page");
    let mut told = BTreeSet::new();
    for (seq, held) in (1..).zip(&page.entries) {
        assert_eq!((held.device, held.entry.seq()), (page.entries[0].device, seq), "one log, without a hole");
        match Fact::read(held.entry.head().expect("a head"), &held.entry) {
            Ok(Fact::CodeMade(code)) => told.insert(code.code),
            other => panic!("only codes were made: {other:?}"),
        };
    }
    assert_eq!((made.len(), &told), (12, &made));
    assert_eq!(bed.store.branches(organisation).await.expect("branches"), []);
}

pub async fn two_last_owners_who_end_each_other_at_once_leave_one(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let owners =
        [device_as(&bed, organisation, 1, Role::Owner).await, device_as(&bed, organisation, 2, Role::Owner).await];
    let stores = processes(&bed).await;
    let tasks = [0, 1].map(|n: usize| {
        let (store, other) = (stores[n % stores.len()].clone(), owners[1 - n].id);
        tokio::spawn(
            async move { store.device_revoke(someone(organisation), other, NOW_MS).await.expect("it answers") },
        )
    });
    let mut changed = Vec::new();
    for task in tasks {
        changed.push(task.await.expect("it ends"));
    }
    changed.sort_by_key(|changed| *changed == Changed::LastOwner);
    assert_eq!(changed, [Changed::Done, Changed::LastOwner]);
    let left = bed.store.devices(organisation).await.expect("it answers");
    assert_eq!(left.iter().filter(|device| !device.revoked).count(), 1);
}

pub async fn a_share_link_opened_by_many_at_once_is_counted_for_each(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let share = share_of(1, NOW_MS + 1000);
    bed.store.share_add(someone(organisation), &share, NOW_MS).await.expect("added");
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..10)
        .map(|n| {
            let (store, hash) = (stores[n % stores.len()].clone(), share.hash);
            tokio::spawn(async move { store.share_open(hash, NOW_MS).await.expect("it answers").expect("it lives") })
        })
        .collect();
    let mut counts = BTreeSet::new();
    for task in tasks {
        counts.insert(task.await.expect("it ends").opened_count);
    }
    assert_eq!(counts, (1..=10).collect());
}

pub async fn people_added_by_many_at_once_are_there_once(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let stores = processes(&bed).await;
    let people: Vec<_> = (1..=5).map(|n| Person { id: PersonId([n; 16]), name: format!("person {n}") }).collect();
    let tasks: Vec<_> = (0..6)
        .map(|n| {
            let (store, mut people) = (stores[n % stores.len()].clone(), people.clone());
            people.rotate_left(n % 5);
            tokio::spawn(async move { store.people_add(organisation, &people).await.expect("it answers") })
        })
        .collect();
    for task in tasks {
        task.await.expect("it ends");
    }
    let directory = bed.store.directory(organisation, 0).await.expect("it answers").expect("it has changed");
    assert_eq!((directory.people.len(), directory.version), (5, 1));
}

/// A client that goes away drops its request's future wherever it happens to stand. Each push here is dropped after
/// another number of steps; none may leave a lock, a half-written push or a hole.
pub async fn a_push_dropped_anywhere_leaves_nothing_half_done(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let start = bed.end(organisation).await;
    let (mut dropped, mut from) = (0, 1);
    for round in 0..100 {
        // On SQLite a push takes some ten steps, on PostgreSQL some thirty.
        let polls = if round < 50 { round % 10 + 1 } else { round - 49 };
        device.note([Some(EX3), Some(EX4), None][round % 3], "a note");
        device.note(Some(EX3), "another");
        let checked = device.batch(from, device.log.len());
        let (scope, clock) = (device.scope(), clock());
        let mut push = bed.store.push(scope, &checked, &clock, NOW_MS);
        let mut left = polls;
        let outcome = std::future::poll_fn(|context| {
            left -= 1;
            match push.as_mut().poll(context) {
                Poll::Pending if left == 0 => Poll::Ready(None),
                Poll::Pending => Poll::Pending,
                Poll::Ready(outcome) => Poll::Ready(Some(outcome)),
            }
        })
        .await;
        drop(push);
        match outcome {
            Some(pushed) => {
                pushed.expect("it is written");
                from = device.log.len() + 1;
            }
            // Written or not, it is not known; a device sends it again.
            None => dropped += 1,
        }
        if round % 10 == 9 && from <= device.log.len() {
            let again = device.push(&bed, from, device.log.len()).await.answer.outcome;
            assert!(matches!(again, PushOutcome::Accepted | PushOutcome::AlreadyHeld), "{again:?}");
            from = device.log.len() + 1;
        }
    }
    if bed.url.is_some() {
        assert!(dropped > 0, "none was dropped");
    }
    let page = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    let entries: Vec<_> = page.entries.iter().map(|held| held.entry.clone()).collect();
    assert_eq!(entries, device.log);
    assert_eq!(page.entries.last().and_then(|held| held.position), Some(start + device.log.len() as u64));
}

/// How many sessions of a PostgreSQL database wait for a lock.
async fn waiting(watch: &DatabaseConnection) -> i64 {
    let sql = "SELECT count(*) AS waiting FROM pg_stat_activity \
               WHERE datname = current_database() AND wait_event_type = 'Lock'";
    let statement = Statement::from_string(watch.get_database_backend(), sql);
    let row = watch.query_one_raw(statement).await.expect("it answers").expect("one row");
    row.try_get("", "waiting").expect("a number")
}

/// The first push is stopped between taking its positions and its commit, and a second one sent. Were positions to
/// come from a sequence, the second would commit first, and a reader who went past it would never see the first.
pub async fn a_follower_never_goes_past_a_push_that_is_under_way(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut first = Device::enrolled(&bed, 1, organisation).await;
    let mut second = Device::enrolled(&bed, 2, organisation).await;
    first.note(Some(EX3), "the first");
    second.note(Some(EX4), "the second");
    let raw = bed.raw().await;
    let gate = "CREATE FUNCTION gate() RETURNS trigger LANGUAGE plpgsql AS \
                $$ BEGIN PERFORM pg_advisory_xact_lock(1); RETURN NEW; END $$";
    raw.execute_unprepared(gate).await.expect("a gate is made");
    let device: String = first.id.0.iter().map(|byte| format!("{byte:02x}")).collect();
    let gate = format!(
        "CREATE TRIGGER gate BEFORE INSERT ON seal FOR EACH ROW WHEN (NEW.device = '\\x{device}') \
         EXECUTE FUNCTION gate()"
    );
    raw.execute_unprepared(&gate).await.expect("it stands before the first device's seals");
    let keeper = one_connection(&bed).await;
    keeper.execute_unprepared("SELECT pg_advisory_lock(1)").await.expect("it is shut");

    let send = |device: &Device| {
        let (store, device) = (bed.store.clone(), device.clone());
        tokio::spawn(async move { store.push(device.scope(), &device.batch(1, 1), &clock(), NOW_MS).await })
    };
    let start = bed.end(organisation).await;
    let first_push = send(&first);
    while waiting(&raw).await < 1 {
        tokio::task::yield_now().await;
    }
    let second_push = send(&second);
    while waiting(&raw).await < 2 && !second_push.is_finished() {
        tokio::task::yield_now().await;
    }
    let before = bed.store.page(organisation, &all_after(start)).await.expect("a page");
    keeper.execute_unprepared("SELECT pg_advisory_unlock(1)").await.expect("it is opened");
    first_push.await.expect("it ends").expect("it is written");
    second_push.await.expect("it ends").expect("it is written");
    let after = bed.store.page(organisation, &all_after(before.position)).await.expect("a page");
    let seen: Vec<_> = before.entries.iter().chain(&after.entries).map(|held| (held.position, held.link)).collect();
    assert_eq!(seen, [(Some(start + 1), first.end().link), (Some(start + 2), second.end().link)], "nothing was missed");
}

/// A pool of one, for locks that belong to a session.
async fn one_connection(bed: &Bed) -> DatabaseConnection {
    let mut options = ConnectOptions::new(bed.url.as_deref().expect("a database has an address"));
    options.max_connections(1);
    Database::connect(options).await.expect("it can be reached")
}

/// A deadlock with a stranger's transaction: PostgreSQL ends the push, and the push is done again.
#[allow(clippy::disallowed_methods, reason = "the stranger's transaction is what stands in the way")]
pub async fn a_push_that_the_database_ends_is_done_again(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    device.note(Some(EX3), "squeaks");
    let start = bed.end(organisation).await;
    let raw = bed.raw().await;
    let stranger = raw.begin().await.expect("a transaction begins");
    // Only the push looks for the deadlock, so that it is the one to be ended.
    stranger.execute_unprepared("SET LOCAL deadlock_timeout = '60s'").await.expect("a superuser may");
    stranger.execute_unprepared("SELECT 1 FROM ledger_head FOR UPDATE").await.expect("it locks the ledger's head");
    let (store, pushing) = (bed.store.clone(), device.clone());
    let push = tokio::spawn(async move {
        store.push(pushing.scope(), &pushing.batch(1, 1), &clock(), NOW_MS).await.expect("it is done again")
    });
    // The push holds its device and waits for the ledger's head.
    let watch = bed.raw().await;
    while waiting(&watch).await < 1 {
        tokio::task::yield_now().await;
    }
    let lock_device = "SELECT 1 FROM device FOR UPDATE";
    stranger.execute_unprepared(lock_device).await.expect("the push gave way, or its wait for the lock ended");
    stranger.commit().await.expect("it commits");
    let pushed = push.await.expect("it ends");
    assert_eq!(pushed.answer.outcome, PushOutcome::Accepted);
    assert_eq!(
        pushed.answer.held.iter().map(|r| r.position).collect::<Vec<_>>(),
        [start + 1],
        "no position was used up"
    );
}
