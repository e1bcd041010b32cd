//! Notices: issued bills that another program is told of, as a port.
//!
//! Promises: where an organisation has a hook, the notice of a bill is written in the transaction that issues it, so that
//! none is forgotten however the server ends. Taking a notice to send it puts off its next try first: one that is cut
//! off is tried again, so that each is told at least once. After [`NOTICE_PAUSES_MS`] it rests until someone asks.
//!
//! Never: what a notice says, nor the sending of it; those are the server's.

use crate::StoreResult;
use async_trait::async_trait;
use pintle_core::ids::{OfficeId, OrganisationId};

const SECOND_MS: i64 = 1_000;
const MINUTE_MS: i64 = 60 * SECOND_MS;
const HOUR_MS: i64 = 60 * MINUTE_MS;

/// How long after each try the next one is: the growing pauses that the open scheme Standard Webhooks advises, three days
/// in all, so that a receiver may be broken over a weekend.
pub const NOTICE_PAUSES_MS: [i64; 9] = [
    5 * SECOND_MS,
    5 * MINUTE_MS,
    30 * MINUTE_MS,
    2 * HOUR_MS,
    5 * HOUR_MS,
    10 * HOUR_MS,
    14 * HOUR_MS,
    20 * HOUR_MS,
    24 * HOUR_MS,
];

/// When a notice that has now been tried so often is tried again; none if it rests.
#[must_use]
pub fn notice_next_ms(tries: u64, now_ms: i64) -> Option<i64> {
    let pause = usize::try_from(tries.checked_sub(1)?).ok().and_then(|tried| NOTICE_PAUSES_MS.get(tried))?;
    Some(now_ms.saturating_add(*pause))
}

/// Where an organisation has its issued bills told.
#[derive(Clone, PartialEq, Eq)]
pub struct Hook {
    /// Where to.
    pub url: String,
    /// Whether it may lead into the server's own network.
    pub inside: bool,
    /// Signs each notice.
    pub secret: [u8; 32],
    /// Since when, in milliseconds since 1970.
    pub set_ms: i64,
}

impl std::fmt::Debug for Hook {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // The address may hold a token, and the secret is one.
        f.debug_struct("Hook").field("set_ms", &self.set_ms).finish_non_exhaustive()
    }
}

/// A notice that has been taken to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueNotice {
    /// Of which organisation.
    pub organisation: OrganisationId,
    /// The bill's place.
    pub place: u64,
    /// The bill.
    pub bill: OfficeId,
}

/// What came of sending one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoticeAnswer {
    /// The receiver has it.
    Taken,
    /// Not now; why.
    Failed(String),
    /// The receiver wants it never; why.
    Unwanted(String),
}

/// How a notice stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoticeRecord {
    /// The bill's place.
    pub place: u64,
    /// The bill.
    pub bill: OfficeId,
    /// Its number.
    pub number: String,
    /// How often it was sent.
    pub tries: u64,
    /// When last, in milliseconds since 1970.
    pub tried_ms: Option<i64>,
    /// What came of the last try that failed.
    pub answer: Option<String>,
    /// When it is tried next; none once it was taken, or if it rests.
    pub next_ms: Option<i64>,
    /// When it was taken.
    pub taken_ms: Option<i64>,
}

/// What the store does for notices. The doc comment of each method is its contract.
#[async_trait]
pub trait NoticeStore: Send + Sync + 'static {
    /// Where the organisation has its bills told, if it has.
    async fn hook(&self, organisation: OrganisationId) -> StoreResult<Option<Hook>>;

    /// Has its bills told there from now on, or nowhere. What waits goes on waiting, and goes to whatever is set next.
    async fn hook_set(&self, organisation: OrganisationId, hook: Option<&Hook>) -> StoreResult<()>;

    /// Takes notices that are due and whose organisation has a hook, at most `limit`, the longest due first: counts a try
    /// and puts off the next one. Of several processes one takes each.
    async fn notices_take(&self, now_ms: i64, limit: usize) -> StoreResult<Vec<DueNotice>>;

    /// Keeps what came of sending one. One that was taken stays taken.
    async fn notice_answered(&self, notice: &DueNotice, answer: &NoticeAnswer, now_ms: i64) -> StoreResult<()>;

    /// The organisation's notices before a place, the newest first, at most `limit`.
    async fn notices(
        &self,
        organisation: OrganisationId,
        before: Option<u64>,
        limit: usize,
    ) -> StoreResult<Vec<NoticeRecord>>;

    /// Has those that rest sent anew, as if they had never been; gives how many.
    async fn notices_again(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<u64>;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_and_end() {
        assert!(NOTICE_PAUSES_MS.is_sorted());
        assert_eq!(notice_next_ms(0, 7), None, "what was never tried is due");
        assert_eq!(notice_next_ms(1, 7), Some(5_007));
        assert_eq!(notice_next_ms(9, 0), Some(24 * HOUR_MS));
        assert_eq!(notice_next_ms(10, 0), None, "it rests");
        assert_eq!(notice_next_ms(1, i64::MAX), Some(i64::MAX));
        assert!((3 * 24 * HOUR_MS..4 * 24 * HOUR_MS).contains(&NOTICE_PAUSES_MS.iter().sum()));
    }
}
