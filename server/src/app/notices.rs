//! Telling another program of issued bills.
//!
//! Promises: what is sent is the same each time it is sent, under the same id, signed at the moment of sending by the open
//! scheme Standard Webhooks (<https://www.standardwebhooks.com>, version 1); a receiver that fails never holds up an
//! issue, and is asked again later. The log names organisation and bill, never the address or the secret.
//!
//! Never decides when: that is `pintle_store::notice_next_ms`.

use super::{App, Caller, Refusal};
use crate::limits::NOTICES_AT_ONCE;
use crate::outgoing::reach::{Reach, Target};
use crate::outgoing::{Letter, Outgoing, OutgoingError};
use awc::http::StatusCode;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use pintle_core::moment::Moment;
use pintle_openapi::List;
use pintle_openapi::endpoints::notices::{
    BillNotice, NOTICE_ID, NOTICE_SIGNATURE, NOTICE_TIMESTAMP, NoticeReport, NoticeState, SECRET_BEGIN,
};
use pintle_openapi::list::PageQuery;
use pintle_store::{DueNotice, Hook, NoticeAnswer, NoticeRecord};
use sha2::Sha256;

/// The version of the scheme before a signature.
const SIGNATURE_VERSION: &str = "v1";

impl App {
    /// Sends the notices that are due. One that cannot be sent is kept for its next time.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn send_notices(&self, outgoing: &Outgoing) -> Result<(), Refusal> {
        for notice in self.store.notices_take(self.ambient.now_ms(), NOTICES_AT_ONCE).await? {
            // A hook that was taken away meanwhile: it waits for another.
            let Some(hook) = self.store.hook(notice.organisation).await? else { continue };
            let answer = match self.letter(&notice, &hook).await? {
                Ok(letter) => sent(outgoing, &hook, &letter).await,
                Err(why) => NoticeAnswer::Unwanted(why),
            };
            if let NoticeAnswer::Failed(why) | NoticeAnswer::Unwanted(why) = &answer {
                let (organisation, bill) = (notice.organisation, notice.bill);
                tracing::warn!(%organisation, %bill, why, "a bill was issued, and the notice of it was not taken");
            }
            self.store.notice_answered(&notice, &answer, self.ambient.now_ms()).await?;
        }
        Ok(())
    }

    /// What is posted, signed now; or why there is nothing to post.
    async fn letter(&self, notice: &DueNotice, hook: &Hook) -> Result<Result<Letter, String>, Refusal> {
        let record = self.store.bill(notice.organisation, notice.bill).await?;
        let Some((document, stamp)) = record.and_then(|record| Some((record.document, record.issued?))) else {
            return Ok(Err("the bill is gone".to_owned()));
        };
        let at = Moment::at(stamp.at_ms.div_euclid(1000), 0).map_err(Refusal::internal)?;
        let notice = BillNotice::of(notice.organisation, &document, stamp.place, stamp.digest, at);
        let body = serde_json::to_vec(&notice).map_err(Refusal::internal)?;
        let (id, second) = (BillNotice::id(&document.id), self.ambient.now_ms().div_euclid(1000));
        let signature = signature(&hook.secret, &id, second, &body);
        let headers = vec![(NOTICE_ID, id), (NOTICE_TIMESTAMP, second.to_string()), (NOTICE_SIGNATURE, signature)];
        Ok(Ok(Letter { media: "application/json", headers, body }))
    }

    /// How notices stand, the newest first.
    ///
    /// # Errors
    /// `out-of-range`, `invalid-cursor`, and failures of the store.
    pub async fn notices(&self, caller: &Caller, query: &PageQuery) -> Result<List<NoticeReport>, Refusal> {
        let ask = self.ask(caller, "notices", query)?;
        // Keys fall as places rise, so that the newest come first.
        let before = match &ask.after {
            None => None,
            Some(key) => {
                let key: [u8; 8] = key.as_slice().try_into().map_err(|_| super::read::invalid_cursor())?;
                Some(u64::MAX - u64::from_be_bytes(key))
            }
        };
        let records = self.store.notices(caller.device.organisation, before, ask.limit + 1).await?;
        let keyed =
            records.into_iter().map(|record| ((u64::MAX - record.place).to_be_bytes().to_vec(), report(record)));
        Ok(self.cut(caller, &ask, keyed.collect()))
    }
}

async fn sent(outgoing: &Outgoing, hook: &Hook, letter: &Letter) -> NoticeAnswer {
    let reach = if hook.inside { Reach::Inside } else { Reach::Public };
    let target = match Target::read(&hook.url, reach) {
        Ok(target) => target,
        Err(fault) => return NoticeAnswer::Failed(format!("the hook's address cannot be used: {fault}")),
    };
    judged(outgoing.post(&target, letter).await)
}

/// What an answer means: taken, gone for good, or not now.
fn judged(answer: Result<StatusCode, OutgoingError>) -> NoticeAnswer {
    match answer {
        Ok(status) if status.is_success() => NoticeAnswer::Taken,
        Ok(StatusCode::GONE) => NoticeAnswer::Unwanted("it answers 410: gone".to_owned()),
        Ok(status) => NoticeAnswer::Failed(format!("it answers {}", status.as_u16())),
        Err(error) => NoticeAnswer::Failed(error.to_string()),
    }
}

/// The header value: HMAC-SHA256 over id, second and body with points between.
fn signature(secret: &[u8], id: &str, second: i64, body: &[u8]) -> String {
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(secret) else { unreachable!("HMAC takes a key of any length") };
    mac.update(format!("{id}.{second}.").as_bytes());
    mac.update(body);
    format!("{SIGNATURE_VERSION},{}", STANDARD.encode(mac.finalize().into_bytes()))
}

/// A secret in the form in which receivers are given it.
#[must_use]
pub fn secret_text(secret: &[u8; 32]) -> String {
    format!("{SECRET_BEGIN}{}", STANDARD.encode(secret))
}

fn report(record: NoticeRecord) -> NoticeReport {
    let NoticeRecord { place, bill, number, tries, tried_ms, answer, next_ms, taken_ms } = record;
    let state = match (taken_ms, next_ms) {
        (Some(_), _) => NoticeState::Taken,
        (None, Some(_)) => NoticeState::Waiting,
        (None, None) => NoticeState::Resting,
    };
    NoticeReport { bill, place, number, state, tries, tried_ms, answer, next_ms, taken_ms }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the standard's own document (`spec/standard-webhooks.md` and the tests of its libraries): from
    /// memory, and compared with the library `standardwebhooks` of PyPI in `tests/outside/check_notices.py`.
    #[test]
    fn the_example_of_the_scheme() {
        let secret = STANDARD.decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").expect("base64");
        let signed = signature(&secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, br#"{"test": 2432232314}"#);
        assert_eq!(signed, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn a_secret_is_shown_in_the_scheme_s_form() {
        assert_eq!(secret_text(&[0; 32]), format!("whsec_{}=", "A".repeat(43)));
    }
}
