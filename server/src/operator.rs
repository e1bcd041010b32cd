//! What the operator of the server does by command: codes, devices, organisations.
//!
//! Promises: a code is shown once and stored as a hash; an organisation or device that is not clearly named is never
//! guessed. Gives lines to show; prints nothing itself.

use crate::ambient::{Ambient, NoRandomness, random};
use crate::app::codes;
use crate::app::notices::secret_text;
use crate::app::token_keys::{self, Span};
use crate::outgoing::reach::{Reach, Target, UrlFault};
use pintle_core::exchange::Directory;
use pintle_core::fact::check_name;
use pintle_core::ids::OrganisationId;
use pintle_core::moment::Moment;
use pintle_store::{
    Actor, DeviceStanding, EarlierKeys, EnrolmentCode, Hook, Organisation, Role, Store, StoreError, epoch_after,
};
use std::cmp::Ordering;

/// Why a command of the operator was not done.
#[derive(Debug, thiserror::Error)]
pub enum OperatorError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Randomness.
    #[error(transparent)]
    Randomness(#[from] NoRandomness),
    /// There is no such organisation.
    #[error("there is no organisation {0:?}; there are: {1}")]
    NoSuchOrganisation(String, String),
    /// Several organisations, none named.
    #[error("there are several organisations; name one with --organisation: {0}")]
    SeveralOrganisations(String),
    /// None at all.
    #[error("there is no organisation yet; start the server once, or: pintle-server organisation add NAME")]
    NoOrganisation,
    /// The name is taken.
    #[error("there is an organisation {0:?} already")]
    OrganisationExists(String),
    /// The name cannot be one.
    #[error("{0:?} cannot be the name of an organisation: {1}")]
    BadName(String, String),
    /// The address cannot be called.
    #[error("cannot have bills told to {0:?}: {1}")]
    BadUrl(String, UrlFault),
    /// There is no such device.
    #[error("no device {0:?} in organisation {1:?}; see: pintle-server devices")]
    NoSuchDevice(String, String),
}

/// Notices looked at where the operator asks how it goes.
const NOTICES_SHOWN: usize = 200;

/// A second since 1970 as it is shown.
fn shown(second: i64) -> String {
    Moment::at(second, 0).map_or_else(|_| format!("second {second}"), |at| at.to_string())
}

/// A one-time code, and what to do with it. Shown once.
pub struct Invitation {
    lines: Vec<String>,
    url: String,
    /// The code.
    pub code: String,
}

impl Invitation {
    /// What to say: for whom it is, and what to type on the device.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let typed = format!("  pintle enrol {} {}", self.url, self.code);
        self.lines.iter().cloned().chain([typed]).collect()
    }

    /// What a camera is to read: the same as `pintle devices code` shows, and `pintle enrol` takes it in one piece.
    #[must_use]
    pub fn scanned(&self) -> String {
        format!("{}/#{}", self.url, self.code)
    }
}

/// The operator's view of a database.
pub struct Operator<'a> {
    /// The database.
    pub store: &'a dyn Store,
    /// Time and randomness.
    pub ambient: &'a dyn Ambient,
}

