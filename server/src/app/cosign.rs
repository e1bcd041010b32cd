//! Co-signatures of checkpoints, asked of outside witnesses (C2SP tlog-witness).
//!
//! Promises: a witness signs only what it has seen to grow from the checkpoint that it signed before, so that its line says
//! that nothing below was rewritten since. What is kept verified under the key that the operator set. A witness that does
//! not answer holds up nothing; one that says that it has seen another ledger is told in the log as what it is.
//!
//! Never: an address or a key that came over the API; a look at a witness while anybody waits.

use super::{App, Refusal};
use crate::outgoing::reach::Target;
use crate::outgoing::{Letter, Outgoing, OutgoingError};
use awc::http::StatusCode;
use pintle_core::ids::{Hash, OrganisationId};
use pintle_core::proof::merkle::Plan;
use pintle_core::proof::note::{Note, Signer};
use pintle_core::proof::witness::{ANSWER_BYTES_MAX, cosigned, size_signed, submission};
use pintle_store::{CheckpointRecord, Cosignature, Organisation};

/// Media type of a request; the protocol names none.
const MEDIA: &str = "text/plain; charset=utf-8";
/// Requests for one co-signature: the second one begins where the witness says it is.
const ASKED_MAX: usize = 2;

/// A witness that is asked.
#[derive(Debug, Clone)]
pub struct Cosigner {
    /// Whose lines are its.
    pub signer: Signer,
    /// Where checkpoints are sent.
    pub target: Target,
}

/// Why there is no co-signature.
#[derive(Debug, thiserror::Error)]
pub enum Uncosigned {
    /// The witness was not reached, or did not answer in time.
    #[error(transparent)]
    Unreached(#[from] OutgoingError),
    /// It does not know the ledger, or not its key: it has to be given to it.
    #[error("the witness does not know this ledger or its key ({0}): give it the key that pintle-server cosign prints")]
    Stranger(StatusCode),
    /// It answered with another status.
    #[error("the witness answered {0}")]
    Status(StatusCode),
    /// Its answer has no line of its key over this checkpoint.
    #[error("what the witness gave is not its co-signature of this checkpoint")]
    Flawed,
    /// It has signed a checkpoint of as many leaves or fewer that is not the beginning of this one.
    #[error("the witness has signed another ledger of {0} leaves in this place")]
    Rewritten(u64),
    /// It has signed a checkpoint with more leaves than the ledger has.
    #[error("the witness has signed {0} leaves of this ledger, which has {1}")]
    Behind(u64, u64),
}

impl Uncosigned {
    /// Whether the witness says that this is not the ledger that it has seen.
    const fn is_contradiction(&self) -> bool {
        matches!(self, Self::Rewritten(_) | Self::Behind(..))
    }
}

/// What became of it.
#[derive(Debug, PartialEq, Eq)]
pub enum Cosigned {
    /// There is no checkpoint, or this witness has signed the newest.
    Nothing,
    /// A co-signature of a checkpoint of so many leaves was kept.
    Kept(u64, Cosignature),
}

impl App {
    /// Asks every witness for the organisations that have something new; says whether all had what they were asked for.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn cosign_checkpoints(&self, cosigners: &[Cosigner], outgoing: &Outgoing) -> Result<bool, Refusal> {
        let mut all = true;
        for Organisation { id, .. } in self.store.organisations().await? {
            for cosigner in cosigners {
                let witness = &cosigner.signer.name;
                match self.cosign_checkpoint(id, cosigner, outgoing).await? {
                    Ok(Cosigned::Kept(size, _)) => {
                        tracing::debug!(organisation = %id, size, witness, "a checkpoint was co-signed");
                    }
                    Ok(Cosigned::Nothing) => {}
                    Err(error) if error.is_contradiction() => {
                        all = false;
                        tracing::error!(target: "pintle::security", organisation = %id, witness, %error,
                            "a witness has seen another ledger than this one");
                    }
                    Err(error) => {
                        all = false;
                        tracing::warn!(organisation = %id, witness, %error, "a checkpoint is not co-signed for now");
                    }
                }
            }
        }
        Ok(all)
    }

