//! Judging the rows of administration by what the server's own log says of them.
//!
//! Promises: pure. Only what the log can know is asked of it: what was done before the log began, and the rows of
//! another organisation, are not. A later entry counts more than an earlier one.
//!
//! Never: SQL.

use super::{Finder, Wrong, hex};
use pintle_core::fact::Fact;
use pintle_core::ids::{CodeId, DeviceId, Hash, PublicKey, ShareId};
use pintle_core::permission::Role;
use std::collections::{BTreeMap, BTreeSet};

/// A person's device, as its row says.
#[derive(Debug, Clone)]
pub(crate) struct DeviceRow {
    pub device: DeviceId,
    pub key: PublicKey,
    pub mark: String,
    pub role: Role,
    pub revoked: bool,
    pub enrolled_ms: i64,
}

/// An enrolment code, as its row says.
#[derive(Debug, Clone)]
pub(crate) struct CodeRow {
    pub hash: Hash,
    /// The names under which it may be spoken of: today's, and half of the hash as it was before.
    pub names: [CodeId; 2],
    pub role: Role,
    pub created_ms: i64,
    pub cancelled: bool,
}

/// A share link, as its row says.
#[derive(Debug, Clone)]
pub(crate) struct ShareRow {
    pub hash: Hash,
    pub made_ms: i64,
    pub ended: bool,
}

/// What the log says of a device.
struct Told {
    key: PublicKey,
    mark: String,
    role: Role,
    revoked: bool,
}

/// What the log says of everything.
#[derive(Default)]
struct Log {
    /// When it began, in milliseconds since 1970.
    began_ms: Option<i64>,
    devices: BTreeMap<DeviceId, Told>,
    codes: BTreeMap<CodeId, Role>,
    cancelled: BTreeSet<CodeId>,
    shares: BTreeSet<ShareId>,
    ended: BTreeSet<ShareId>,
}

impl Log {
    fn of(facts: &[(u64, i64, Fact)]) -> Self {
        let mut log = Self { began_ms: facts.first().map(|(_, at_ms, _)| *at_ms), ..Self::default() };
        for (_, _, fact) in facts {
            log.take(fact);
        }
        log
    }

    fn take(&mut self, fact: &Fact) {
        match fact {
            Fact::CodeMade(made) => drop(self.codes.insert(made.code, made.role)),
            Fact::CodeCancelled(gone) => drop(self.cancelled.insert(gone.code)),
            Fact::DeviceEnrolled(new) => {
                let told = Told { key: new.key, mark: new.mark.clone(), role: new.role, revoked: false };
                self.devices.insert(new.device, told);
            }
            Fact::DeviceChanged(change) => {
                if let Some(told) = self.devices.get_mut(&change.device) {
                    told.mark = change.mark.clone().unwrap_or_else(|| told.mark.clone());
                    told.role = change.role.unwrap_or(told.role);
                }
            }
            Fact::DeviceRevoked(gone) => {
                if let Some(told) = self.devices.get_mut(&gone.device) {
                    told.revoked = true;
                }
            }
            Fact::ShareMade(made) => drop(self.shares.insert(made.share)),
            Fact::ShareEnded(gone) => drop(self.ended.insert(gone.share)),
            _ => {}
        }
    }

    /// Whether it was there when something was done.
    fn knew(&self, at_ms: i64) -> bool {
        self.began_ms.is_some_and(|began_ms| began_ms < at_ms)
    }
}

/// Compares rows with the log. `facts` come in order, each with position and time.
pub(crate) fn judge(
    finder: &mut Finder,
    facts: &[(u64, i64, Fact)],
    devices: &[DeviceRow],
    codes: &[CodeRow],
    shares: &[ShareRow],
) {
    let log = Log::of(facts);
    for row in devices {
        device(finder, &log, row);
    }
    for row in codes {
        let id = row.names.into_iter().find(|id| log.codes.contains_key(id)).unwrap_or(row.names[0]);
        let name = format!("{}…", hex(&row.hash.0[..4]));
        match log.codes.get(&id) {
            None if log.knew(row.created_ms) => {
                finder.add(Wrong::AdministrationUnsaid, "enrolment_code", name, "nobody wrote down that it was made");
            }
            Some(role) if *role != row.role => {
                let detail = format!("its role is {}, it was made for {}", row.role.as_str(), role.as_str());
                finder.add(Wrong::AdministrationDiffers, "enrolment_code", name, detail);
            }
            Some(_) if log.cancelled.contains(&id) != row.cancelled => {
                let detail = "the row and the log differ in whether it was cancelled";
                finder.add(Wrong::AdministrationDiffers, "enrolment_code", name, detail);
            }
            _ => {}
        }
    }
    for row in shares {
        let id = ShareId::of_hash(&row.hash);
        let name = format!("{}…", hex(&row.hash.0[..4]));
        if !log.shares.contains(&id) && log.knew(row.made_ms) {
            finder.add(Wrong::AdministrationUnsaid, "share", name, "nobody wrote down that it was made");
        } else if log.shares.contains(&id) && log.ended.contains(&id) != row.ended {
            let detail = "the row and the log differ in whether it was ended";
            finder.add(Wrong::AdministrationDiffers, "share", name, detail);
        }
    }
}

fn device(finder: &mut Finder, log: &Log, row: &DeviceRow) {
    let name = format!("{} ({})", hex(&row.device.0), row.mark);
    let Some(told) = log.devices.get(&row.device) else {
        if log.knew(row.enrolled_ms) {
            finder.add(Wrong::AdministrationUnsaid, "device", name, "nobody wrote down that it was let in");
        }
        return;
    };
    let differs = [
        ("key", told.key != row.key),
        ("mark", told.mark != row.mark),
        ("role", told.role != row.role),
        ("revoked", told.revoked != row.revoked),
    ];
    for (column, _) in differs.into_iter().filter(|(_, differs)| *differs) {
        let detail = format!("column {column} is not what the server's log says");
        finder.add(Wrong::AdministrationDiffers, "device", name.clone(), detail);
    }
}
