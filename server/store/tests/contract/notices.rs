//! Notices of issued bills: written with the issue, taken by one, put off before they are sent.
//!
//! Promises: what a process that ends at any moment leaves is what the next one goes on from.

use crate::bed::{Bed, NOW_MS};
use crate::bills::{QUARRY, add, draft, id, issue};
use crate::race::processes;
use pintle_core::ids::OrganisationId;
use pintle_store::{DueNotice, Hook, Issued, NOTICE_PAUSES_MS, NoticeAnswer, NoticeRecord, Store};
use std::collections::BTreeMap;

fn hook(byte: u8) -> Hook {
    Hook { url: "https://books.example/hook".into(), inside: byte > 1, secret: [byte; 32], set_ms: NOW_MS }
}

/// Drafts and issues bills of these numbers.
async fn issued(store: &dyn Store, organisation: OrganisationId, numbers: std::ops::Range<u16>) {
    for number in numbers {
        add(store, organisation, &[draft(number, QUARRY, &[u64::from(number)])]).await;
        assert!(matches!(issue(store, organisation, number).await, Issued::Now(_)));
    }
}

async fn take(store: &dyn Store, now_ms: i64) -> Vec<DueNotice> {
    store.notices_take(now_ms, 100).await.expect("it answers")
}

async fn all(store: &dyn Store, organisation: OrganisationId) -> Vec<NoticeRecord> {
    store.notices(organisation, None, 100).await.expect("it answers")
}

async fn answered(store: &dyn Store, notice: &DueNotice, answer: NoticeAnswer) {
    store.notice_answered(notice, &answer, NOW_MS + 1).await.expect("it answers");
}

pub async fn a_notice_is_written_with_the_issue_where_there_is_a_hook(bed: Bed) {
    let (organisation, other) = (bed.organisation(1).await, bed.organisation(2).await);
    let store = bed.store.as_ref();
    issued(store, organisation, 1..2).await;
    assert_eq!(all(store, organisation).await, [], "nobody was to be told");
    store.hook_set(organisation, Some(&hook(1))).await.expect("it is set");
    store.hook_set(organisation, Some(&hook(2))).await.expect("another");
    assert_eq!(store.hook(organisation).await.expect("it answers"), Some(hook(2)));
    assert_eq!(store.hook(other).await.expect("it answers"), None, "an organisation's own");
    issued(store, organisation, 2..4).await;
    issued(store, other, 1..2).await;
    // Asked again, as after a lost reply: no second notice.
    assert!(matches!(issue(store, organisation, 2).await, Issued::Before(_)));
    let waits = |place, number: &str| NoticeRecord {
        place,
        bill: id(u16::try_from(place).expect("small")),
        number: number.into(),
        tries: 0,
        tried_ms: None,
        answer: None,
        next_ms: Some(NOW_MS),
        taken_ms: None,
    };
    assert_eq!(all(store, organisation).await, [waits(3, "2026-0003"), waits(2, "2026-0002")], "the newest first");
    assert_eq!(store.notices(organisation, Some(3), 100).await.expect("it answers"), [waits(2, "2026-0002")]);
    assert_eq!(store.notices(organisation, None, 1).await.expect("it answers"), [waits(3, "2026-0003")]);
    assert_eq!(all(store, other).await, []);
    let none = OrganisationId([9; 16]);
    store.hook_set(none, Some(&hook(1))).await.expect_err("there is no such organisation");
    store.hook_set(organisation, Some(&Hook { url: "a\0b".into(), ..hook(1) })).await.expect_err("no such text");
}

