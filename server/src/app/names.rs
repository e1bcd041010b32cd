//! The names beside an answer.
//!
//! Promises: those of the people and devices that the answer mentions, as the directory has them now.
//! Never a name inside the answer itself.

use super::{App, Caller, Refusal};
use pintle_core::exchange::Directory;
use pintle_openapi::names::Names;
use serde::Serialize;

impl App {
    /// The names of the people and devices that an answer mentions.
    pub(super) async fn names(&self, caller: &Caller, answer: &impl Serialize) -> Result<Names, Refusal> {
        let directory = self.directory(caller).await?;
        let answer = serde_json::to_value(answer).map_err(Refusal::internal)?;
        Ok(Names::mentioned(&answer, &directory))
    }

    /// The people and devices of the caller's organisation.
    pub(super) async fn directory(&self, caller: &Caller) -> Result<Directory, Refusal> {
        Ok(self.store.directory(caller.device.organisation, 0).await?.unwrap_or_default())
    }
}
