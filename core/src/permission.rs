//! Who may do what: one table.
//!
//! Promises: every right of the service and of its client stands in [`TABLE`], one line each, with who has it. The
//! documentation prints the table from here, and endpoints name the right they need, so that there is no second list.
//!
//! Never: about a single entry. Whoever may record may also correct, strike and settle what others recorded, as on
//! paper: with their name beside it, and the old still legible.

use serde::{Deserialize, Serialize};

/// What a person of the organisation is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Role {
    /// Runs machines, records, reads.
    Crew,
    /// As crew; may clear hazards.
    Mechanic,
    /// Reads prices, bills, lets crew in.
    Office,
    /// Everything.
    Owner,
}

impl Role {
    /// All of them.
    pub const ALL: [Role; 4] = [Role::Crew, Role::Mechanic, Role::Office, Role::Owner];

    /// As it is stored and written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        Party::Role(self).as_str()
    }

    /// From its text.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.as_str() == text)
    }

    /// Whether this role has a right.
    #[must_use]
    pub fn may(self, right: Right) -> bool {
        Party::Role(self).may(right)
    }

    /// Whether it is one that only an owner gives and takes away: it reads prices or manages others.
    #[must_use]
    pub fn is_trusted(self) -> bool {
        matches!(self, Role::Office | Role::Owner)
    }
}

/// Who asks: someone of the organisation, or someone outside who holds a share link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Party {
    /// Holds a share link for one machine.
    Outsider,
    /// Of the organisation.
    Role(Role),
}

impl Party {
    /// All of them, in the order of the table's columns.
    pub const ALL: [Party; 5] = [
        Party::Outsider,
        Party::Role(Role::Crew),
        Party::Role(Role::Mechanic),
        Party::Role(Role::Office),
        Party::Role(Role::Owner),
    ];

    /// Its name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Party::Outsider => "outsider",
            Party::Role(Role::Crew) => "crew",
            Party::Role(Role::Mechanic) => "mechanic",
            Party::Role(Role::Office) => "office",
            Party::Role(Role::Owner) => "owner",
        }
    }

    /// Whether this party has a right.
    #[must_use]
    pub fn may(self, right: Right) -> bool {
        let column = Party::ALL.iter().position(|party| *party == self);
        let line = TABLE.iter().find(|line| line.right == right);
        line.zip(column).is_some_and(|(line, column)| line.may[column])
    }
}

/// Something that not everyone may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Right {
    /// Read the one machine a share link is for.
    ReadShared,
    /// Record, correct, strike, settle; push what was recorded.
    Record,
    /// Read machines, entries, findings, what is due.
    ReadMachines,
    /// Say without a repair that a hazard is none. Devices ask before they record it; the book names who did.
    ClearHazard,
    /// Say that an entry that was set aside counts.
    Release,
    /// Read the office part of entries: job, customer, prices.
    ReadOffice,
    /// Write customers, jobs and rates; draft, issue and take back bills.
    Bill,
    /// Make and end share links for outsiders.
    Share,
    /// See how each device stands: role, last exchange, open codes.
    ReadDevices,
    /// Let in, rename, revoke crews' and mechanics' devices.
    ManageCrew,
    /// The same for those of office and owner, and change roles.
    ManageAll,
}

/// One line of the table.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// The right.
    pub right: Right,
    /// In words, for the documentation.
    pub words: &'static str,
    /// Who has it, in the order of [`Party::ALL`].
    pub may: [bool; 5],
}

const fn line(right: Right, words: &'static str, may: [u8; 5]) -> Line {
    let [outsider, crew, mechanic, office, owner] = may;
    Line { right, words, may: [outsider == 1, crew == 1, mechanic == 1, office == 1, owner == 1] }
}