pub async fn a_taken_notice_is_put_off_until_it_is_answered(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    store.hook_set(organisation, Some(&hook(1))).await.expect("it is set");
    issued(store, organisation, 1..2).await;
    assert_eq!(take(store, NOW_MS - 1).await, [], "not yet");
    let due = DueNotice { organisation, place: 1, bill: id(1) };
    assert_eq!(take(store, NOW_MS).await, std::slice::from_ref(&due));
    assert_eq!(take(store, NOW_MS).await, [], "it has been taken");
    let [first, second, ..] = NOTICE_PAUSES_MS;
    // Who took it has ended without a word: it comes again.
    assert_eq!(take(store, NOW_MS + first - 1).await, []);
    assert_eq!(take(store, NOW_MS + first).await, std::slice::from_ref(&due));
    answered(store, &due, NoticeAnswer::Failed("it answers 500".into())).await;
    let [record] = all(store, organisation).await.try_into().expect("one");
    assert_eq!((record.tries, record.tried_ms), (2, Some(NOW_MS + first)));
    assert_eq!((record.answer.as_deref(), record.next_ms), (Some("it answers 500"), Some(NOW_MS + first + second)));
    assert_eq!(take(store, NOW_MS + first + second).await, std::slice::from_ref(&due));
    answered(store, &due, NoticeAnswer::Taken).await;
    // The answer to an earlier try comes late.
    answered(store, &due, NoticeAnswer::Failed("it answers 500".into())).await;
    answered(store, &due, NoticeAnswer::Unwanted("gone".into())).await;
    let [record] = all(store, organisation).await.try_into().expect("one");
    assert_eq!((record.answer, record.next_ms, record.taken_ms), (None, None, Some(NOW_MS + 1)));
    assert_eq!(take(store, i64::MAX).await, []);
    assert_eq!(store.notices_again(organisation, NOW_MS).await.expect("it answers"), 0, "what was taken stays taken");
}

pub async fn a_notice_that_is_not_taken_rests_until_someone_asks(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let store = bed.store.as_ref();
    store.hook_set(organisation, Some(&hook(1))).await.expect("it is set");
    issued(store, organisation, 1..3).await;
    let mut now_ms = NOW_MS;
    let mut tries = 0;
    while let [due, ..] = take(store, now_ms).await.as_slice() {
        answered(store, due, NoticeAnswer::Failed("no answer".into())).await;
        tries += 1;
        now_ms += NOTICE_PAUSES_MS.last().copied().unwrap_or_default();
    }
    assert_eq!(tries, NOTICE_PAUSES_MS.len() + 1);
    let rests = |record: &NoticeRecord| record.next_ms.is_none() && record.taken_ms.is_none();
    assert!(all(store, organisation).await.iter().all(rests));
    assert_eq!(store.notices_again(organisation, now_ms).await.expect("it answers"), 2);
    let due = take(store, now_ms).await;
    assert_eq!(due.len(), 2);
    answered(store, &due[0], NoticeAnswer::Unwanted("gone".into())).await;
    assert_eq!(take(store, now_ms + NOTICE_PAUSES_MS[0]).await, due[1..]);
    // Without a hook what waits goes on waiting, and goes to the next one.
    store.hook_set(organisation, None).await.expect("it is taken away");
    assert_eq!(take(store, i64::MAX).await, []);
    store.hook_set(organisation, Some(&hook(2))).await.expect("it is set");
    assert_eq!(store.notices_take(i64::MAX, 100).await.expect("it answers"), due[1..]);
}

pub async fn of_many_at_once_one_takes_each_notice(bed: Bed) {
    const BILLS: u16 = 20;
    let organisation = bed.organisation(1).await;
    bed.store.hook_set(organisation, Some(&hook(1))).await.expect("it is set");
    issued(bed.store.as_ref(), organisation, 1..BILLS + 1).await;
    let stores = processes(&bed).await;
    let tasks: Vec<_> = (0..8)
        .map(|n| {
            let store = stores[n % stores.len()].clone();
            tokio::spawn(async move {
                let mut mine = Vec::new();
                // Of PostgreSQL's rows those that another is taking are passed over: asked until there are none.
                for _ in 0..BILLS {
                    mine.extend(store.notices_take(NOW_MS, 3).await.expect("it answers"));
                }
                mine
            })
        })
        .collect();
    let mut taken: BTreeMap<u64, u32> = BTreeMap::new();
    for task in tasks {
        for notice in task.await.expect("it ends") {
            *taken.entry(notice.place).or_default() += 1;
        }
    }
    assert_eq!(taken, (1..=u64::from(BILLS)).map(|place| (place, 1)).collect());
}
