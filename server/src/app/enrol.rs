//! Letting a device in.
//!
//! Promises: nothing is spent or written before key and signature have been checked; a failed code counts against the
//! caller's address.

use super::{App, Refusal, codes};
use crate::ambient::random;
use crate::limits::CLIENT_MIN;
use pintle_core::chain::{enrol_text, follow_text, usable_key, verify};
use pintle_core::exchange::Person;
use pintle_core::fact::check_name;
use pintle_core::ids::{Baton, DeviceId, PersonId, PublicKey};
use pintle_openapi::Problem;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest, OrganisationCard};
use pintle_openapi::endpoints::follow::FollowRequest;
use pintle_store::{Enrolled, Enrolment, Follow};
use std::net::IpAddr;

/// Whether a text can be a mark: two to four capital letters or digits.
pub(super) fn is_mark(mark: &str) -> bool {
    (2..=4).contains(&mark.len()) && mark.bytes().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit())
}

/// Checks a person's name as an entry's names are checked.
pub(super) fn check_person(person: &Person, pointer: &str) -> Result<(), Refusal> {
    if person.id == PersonId::OPERATOR {
        let detail = "this id stands for the server itself";
        return Err(Refusal::of(Problem::OutOfRange).pointer(pointer.replace("/name", "/id")).detail(detail));
    }
    check_name(&person.name).map_err(|fault| Refusal::from(fault.under(pointer)))
}

impl App {
    /// Lets a device in.
    ///
    /// # Errors
    /// `too-many-requests`, `out-of-range`, `bad-text`, `bad-key`, `bad-signature`, `code-unknown`, `code-used`, and
    /// failures of the store.
    pub async fn enrol(&self, request: EnrolRequest, from: IpAddr) -> Result<EnrolReply, Refusal> {
        let now_ms = self.ambient.now_ms();
        if let Some(wait_s) = self.attempts.wait_s(from, now_ms) {
            return Err(Refusal::of(Problem::TooManyRequests).retry_after_s(wait_s));
        }
        let outcome = self.enrol_checked(request, now_ms).await;
        if outcome.as_ref().is_err_and(|r| matches!(r.problem, Problem::CodeUnknown | Problem::CodeUsed)) {
            self.attempts.failed(from, now_ms);
        }
        outcome
    }

    async fn enrol_checked(&self, request: EnrolRequest, now_ms: i64) -> Result<EnrolReply, Refusal> {
        if !is_mark(&request.mark) {
            let detail = "a mark has two to four capital letters or digits";
            return Err(Refusal::of(Problem::OutOfRange).pointer("/mark").detail(detail));
        }
        check_person(&request.person, "/person/name")?;
        if request.person.id == PersonId::OPERATOR {
            let detail = "this id stands for the server's console and is no person's";
            return Err(Refusal::of(Problem::OutOfRange).pointer("/person/id").detail(detail));
        }
        if !usable_key(&request.key) {
            return Err(Refusal::of(Problem::BadKey).pointer("/key"));
        }
        if !verify(&request.key, &enrol_text(&request.code, &request.key), &request.proof) {
            return Err(Refusal::of(Problem::BadSignature).pointer("/proof"));
        }
        let unknown = || Refusal::of(Problem::CodeUnknown).pointer("/code");
        let code = codes::hash(&request.code).ok_or_else(unknown)?;
        let baton = self.baton_for(&request.key).await?;
        let EnrolRequest { key, mark, person, .. } = request;
        let enrolled = self.store.enrol(&Enrolment { code, key, mark, person, baton, now_ms }).await?;
        if let Enrolled::NoSuchCode = enrolled {
            return Err(unknown());
        }
        self.welcome(enrolled, &key, baton, now_ms).await
    }

    /// Lets a device go on under a new key.
    ///
    /// # Errors
    /// `bad-key`, `unknown-device`, `bad-signature`, `key-refused`, and failures of the store.
    pub async fn follow(&self, request: FollowRequest) -> Result<EnrolReply, Refusal> {
        let FollowRequest { organisation, device, key, ends, old_proof, proof } = request;
        if !usable_key(&key) {
            return Err(Refusal::of(Problem::BadKey).pointer("/key"));
        }
        let old = self.store.device(device).await?.filter(|old| old.organisation == organisation);
        let old = old.ok_or_else(|| Refusal::of(Problem::UnknownDevice).pointer("/device"))?;
        let text = follow_text(&organisation, &device, &key);
        for (signer, signature, pointer) in [(&old.key, &old_proof, "/old_proof"), (&key, &proof, "/proof")] {
            if !verify(signer, &text, signature) {
                return Err(Refusal::of(Problem::BadSignature).pointer(pointer));
            }
        }
        let (baton, now_ms) = (self.baton_for(&key).await?, self.ambient.now_ms());
        let followed = self.store.follow(&Follow { organisation, old: device, key, ends, baton, now_ms }).await?;
        let welcome = self.welcome(followed, &key, baton, now_ms).await?;
        tracing::info!(target: "pintle::security", %device, new = %DeviceId::of_key(&key), ends, "a device goes on under a new key");
        Ok(welcome)
    }

    /// The baton of a device that is let in: the one it has, if it is in already. Only what it syncs makes a newer one, so that
    /// the numbers say how far a ledger has come with it.
    async fn baton_for(&self, key: &PublicKey) -> Result<Baton, Refusal> {
        let device = DeviceId::of_key(key);
        match self.store.device(device).await? {
            Some(known) => Ok(known.baton),
            None => Ok(self.cursors.baton(&device, None, random(self.ambient())?)),
        }
    }

    /// What a device that is in is told.
    async fn welcome(
        &self,
        enrolled: Enrolled,
        key: &PublicKey,
        baton: Baton,
        now_ms: i64,
    ) -> Result<EnrolReply, Refusal> {
        let (organisation, mark, role) = match enrolled {
            Enrolled::In { organisation, mark, role } => (organisation, mark, role),
            Enrolled::NoSuchCode => return Err(Refusal::of(Problem::CodeUnknown).pointer("/code")),
            Enrolled::LastOwner => return Err(Refusal::of(Problem::LastOwner).pointer("/code")),
            Enrolled::KeyRefused => return Err(Refusal::of(Problem::KeyRefused).pointer("/key")),
            Enrolled::CodeUsed => return Err(Refusal::of(Problem::CodeUsed).pointer("/code")),
        };
        let device = DeviceId::of_key(key);
        tracing::info!(target: "pintle::security", %device, organisation = %organisation.id, "device enrolled");
        let identity = self.store.identity();
        Ok(EnrolReply {
            organisation: OrganisationCard { id: organisation.id, name: organisation.name },
            device,
            mark,
            role,
            store: identity.store,
            epoch: self.store.epoch().await?,
            baton,
            now_ms,
            client_min: CLIENT_MIN.to_owned(),
        })
    }
}