    /// Asks a witness to sign an organisation's newest checkpoint, and keeps its line.
    ///
    /// # Errors
    /// The outer failures are of the store, the inner ones say why there is no co-signature.
    pub async fn cosign_checkpoint(
        &self,
        organisation: OrganisationId,
        cosigner: &Cosigner,
        outgoing: &Outgoing,
    ) -> Result<Result<Cosigned, Uncosigned>, Refusal> {
        let Some(checkpoint) = self.store.checkpoint(organisation).await? else { return Ok(Ok(Cosigned::Nothing)) };
        let signed = self.store.cosigned_newest(organisation, &cosigner.signer.name).await?;
        // In another epoch the ledger has another name and key: to the witness it begins anew.
        let signed = signed.filter(|signed| signed.epoch == checkpoint.epoch).map_or(0, |signed| signed.size);
        if signed >= checkpoint.size {
            return Ok(Ok(Cosigned::Nothing));
        }
        let note = Note::read(&checkpoint.note).ok_or_else(|| Refusal::internal("a checkpoint is no note"))?;
        let mut old = signed;
        for _ in 0..ASKED_MAX {
            let proof = self.growth(organisation, old, checkpoint.size).await?;
            let body = submission(old, &proof, &checkpoint.note).into_bytes();
            let letter = Letter { media: MEDIA, headers: Vec::new(), body };
            let (status, answer) = match outgoing.fetch(&cosigner.target, &letter, ANSWER_BYTES_MAX).await {
                Ok(fetched) => fetched,
                Err(error) => return Ok(Err(error.into())),
            };
            let answer = String::from_utf8_lossy(&answer);
            match (status, size_signed(&answer)) {
                (StatusCode::OK, _) => {
                    let Some((line, time_s)) = cosigned(&note.text, &answer, &cosigner.signer) else {
                        return Ok(Err(Uncosigned::Flawed));
                    };
                    return self.keep_cosignature(organisation, checkpoint.size, line.write(), time_s, cosigner).await;
                }
                (StatusCode::CONFLICT, Some(size)) if size > checkpoint.size => {
                    return self.behind(organisation, &checkpoint, size).await.map(Err);
                }
                (StatusCode::CONFLICT, Some(size)) if size != old => old = size,
                (StatusCode::CONFLICT, _) | (StatusCode::UNPROCESSABLE_ENTITY, _) => {
                    return Ok(Err(Uncosigned::Rewritten(old)));
                }
                (StatusCode::NOT_FOUND | StatusCode::FORBIDDEN, _) => return Ok(Err(Uncosigned::Stranger(status))),
                _ => return Ok(Err(Uncosigned::Status(status))),
            }
        }
        // It says another size each time: others ask it for this ledger too, and it is asked again later.
        Ok(Err(Uncosigned::Status(StatusCode::CONFLICT)))
    }

    /// The proof that the tree has only grown; empty where there is nothing to show.
    async fn growth(&self, organisation: OrganisationId, from: u64, to: u64) -> Result<Vec<Hash>, Refusal> {
        match from == 0 || from == to {
            true => Ok(Vec::new()),
            false => self.proof(organisation, Plan::consistency(from, to)).await,
        }
    }

    async fn keep_cosignature(
        &self,
        organisation: OrganisationId,
        size: u64,
        line: String,
        time_s: u64,
        Cosigner { signer, .. }: &Cosigner,
    ) -> Result<Result<Cosigned, Uncosigned>, Refusal> {
        let cosignature = Cosignature { name: signer.name.clone(), key: signer.key, time_s, line };
        self.store.cosignature_add(organisation, size, &cosignature).await?;
        Ok(Ok(Cosigned::Kept(size, cosignature)))
    }

    /// What it means that a witness has signed more: another process may have made a checkpoint meanwhile.
    async fn behind(
        &self,
        organisation: OrganisationId,
        asked: &CheckpointRecord,
        signed: u64,
    ) -> Result<Uncosigned, Refusal> {
        let newest = self.store.checkpoint(organisation).await?.map_or(0, |newest| newest.size);
        Ok(match newest >= signed {
            true => Uncosigned::Status(StatusCode::CONFLICT),
            false => Uncosigned::Behind(signed, newest.max(asked.size)),
        })
    }

    /// The newest note with the lines of those who have co-signed it.
    pub(super) async fn note_cosigned(
        &self,
        organisation: OrganisationId,
        record: &CheckpointRecord,
    ) -> Result<String, Refusal> {
        let cosignatures = self.store.cosignatures(organisation, record.size).await?;
        Ok(cosignatures.iter().fold(record.note.clone(), |note, cosignature| note + &cosignature.line))
    }
}
