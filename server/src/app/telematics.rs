//! Telematics readings, as entries that a device may record.
//!
//! Promises: judged against the machines as they are now; the same document gives the same proposals until they are
//! recorded. Never writes: an entry is made and sealed by a device, in its own log.

use super::{App, Caller, Refusal};
use pintle_core::telematics::{Candidate, judge, read};
use pintle_openapi::endpoints::telematics::TelematicsReply;

impl App {
    /// What becomes of a telematics document.
    ///
    /// # Errors
    /// `payload-too-large`, `malformed-document`, `out-of-range`, and failures of the store.
    pub async fn telematics(&self, caller: &Caller, document: &str) -> Result<TelematicsReply, Refusal> {
        let reports = read(document.as_bytes())?;
        let machines = self.machines_now(caller.device.organisation).await?;
        let candidates: Vec<Candidate> =
            machines.chiefs().filter_map(|chief| machines.glance(chief)?.candidate.clone()).collect();
        Ok(TelematicsReply { machines: judge(reports, &candidates, self.ambient.now_ms().div_euclid(1000)) })
    }
}
