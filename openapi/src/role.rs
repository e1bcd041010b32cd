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

impl Role {
    /// Every role, from least to most.
    pub const ALL: [Role; 4] = [Role::Crew, Role::Mechanic, Role::Office, Role::Owner];

    /// As it is written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Role::Crew => "crew",
            Role::Mechanic => "mechanic",
            Role::Office => "office",
            Role::Owner => "owner",
        }
    }

    /// Reads what [`Role::as_str`] writes.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_role_is_read_as_it_is_written_and_as_the_wire_has_it() {
        for role in Role::ALL {
            assert_eq!(Role::parse(role.as_str()), Some(role));
            assert_eq!(serde_json::to_value(role).expect("JSON"), role.as_str());
        }
        assert_eq!(Role::parse("Owner"), None);
    }
}
