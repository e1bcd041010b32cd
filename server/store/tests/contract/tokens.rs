//! Keys that sign tokens, and assertions that have been answered.
//!
//! Promises: the order of keys is that of their beginning; an assertion is new once, also where many come at once.

use crate::bed::{Bed, NOW_MS};
use pintle_core::ids::Hash;
use pintle_store::{EarlierKeys, TokenKeyRecord};
use std::sync::Arc;

fn key(kid: &str, signs_ms: i64, earlier: EarlierKeys) -> TokenKeyRecord {
    TokenKeyRecord { kid: kid.to_owned(), seed: [signs_ms as u8; 32], made_ms: 0, signs_ms, earlier }
}

pub async fn keys_come_in_the_order_in_which_they_sign(bed: Bed) {
    assert_eq!(bed.store.token_keys().await.expect("it answers"), []);
    let (late, early, void) =
        (key("a", 30, EarlierKeys::Overlap), key("b", 10, EarlierKeys::Overlap), key("c", 20, EarlierKeys::Void));
    for key in [&late, &early, &void] {
        bed.store.token_key_add(key, &[]).await.expect("added");
    }
    let all = bed.store.token_keys().await.expect("it answers");
    assert_eq!(all, [early.clone(), void.clone(), late.clone()]);
    assert!(bed.store.token_key_add(&late, &["b".to_owned()]).await.is_err(), "a key is added once");
    assert_eq!(bed.store.token_keys().await.expect("it answers").len(), 3, "and then nothing is forgotten");
    let next = key("d", 40, EarlierKeys::Overlap);
    bed.store.token_key_add(&next, &["b".to_owned(), "none".to_owned()]).await.expect("added");
    assert_eq!(bed.store.token_keys().await.expect("it answers"), [void, late, next]);
    assert!(!format!("{all:?}").contains("30, 30"), "a seed is never shown");
}

pub async fn an_assertion_is_new_once_until_it_is_forgotten(bed: Bed) {
    let now_s = NOW_MS / 1000;
    let (first, second) = (Hash([1; 32]), Hash([2; 32]));
    let new = |hash, until_s, now_s| bed.store.assertion_new(hash, until_s, now_s);
    assert!(new(first, now_s + 90, now_s).await.expect("it answers"));
    assert!(!new(first, now_s + 90, now_s).await.expect("it answers"));
    assert!(new(second, now_s + 200, now_s + 90).await.expect("it answers"));
    assert!(!new(first, now_s + 90, now_s + 90).await.expect("it answers"), "remembered to its end");
    assert!(new(Hash([3; 32]), now_s + 200, now_s + 91).await.expect("it answers"));
    assert!(new(first, now_s + 200, now_s + 91).await.expect("it answers"), "forgotten after it");
    assert!(!new(second, now_s + 200, now_s + 91).await.expect("it answers"));
}

pub async fn one_assertion_that_comes_many_times_at_once_is_new_once(bed: Bed) {
    let bed = Arc::new(bed);
    let many: Vec<_> = (0..16)
        .map(|_| {
            let bed = bed.clone();
            tokio::spawn(async move { bed.store.assertion_new(Hash([7; 32]), i64::MAX, 0).await.expect("it answers") })
        })
        .collect();
    let mut new = 0;
    for one in many {
        new += usize::from(one.await.expect("it ends"));
    }
    assert_eq!(new, 1);
}