/// Who may do what. Columns: outsider, crew, mechanic, office, owner.
pub const TABLE: &[Line] = &[
    line(Right::ReadShared, "read the one machine a share link is for, while the link lives", [1, 1, 1, 1, 1]),
    line(Right::Record, "record, correct, strike, settle; push what was recorded", [0, 1, 1, 1, 1]),
    line(Right::ReadMachines, "read machines, entries, findings, what is due", [0, 1, 1, 1, 1]),
    line(Right::ClearHazard, "say without a repair that a hazard (tagged out) is none", [0, 0, 1, 1, 1]),
    line(Right::Release, "see all that is set aside, and say of an entry that it counts", [0, 0, 0, 1, 1]),
    line(Right::ReadOffice, "read the office part of entries: job, customer, prices", [0, 0, 0, 1, 1]),
    line(Right::Bill, "write customers, jobs and rates; draft, issue and take back bills", [0, 0, 0, 1, 1]),
    line(Right::Share, "make and end share links for outsiders", [0, 0, 0, 1, 1]),
    line(Right::ReadDevices, "see how each device stands, and the open codes", [0, 0, 0, 1, 1]),
    line(Right::ManageCrew, "let in, rename and revoke devices of crew and mechanics", [0, 0, 0, 1, 1]),
    line(Right::ManageAll, "the same for devices of office and owner; change a device's role", [0, 0, 0, 0, 1]),
];

/// The page of the documentation that shows the table, in Markdown.
#[must_use]
pub fn page() -> String {
    format!(
        "# Who may do what\n\nPrinted from the table in `core/src/permission.rs`; every endpoint names the right it needs.\n\n{}\n\
         Roles are a device's: given by the code that lets it in, changed by the owner with `pintle devices role`. A right that \
         was taken\nis gone with the next request. Without a right the answer is 403 `forbidden`.\n\n\
         Not in the table, because it is so for everyone: whoever records may correct, strike and settle what others recorded; \
         the old\nstays legible and the name stands beside it. Recording needs no right and no server at all.\n",
        markdown()
    )
}

/// The table in Markdown.
#[must_use]
pub fn markdown() -> String {
    let names: Vec<_> = Party::ALL.iter().map(|party| party.as_str()).collect();
    let mut text = format!("| may | {} |\n|---|{}\n", names.join(" | "), "---|".repeat(names.len()));
    for line in TABLE {
        let cells: Vec<_> = line.may.iter().map(|may| if *may { "yes" } else { "–" }).collect();
        text.push_str(&format!("| {} | {} |\n", line.words, cells.join(" | ")));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Written out once more, cell by cell, so that no cell changes by a slip of the hand.
    #[test]
    fn every_cell_is_as_decided() {
        use Right::*;
        let crew = [ReadShared, Record, ReadMachines].to_vec();
        let mechanic = [crew.clone(), vec![ClearHazard]].concat();
        let office = [mechanic.clone(), vec![Release, ReadOffice, Bill, Share, ReadDevices, ManageCrew]].concat();
        let owner = [office.clone(), vec![ManageAll]].concat();
        let expected = [vec![ReadShared], crew, mechanic, office, owner];
        for (party, rights) in Party::ALL.into_iter().zip(expected) {
            for line in TABLE {
                assert_eq!(party.may(line.right), rights.contains(&line.right), "{} {:?}", party.as_str(), line.right);
            }
        }
    }

    #[test]
    fn every_right_stands_in_the_table_once() {
        let mut rights: Vec<_> = TABLE.iter().map(|line| line.right).collect();
        rights.dedup();
        assert_eq!(rights.len(), TABLE.len());
        assert_eq!(TABLE.last().map(|line| line.right), Some(Right::ManageAll), "the last of the enumeration");
        assert_eq!(rights.len(), Right::ManageAll as usize + 1, "one line for each right");
    }

    #[test]
    fn roles_read_back() {
        for role in Role::ALL {
            assert_eq!(Role::parse(role.as_str()), Some(role));
            assert_eq!(serde_json::to_value(role).expect("JSON"), role.as_str());
        }
        assert_eq!(Role::parse("Owner"), None);
    }
}