impl Operator<'_> {
    /// At the start of a server: makes the first organisation, and a code for the owner of every organisation that has
    /// no device yet. Gives those codes.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn first_steps(&self, name: &str, hours: u32, url: &str) -> Result<Vec<Invitation>, OperatorError> {
        if self.store.organisations().await?.is_empty() {
            match self.organisation_add(name, hours, url).await {
                // Another server on the same database was quicker.
                Err(OperatorError::OrganisationExists(_)) => {}
                done => return Ok(vec![done?]),
            }
        }
        let mut invitations = Vec::new();
        for organisation in self.store.organisations().await? {
            if self.store.devices(organisation.id).await?.is_empty() {
                invitations.push(self.owner_code(&organisation, hours, url).await?);
            }
        }
        Ok(invitations)
    }

    /// Adds an organisation and makes a code for its owner.
    ///
    /// # Errors
    /// If the name is taken or cannot be one; failures of the store.
    pub async fn organisation_add(&self, name: &str, hours: u32, url: &str) -> Result<Invitation, OperatorError> {
        check_name(name).map_err(|fault| OperatorError::BadName(name.to_owned(), fault.detail))?;
        if self.store.organisations().await?.iter().any(|organisation| organisation.name == name) {
            return Err(OperatorError::OrganisationExists(name.to_owned()));
        }
        let organisation = Organisation { id: OrganisationId(random(self.ambient)?), name: name.to_owned() };
        self.store.organisation_add(&organisation, self.ambient.now_ms()).await?;
        let mut invitation = self.owner_code(&organisation, hours, url).await?;
        invitation.lines.insert(0, format!("organisation {:?} made", organisation.name));
        Ok(invitation)
    }

    async fn owner_code(
        &self,
        organisation: &Organisation,
        hours: u32,
        url: &str,
    ) -> Result<Invitation, OperatorError> {
        let line = format!(
            "{:?} has no device yet. Let in its owner's within {hours} hours, on that device:",
            organisation.name
        );
        self.invitation(organisation, Role::Owner, hours, url, line).await
    }

    async fn invitation(
        &self,
        organisation: &Organisation,
        role: Role,
        hours: u32,
        url: &str,
        line: String,
    ) -> Result<Invitation, OperatorError> {
        let code = self.code_for(organisation, role, hours).await?;
        Ok(Invitation { lines: vec![line], url: url.trim_end_matches('/').to_owned(), code })
    }

    /// Makes a code.
    ///
    /// # Errors
    /// If the organisation is not clearly named; failures of the store.
    pub async fn code(
        &self,
        organisation: Option<&str>,
        role: Role,
        hours: u32,
        url: &str,
    ) -> Result<Invitation, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        let line = format!("For one device ({}) of {:?}, within {hours} hours:", role.as_str(), organisation.name);
        self.invitation(&organisation, role, hours, url, line).await
    }

    async fn code_for(&self, organisation: &Organisation, role: Role, hours: u32) -> Result<String, OperatorError> {
        let code = codes::shown(random(self.ambient)?);
        let now_ms = self.ambient.now_ms();
        // What `shown` writes, `hash` reads; see its tests.
        let Some(hash) = codes::hash(&code) else { unreachable!("a code that cannot be read") };
        let expires_ms = now_ms.saturating_add(i64::from(hours) * 3_600_000);
        self.store
            .code_add(Actor::operator(organisation.id), &EnrolmentCode { hash, role, expires_ms }, now_ms)
            .await?;
        Ok(code)
    }

    /// Lists the devices.
    ///
    /// # Errors
    /// If the organisation is not clearly named; failures of the store.
    pub async fn devices(&self, organisation: Option<&str>) -> Result<Vec<String>, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        let directory = self.directory(&organisation).await?;
        let devices = self.store.devices(organisation.id).await?;
        let mut lines = vec![format!("{} devices of {:?}", devices.len(), organisation.name)];
        for device in &devices {
            let name = directory.people.iter().find(|person| person.id == device.person);
            let name = name.map_or("(no name)", |person| &person.name);
            let revoked = if device.revoked { "  revoked" } else { "" };
            lines.push(format!("  {:4}  {}  {:8}  {name}{revoked}", device.mark, device.device, device.role.as_str()));
        }
        Ok(lines)
    }

    /// Revokes a device, by mark or id.
    ///
    /// # Errors
    /// If organisation or device are not clearly named; failures of the store.
    pub async fn revoke(&self, organisation: Option<&str>, device: &str) -> Result<Vec<String>, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        let devices = self.store.devices(organisation.id).await?;
        let named =
            |card: &&DeviceStanding| card.mark.eq_ignore_ascii_case(device) || card.device.to_string() == device;
        let card = devices.iter().find(named);
        let card = card.ok_or_else(|| OperatorError::NoSuchDevice(device.to_owned(), organisation.name.clone()))?;
        self.store.device_revoke(Actor::operator(organisation.id), card.device, self.ambient.now_ms()).await?;
        Ok(vec![format!(
            "{} ({}) is revoked: what it pushes from now on is set aside, and it reads no more",
            card.mark, card.device
        )])
    }

    /// Says that the database was restored from an older copy: raises its epoch, so that devices offer again what they
    /// hold. Without it the first device that has seen more than the copy holds brings the same about.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn restored(&self) -> Result<Vec<String>, OperatorError> {
        let before = self.store.epoch().await?;
        let epoch = self.store.epoch_raise(before, epoch_after(before, self.ambient.now_ms())).await?;
        Ok(vec![format!("epoch {epoch}: with their next sync devices offer again what this copy lacks")])
    }

    /// Has issued bills told to an address, under a new secret.
    ///
    /// # Errors
    /// If the organisation is not clearly named or the address cannot be called; failures of the store.
    pub async fn hook_set(
        &self,
        organisation: Option<&str>,
        url: &str,
        reach: Reach,
    ) -> Result<Vec<String>, OperatorError> {
        Target::read(url, reach).map_err(|fault| OperatorError::BadUrl(url.to_owned(), fault))?;
        let organisation = self.organisation(organisation).await?;
        let (inside, secret) = (reach == Reach::Inside, random(self.ambient)?);
        let hook = Hook { url: url.to_owned(), inside, secret, set_ms: self.ambient.now_ms() };
        self.store.hook_set(organisation.id, Some(&hook)).await?;
        Ok(vec![
            format!("bills that {:?} issues from now on are told to {url}", organisation.name),
            "its secret, shown once; the receiver checks each notice with it:".to_owned(),
            format!("  {}", secret_text(&secret)),
        ])
    }

    /// Tells nobody any more.
    ///
    /// # Errors
    /// If the organisation is not clearly named; failures of the store.
    pub async fn hook_off(&self, organisation: Option<&str>) -> Result<Vec<String>, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        self.store.hook_set(organisation.id, None).await?;
        Ok(vec![format!("bills that {:?} issues are told to nobody", organisation.name)])
    }

    /// Where bills are told, and which notices were not taken.
    ///
    /// # Errors
    /// If the organisation is not clearly named; failures of the store.
    pub async fn hook(&self, organisation: Option<&str>) -> Result<Vec<String>, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        let hook = self.store.hook(organisation.id).await?;
        let to = hook.as_ref().map_or("nobody", |hook| &hook.url);
        let mut lines = vec![format!("bills that {:?} issues are told to {to}", organisation.name)];
        for notice in self.store.notices(organisation.id, None, NOTICES_SHOWN).await? {
            let why = notice.answer.as_deref().unwrap_or("never tried");
            let tries = if notice.tries == 1 { "1 try".to_owned() } else { format!("{} tries", notice.tries) };
            match (notice.taken_ms, notice.next_ms) {
                (Some(_), _) => {}
                (None, Some(next_ms)) => lines.push(format!(
                    "  {}  waits, {tries} ({why}), next {}",
                    notice.number,
                    shown(next_ms.div_euclid(1000))
                )),
                (None, None) => lines.push(format!("  {}  given up after {tries} ({why})", notice.number)),
            }
        }
        Ok(lines)
    }

    /// Sends those anew that were given up.
    ///
    /// # Errors
    /// If the organisation is not clearly named; failures of the store.
    pub async fn notices_again(&self, organisation: Option<&str>) -> Result<Vec<String>, OperatorError> {
        let organisation = self.organisation(organisation).await?;
        let count = self.store.notices_again(organisation.id, self.ambient.now_ms()).await?;
        Ok(vec![format!("notices of {:?} that are sent anew: {count}", organisation.name)])
    }

    /// Lists the keys that sign access tokens.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn keys(&self) -> Result<Vec<String>, OperatorError> {
        let now_s = self.ambient.now_ms().div_euclid(1000);
        let spans = self.spans().await?;
        let signing = spans.iter().rposition(|span| span.signs(now_s)).unwrap_or(0);
        let state = |index: usize, span: &Span| match (index.cmp(&signing), span.verifies_to_s, span.signs_from_s) {
            _ if !span.verifies(now_s) => "over".to_owned(),
            (Ordering::Greater, _, from_s) => format!("signs from {}", from_s.map_or_else(String::new, shown)),
            (_, Some(to_s), _) if index < signing => format!("verifies until {}", shown(to_s)),
            _ => "signs".to_owned(),
        };
        let lines = spans.iter().enumerate();
        Ok(lines.map(|(index, span)| format!("  {}  {}", span.kid, state(index, span))).collect())
    }

    /// Makes a new key, and forgets those whose tokens have all expired; with [`EarlierKeys::Void`] all others, one that
    /// has not begun to sign included: who has seen one has seen all.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn keys_rotate(&self, earlier: EarlierKeys) -> Result<Vec<String>, OperatorError> {
        let now_ms = self.ambient.now_ms();
        let spans = self.spans().await?;
        let void = earlier == EarlierKeys::Void;
        let over = spans.iter().filter(|span| void || !span.verifies(now_ms.div_euclid(1000)));
        let gone: Vec<String> = over.map(|span| span.kid.clone()).collect();
        let key = token_keys::made(random(self.ambient)?, earlier, now_ms);
        self.store.token_key_add(&key, &gone).await?;
        tracing::warn!(target: "pintle::security", kid = %key.kid, ?earlier, "a key that signs tokens was made");
        self.keys().await
    }

    async fn spans(&self) -> Result<Vec<Span>, OperatorError> {
        let records = self.store.token_keys().await?;
        Ok(token_keys::spans(&token_keys::kid(&self.store.identity().token_secret), &records))
    }

    async fn directory(&self, organisation: &Organisation) -> Result<Directory, OperatorError> {
        Ok(self.store.directory(organisation.id, 0).await?.unwrap_or_default())
    }

    /// The organisation that is meant: the named one, or the only one.
    async fn organisation(&self, name: Option<&str>) -> Result<Organisation, OperatorError> {
        let mut all = self.store.organisations().await?;
        let names = || all.iter().map(|organisation| format!("{:?}", organisation.name)).collect::<Vec<_>>().join(", ");
        match name {
            Some(name) => match all.iter().find(|organisation| organisation.name == name) {
                Some(organisation) => Ok(organisation.clone()),
                None => Err(OperatorError::NoSuchOrganisation(name.to_owned(), names())),
            },
            None if all.len() > 1 => Err(OperatorError::SeveralOrganisations(names())),
            None => all.pop().ok_or(OperatorError::NoOrganisation),
        }
    }
}
