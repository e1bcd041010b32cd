//! Names of people and devices: outside the log, so that a name can be erased.
//!
//! Promises: names given on this device stay until the directory knows them. Never a name inside an entry: entries
//! carry ids only.

use super::{Col, Tx};
use crate::problem::Problem;
use pintle_core::exchange::{DeviceCard, Directory, Person};
use pintle_core::fleet::folded;
use pintle_core::ids::{DeviceId, PersonId, PublicKey};
use rusqlite::params;

/// A person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PersonRow {
    /// The id that entries carry.
    pub id: PersonId,
    /// The name.
    pub name: String,
    /// Whether the organisation's directory knows the name.
    pub shared: bool,
}

/// A device of the organisation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceRow {
    /// The device.
    pub id: DeviceId,
    /// Its short name.
    pub mark: String,
    /// Its public key.
    pub key: PublicKey,
    /// Whose it is.
    pub person: PersonId,
    /// Whether it has been revoked.
    pub revoked: bool,
}

impl Tx<'_> {
    /// Everyone known, by name.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn people(&self) -> Result<Vec<PersonRow>, Problem> {
        const SQL: &str = "SELECT id, name, shared FROM person ORDER BY folded, id";
        self.all("read", SQL, [], |r| {
            Ok(PersonRow { id: r.get::<_, Col<_>>(0)?.0, name: r.get(1)?, shared: r.get(2)? })
        })
    }

    /// The name of a person, if known.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn person_name(&self, id: PersonId) -> Result<Option<String>, Problem> {
        self.one("read", "SELECT name FROM person WHERE id = ?", params![Col(id)], |r| r.get(0))
    }

    /// Adds a person, or gives one another name. The directory does not know it yet.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn add_person(&self, id: PersonId, name: &str) -> Result<(), Problem> {
        const SQL: &str = "INSERT OR REPLACE INTO person (id, name, folded, shared) VALUES (?, ?, ?, 0)";
        self.execute("record", SQL, params![Col(id), name, folded(name)]).map(|_| ())
    }

    /// Every device of the organisation that the directory names.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn devices(&self) -> Result<Vec<DeviceRow>, Problem> {
        const SQL: &str = "SELECT id, mark, public_key, person, revoked FROM device ORDER BY id";
        self.all("read", SQL, [], |r| {
            Ok(DeviceRow {
                id: r.get::<_, Col<_>>(0)?.0,
                mark: r.get(1)?,
                key: r.get::<_, Col<_>>(2)?.0,
                person: r.get::<_, Col<_>>(3)?.0,
                revoked: r.get(4)?,
            })
        })
    }

    /// Writes a device's card.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_device(&self, card: &DeviceCard) -> Result<(), Problem> {
        const SQL: &str =
            "INSERT OR REPLACE INTO device (id, mark, public_key, person, revoked) VALUES (?, ?, ?, ?, ?)";
        let values = params![Col(card.id), card.mark, Col(card.key), Col(card.person), card.revoked];
        self.execute("store", SQL, values).map(|_| ())
    }

    /// Takes over the organisation's directory. People only this device knows stay.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn set_directory(&self, directory: &Directory) -> Result<(), Problem> {
        const PERSON: &str = "INSERT OR REPLACE INTO person (id, name, folded, shared) VALUES (?, ?, ?, 1)";
        for Person { id, name } in &directory.people {
            self.execute("store", PERSON, params![Col(*id), name, folded(name)])?;
        }
        directory.devices.iter().try_for_each(|card| self.set_device(card))
    }
}
