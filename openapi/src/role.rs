//! What a person of the organisation may do, as it is written on the wire.
//!
//! Promises: the spellings are stable. Never decides anything: rights are judged by the server.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a person may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Records and reads the machines.
    Crew,
    /// As crew; may clear findings.
    Mechanic,
    /// Reads prices, bills.
    Office,
    /// Everything.
    Owner,
}
