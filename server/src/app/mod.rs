//! The use cases: load, ask core, store, answer.
//!
//! Promises: each takes a caller whose right has been checked, and gives either the reply of the contract or a
//! [`Refusal`]. No HTTP here: nothing knows a header or a status.

pub mod aside;
pub mod attempts;
mod baton;
pub mod bench;
pub mod bill;
pub mod books;
mod carried;
pub mod codes;
pub mod cosign;
pub mod cursor;
pub mod due;
pub mod enrol;
pub mod files;
pub mod fleet;
pub mod gate;
pub mod names;
pub mod notices;
pub mod office;
pub mod outsiders;
pub mod print;
pub mod proof;
pub mod read;
pub mod refusal;
pub mod stamp;
pub mod sync;
pub mod telematics;
pub mod token;
pub mod token_keys;
pub mod upkeep;
pub mod views;
mod witness;

use crate::ambient::Ambient;
use crate::files::Files;
use attempts::Attempts;
use books::Plans;
use cursor::CursorKey;
use fleet::Fleets;
use gate::{Gate, Rates, Room};
use pintle_core::Held;
use pintle_core::exchange::Pulled;
use pintle_core::permission::Right;
use pintle_store::{DeviceRecord, Store};
pub use refusal::{Particulars, Refusal};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use token::Tokens;

/// Everything the use cases need.
pub struct App {
    store: Arc<dyn Store>,
    ambient: Arc<dyn Ambient>,
    cursors: CursorKey,
    tokens: Tokens,
    attempts: Attempts,
    gate: Gate,
    fleets: Fleets,
    plans: Plans,
    press: print::Press,
    files: Files,
    folds: AtomicU64,
}

impl App {
    /// Prepares the keys that the database's identity holds, behind a gate.
    ///
    /// # Errors
    /// If the token key cannot be made from its seed.
    pub fn new(store: Arc<dyn Store>, ambient: Arc<dyn Ambient>, rates: &Rates, room: Room) -> Result<Self, Refusal> {
        let gate = Gate::new(&ambient, rates, room);
        let identity = store.identity();
        let cursors = CursorKey::new(identity);
        let tokens = Tokens::new(identity)?;
        Ok(Self {
            store,
            ambient,
            cursors,
            tokens,
            attempts: Attempts::default(),
            gate,
            fleets: Fleets::default(),
            plans: Plans::default(),
            press: print::Press::default(),
            files: Files::in_memory(),
            folds: AtomicU64::new(0),
        })
    }

    /// The same with a place where photos and documents stay.
    #[must_use]
    pub fn with_files(self, files: Files) -> Self {
        Self { files, ..self }
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// If it does not.
    pub async fn ready(&self) -> Result<(), Refusal> {
        Ok(self.store.ping().await?)
    }

    /// Who may ask how often.
    #[must_use]
    pub fn gate(&self) -> &Gate {
        &self.gate
    }

    /// Where time and random bytes come from.
    #[must_use]
    pub fn ambient(&self) -> &dyn Ambient {
        self.ambient.as_ref()
    }
}

/// A device that has shown a token, as the database knows it now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// The device.
    pub device: DeviceRecord,
}

/// An entry of the ledger as a device gets it: the office part only if its role reads it, or it made the entry itself.
fn delivered(held: Held, to: &DeviceRecord) -> Result<Pulled, Refusal> {
    let whole = to.role.may(Right::ReadOffice) || held.device == to.device;
    let entry = if whole { held.entry } else { held.entry.withhold("office") };
    pulled(Held { entry, ..held })
}

/// An entry of the ledger in the form of the wire.
fn pulled(held: Held) -> Result<Pulled, Refusal> {
    let (Some(position), Some(received_ms)) = (held.position, held.received_ms) else {
        return Err(Refusal::internal("the ledger gave an entry without a position"));
    };
    let Held { device, link, off_s, aside, entry, .. } = held;
    Ok(Pulled { position, device, link, received_ms, off_s, aside, entry })
}
