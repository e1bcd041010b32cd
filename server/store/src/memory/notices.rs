//! Notices of issued bills, in memory.
//!
//! Promises: the same outcomes as the databases; the contract suite compares.
//! Never a bill of its own.

use super::{MemoryStore, State};
use crate::notices::notice_next_ms;
use crate::{DueNotice, Hook, NoticeAnswer, NoticeRecord, NoticeStore, StoreResult, storable};
use async_trait::async_trait;
use pintle_core::ids::{OfficeId, OrganisationId};
use std::collections::BTreeMap;

/// Hooks and notices of all organisations.
#[derive(Debug, Clone, Default)]
pub(super) struct Notices {
    hooks: BTreeMap<OrganisationId, Hook>,
    all: BTreeMap<(OrganisationId, u64), NoticeRecord>,
}

impl Notices {
    /// With the issue of a bill: its notice, if the organisation has a hook.
    pub(super) fn noticed(
        &mut self,
        organisation: OrganisationId,
        place: u64,
        (bill, number): (OfficeId, String),
        now_ms: i64,
    ) {
        if self.hooks.contains_key(&organisation) {
            let next_ms = Some(now_ms);
            let notice =
                NoticeRecord { place, bill, number, tries: 0, tried_ms: None, answer: None, next_ms, taken_ms: None };
            self.all.insert((organisation, place), notice);
        }
    }

    fn due(&self, now_ms: i64, limit: usize) -> Vec<DueNotice> {
        let waits = self.all.iter().filter(|((organisation, _), _)| self.hooks.contains_key(organisation));
        let mut due: Vec<_> = waits
            .filter_map(|((organisation, place), notice)| Some((notice.next_ms?, *place, *organisation, notice.bill)))
            .filter(|(next_ms, ..)| *next_ms <= now_ms)
            .collect();
        due.sort();
        due.truncate(limit);
        due.into_iter().map(|(_, place, organisation, bill)| DueNotice { organisation, place, bill }).collect()
    }
}

impl State {
    fn notice(&mut self, notice: &DueNotice) -> Option<&mut NoticeRecord> {
        self.notices.all.get_mut(&(notice.organisation, notice.place))
    }
}

#[async_trait]
impl NoticeStore for MemoryStore {
    async fn hook(&self, organisation: OrganisationId) -> StoreResult<Option<Hook>> {
        self.read("hook", |state| Ok(state.notices.hooks.get(&organisation).cloned()))
    }

    async fn hook_set(&self, organisation: OrganisationId, hook: Option<&Hook>) -> StoreResult<()> {
        storable("hook_set", hook.map(|hook| hook.url.as_str()))?;
        self.write("hook_set", |state| {
            state.ledger("hook_set", organisation)?;
            match hook {
                Some(hook) => state.notices.hooks.insert(organisation, hook.clone()),
                None => state.notices.hooks.remove(&organisation),
            };
            Ok(())
        })
    }

    async fn notices_take(&self, now_ms: i64, limit: usize) -> StoreResult<Vec<DueNotice>> {
        if self.read("notices_look", |state| Ok(state.notices.due(now_ms, 1).is_empty()))? {
            return Ok(Vec::new());
        }
        self.write("notices_take", |state| {
            let due = state.notices.due(now_ms, limit);
            for taken in &due {
                if let Some(notice) = state.notice(taken) {
                    notice.tries += 1;
                    notice.tried_ms = Some(now_ms);
                    notice.next_ms = notice_next_ms(notice.tries, now_ms);
                }
            }
            Ok(due)
        })
    }

    async fn notice_answered(&self, notice: &DueNotice, answer: &NoticeAnswer, now_ms: i64) -> StoreResult<()> {
        self.write("notice_answered", |state| {
            let Some(record) = state.notice(notice).filter(|record| record.taken_ms.is_none()) else { return Ok(()) };
            match answer {
                NoticeAnswer::Taken => {
                    (record.taken_ms, record.next_ms, record.answer) = (Some(now_ms), None, None);
                }
                NoticeAnswer::Failed(why) => record.answer = Some(why.clone()),
                NoticeAnswer::Unwanted(why) => (record.answer, record.next_ms) = (Some(why.clone()), None),
            }
            Ok(())
        })
    }

    async fn notices(
        &self,
        organisation: OrganisationId,
        before: Option<u64>,
        limit: usize,
    ) -> StoreResult<Vec<NoticeRecord>> {
        self.read("notices", |state| {
            let range = (organisation, 0)..(organisation, before.unwrap_or(u64::MAX));
            Ok(state.notices.all.range(range).rev().take(limit).map(|(_, notice)| notice.clone()).collect())
        })
    }

    async fn notices_again(&self, organisation: OrganisationId, now_ms: i64) -> StoreResult<u64> {
        self.write("notices_again", |state| {
            let all = state.notices.all.range_mut((organisation, 0)..=(organisation, u64::MAX));
            let mut again = 0;
            for (_, notice) in all.filter(|(_, notice)| notice.next_ms.is_none() && notice.taken_ms.is_none()) {
                (notice.tries, notice.next_ms) = (0, Some(now_ms));
                again += 1;
            }
            Ok(again)
        })
    }
}
