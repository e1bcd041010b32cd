//! What the leaves of the ledger's tree and of a machine's own tree say.
//!
//! Promises: the data of a leaf is the canonical JSON (RFC 8785) of an object, so that anyone can make it again with
//! ordinary tools; the three kinds have different fields and are never taken for one another.
//!
//! | leaf | fields |
//! |---|---|
//! | entry, in the ledger's tree | `device link position received_ms seq`; `aside` and `off_s` where the entry has them; `count machine machine_root` where it is about a machine: its entries so far with this one, and the root of its own tree over them |
//! | roll, in the ledger's tree, last before each checkpoint | `roll`: `machines made_ms position root` |
//! | entry, in its machine's tree | `device link received_ms seq`; `aside` and `off_s` where the entry has them |

use crate::canonical;
use crate::ids::{DeviceId, Hash, MachineId};
use crate::proof::merkle::leaf_hash;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

/// One entry of the ledger, as the tree sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Its position in the ledger.
    pub position: u64,
    /// The device whose log holds it.
    pub device: DeviceId,
    /// Its number there.
    pub seq: u64,
    /// Its link.
    pub link: Hash,
    /// The machine it is about, if its head can be read and names one.
    pub machine: Option<MachineId>,
    /// When the server received it, in milliseconds since 1970.
    pub received_ms: i64,
    /// How far the device's clock was off, in seconds, where that is marked.
    pub off_s: Option<i64>,
    /// Why it stands aside, if it does.
    pub aside: Option<String>,
}

/// What a leaf of the ledger's tree says about the machine of its entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MachineSoFar {
    /// Its entries up to and with this one.
    pub count: u64,
    /// Root of its own tree over these.
    pub root: Hash,
}

/// What the last leaf before a checkpoint says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RollLeaf {
    /// Number of machines on the roll.
    pub machines: u64,
    /// When it was made, by the server's clock, in milliseconds since 1970.
    pub made_ms: i64,
    /// The ledger position up to which it counts.
    pub position: u64,
    /// The roll's hash.
    pub root: Hash,
}

fn common(row: &Row) -> Map<String, Value> {
    let mut fields = Map::new();
    fields.insert("device".into(), row.device.to_string().into());
    fields.insert("link".into(), row.link.to_string().into());
    fields.insert("received_ms".into(), row.received_ms.into());
    fields.insert("seq".into(), row.seq.into());
    if let Some(aside) = &row.aside {
        fields.insert("aside".into(), aside.as_str().into());
    }
    if let Some(off_s) = row.off_s {
        fields.insert("off_s".into(), off_s.into());
    }
    fields
}

/// The hash of an entry's leaf in its machine's own tree.
#[must_use]
pub fn machine_leaf(row: &Row) -> Hash {
    leaf_hash(&canonical::bytes(&Value::Object(common(row))))
}

/// The data of an entry's leaf in the ledger's tree.
#[must_use]
pub fn entry_leaf_data(row: &Row, machine: Option<&MachineSoFar>) -> Vec<u8> {
    let mut fields = common(row);
    fields.insert("position".into(), row.position.into());
    if let (Some(id), Some(so_far)) = (row.machine, machine) {
        fields.insert("machine".into(), id.to_string().into());
        fields.insert("count".into(), so_far.count.into());
        fields.insert("machine_root".into(), so_far.root.to_string().into());
    }
    canonical::bytes(&Value::Object(fields))
}

/// The data of a roll's leaf in the ledger's tree.
#[must_use]
pub fn roll_leaf_data(roll: &RollLeaf) -> Vec<u8> {
    let mut fields = Map::new();
    fields.insert("machines".into(), roll.machines.into());
    fields.insert("made_ms".into(), roll.made_ms.into());
    fields.insert("position".into(), roll.position.into());
    fields.insert("root".into(), roll.root.to_string().into());
    canonical::bytes(&Value::Object([("roll".to_owned(), Value::Object(fields))].into_iter().collect()))
}
