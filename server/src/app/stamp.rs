//! Time stamps of checkpoints, fetched from an authority outside (RFC 3161).
//!
//! Promises: what is kept was judged first: it is of this checkpoint, answers this request, and leads to the operator's own
//! certificate of the authority. Whatever else comes is dropped and told in the log; the ledger goes on without a stamp.
//! Stamped is the text of the note, without its signatures: who signs it later changes nothing.
//!
//! Never: an address or an authority that came over the API; a look at the authority while anybody waits.

use super::{App, Refusal};
use crate::ambient::random;
use crate::outgoing::reach::Target;
use crate::outgoing::{Letter, Outgoing, OutgoingError};
use awc::http::StatusCode;
use pintle_core::ids::{Hash, OrganisationId};
use pintle_core::proof::note::Note;
use pintle_core::stamp::{Authority, Flaw, TOKEN_BYTES_MAX, ask, granted, judge};
use pintle_store::{Organisation, StampRecord};

/// Media type of a request (RFC 3161 section 3.4).
const QUERY_MEDIA: &str = "application/timestamp-query";

/// Where stamps are fetched, whose are believed, and how often.
#[derive(Debug, Clone)]
pub struct Stamper {
    /// The authority's address.
    pub target: Target,
    /// Whom its certificates must lead to: the operator's choice.
    pub authorities: Vec<Authority>,
    /// Least time between two stamps of one organisation, in milliseconds.
    pub every_ms: i64,
}

impl Stamper {
    /// The name under which its stamps are kept: that of the first certificate.
    fn name(&self) -> String {
        self.authorities.first().map(Authority::name).unwrap_or_default()
    }
}

/// Why there is no stamp.
#[derive(Debug, thiserror::Error)]
pub enum Unstamped {
    /// The authority was not reached, or did not answer in time.
    #[error(transparent)]
    Unreached(#[from] OutgoingError),
    /// It answered with another status.
    #[error("the authority answered {0}")]
    Status(StatusCode),
    /// What it gave does not count.
    #[error("what the authority gave does not count ({})", .0.as_str())]
    Flawed(Flaw),
}

/// What became of it.
#[derive(Debug)]
pub enum Stamped {
    /// There is no checkpoint, or the newest has a stamp of this authority.
    Nothing,
    /// It was not yet time.
    Early,
    /// A stamp was kept.
    Kept(StampRecord),
}

/// Whether to ask before it is time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Haste {
    /// At its time.
    Due,
    /// Now.
    Now,
}

impl App {
    /// Fetches stamps for the organisations whose time has come. One that cannot be had is told in the log.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn stamp_checkpoints(&self, stamper: &Stamper, outgoing: &Outgoing) -> Result<(), Refusal> {
        for Organisation { id, .. } in self.store.organisations().await? {
            match self.stamp_checkpoint(id, stamper, outgoing, Haste::Due).await? {
                Ok(Stamped::Kept(StampRecord { size, at_s, .. })) => {
                    tracing::info!(organisation = %id, size, at_s, "a checkpoint was stamped");
                }
                Ok(Stamped::Nothing | Stamped::Early) => {}
                Err(error) => {
                    tracing::warn!(organisation = %id, %error, "a checkpoint stays without a stamp for now");
                }
            }
        }
        Ok(())
    }

    /// Fetches a stamp of an organisation's newest checkpoint, judges it and keeps it.
    ///
    /// # Errors
    /// The outer failures are of the store, the inner ones say why there is no stamp.
    pub async fn stamp_checkpoint(
        &self,
        organisation: OrganisationId,
        stamper: &Stamper,
        outgoing: &Outgoing,
        haste: Haste,
    ) -> Result<Result<Stamped, Unstamped>, Refusal> {
        let Some(checkpoint) = self.store.checkpoint(organisation).await? else { return Ok(Ok(Stamped::Nothing)) };
        let authority = stamper.name();
        if let Some((size, received_ms)) = self.store.stamp_newest(organisation, &authority).await? {
            if size >= checkpoint.size {
                return Ok(Ok(Stamped::Nothing));
            }
            if haste == Haste::Due && self.ambient.now_ms() < received_ms.saturating_add(stamper.every_ms) {
                return Ok(Ok(Stamped::Early));
            }
        }
        let note = Note::read(&checkpoint.note).ok_or_else(|| Refusal::internal("a checkpoint is no note"))?;
        let imprint = Hash::of(&[note.text.as_bytes()]);
        let nonce = random(self.ambient.as_ref()).map_err(Refusal::internal)?;
        let fetched = match fetched(stamper, outgoing, &imprint, nonce).await {
            Ok(fetched) => fetched,
            Err(error) => return Ok(Err(error)),
        };
        let (token, at_s) = fetched;
        let received_ms = self.ambient.now_ms();
        let stamp = StampRecord { size: checkpoint.size, authority, at_s, received_ms, token };
        self.store.stamp_add(organisation, &stamp).await?;
        Ok(Ok(Stamped::Kept(stamp)))
    }
}

/// A token that counts, and the second that it states.
async fn fetched(
    stamper: &Stamper,
    outgoing: &Outgoing,
    imprint: &Hash,
    nonce: [u8; 8],
) -> Result<(Vec<u8>, i64), Unstamped> {
    let body = ask(imprint, nonce).map_err(Unstamped::Flawed)?;
    let letter = Letter { media: QUERY_MEDIA, headers: Vec::new(), body };
    let (status, answer) = outgoing.fetch(&stamper.target, &letter, TOKEN_BYTES_MAX).await?;
    if status != StatusCode::OK {
        return Err(Unstamped::Status(status));
    }
    let token = granted(&answer).map_err(Unstamped::Flawed)?;
    let stamp = judge(&token, imprint, Some(nonce), &stamper.authorities).map_err(Unstamped::Flawed)?;
    Ok((token, stamp.at_s))
}
