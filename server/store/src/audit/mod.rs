//! Looking through a whole database for anything that is not as it must be.
//!
//! Promises: everything that can be told from the rows alone is told, each thing once and with its place: table, row,
//! and where there is one the entry by its mark (`K7-412`). What follows from one damaged row is not told again for the
//! rows after it. The judges are pure: rows in, findings out; how rows are read, damaged ones too, is the
//! implementation's.
//!
//! Never: a write, a panic on what a row holds, an end at the first fault.

pub(crate) mod administration;
pub(crate) mod ledger;
pub(crate) mod tree;

use std::fmt;

/// Findings that are kept, beyond which they are only counted: a torn page makes some dozen, and nobody reads ten
/// thousand.
pub const FINDINGS_MAX: usize = 10_000;

/// What a finding touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// What can be computed again from the ledger: nothing is lost.
    Computed,
    /// What was recorded, or what shows that it was.
    Recorded,
}

macro_rules! wrongs {
    ($($(#[doc = $doc:literal])+ $name:ident = $slug:literal, $weight:ident;)+) => {
        /// What can be wrong.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Wrong {
            $($(#[doc = $doc])+ $name,)+
        }

        impl Wrong {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$name),+];

            /// The stable code.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Self::$name => $slug,)+ }
            }

            /// What it touches.
            #[must_use]
            pub fn weight(self) -> Weight {
                match self { $(Self::$name => Weight::$weight,)+ }
            }
        }
    };
}

wrongs! {
    /// The database itself finds its file damaged.
    FileDamaged = "file-damaged", Recorded;
    /// Rows cannot be read.
    RowUnreadable = "row-unreadable", Recorded;
    /// A column holds what it cannot.
    ColumnOdd = "column-odd", Recorded;
    /// A row refers to one that is not there.
    ReferenceBroken = "reference-broken", Recorded;
    /// The database's identity is missing or odd.
    IdentityOdd = "identity-odd", Recorded;
    /// A position of the ledger is missing.
    PositionMissing = "position-missing", Recorded;
    /// The bytes of an entry are none.
    EntryUnreadable = "entry-unreadable", Recorded;
    /// An entry is not the one that was linked.
    EntryAltered = "entry-altered", Recorded;
    /// A link is not the one that was counted.
    LinkAltered = "link-altered", Recorded;
    /// A link does not follow from the entry before.
    ChainBroken = "chain-broken", Recorded;
    /// Numbers of a device's log are missing.
    NumberMissing = "number-missing", Recorded;
    /// A number of a device's log is there twice, or out of order.
    NumberTwice = "number-twice", Recorded;
    /// A column says something else than the entry beside it.
    ColumnAltered = "column-altered", Recorded;
    /// An entry of a device that is not there.
    DeviceUnknown = "device-unknown", Recorded;
    /// A device's id is not that of its key.
    DeviceAltered = "device-altered", Recorded;
    /// A device's log does not end where its row says.
    HeadWrong = "head-wrong", Recorded;
    /// Entries are under no seal, or a seal of a push is missing.
    SealMissing = "seal-missing", Recorded;
    /// A seal is not its device's, or not of the entry it stands under.
    SealAltered = "seal-altered", Recorded;
    /// A branch beside the ledger is not whole.
    BranchBroken = "branch-broken", Recorded;
    /// The server's own log is under a key that is not the server's.
    ServerLogForeign = "server-log-foreign", Recorded;
    /// Something that was administered is not written down in the server's log.
    AdministrationUnsaid = "administration-unsaid", Recorded;
    /// A row says something else than the server's log.
    AdministrationDiffers = "administration-differs", Recorded;
    /// A key that signs tokens is not what its name says.
    TokenKeyOdd = "token-key-odd", Recorded;
    /// The ledger does not end where its head says.
    LedgerHeadWrong = "ledger-head-wrong", Recorded;
    /// A running sum does not add up.
    SumWrong = "sum-wrong", Recorded;
    /// A machine's entries are not those that its row counts.
    MachineHeadWrong = "machine-head-wrong", Recorded;
    /// A device's count for a machine is not that of its entries.
    MachineCountWrong = "machine-count-wrong", Recorded;
    /// The tree behind the ledger is not what the entries lead to.
    TreeWrong = "tree-wrong", Recorded;
    /// A checkpoint signs what the entries do not lead to, or is not signed by the server.
    CheckpointWrong = "checkpoint-wrong", Recorded;
    /// A kept view is not what its entries give.
    ViewWrong = "view-wrong", Computed;
}

/// Where something is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// The organisation's name, where it is one's.
    pub organisation: Option<String>,
    /// The table.
    pub table: String,
    /// The row, by its key.
    pub row: String,
    /// The entry, by its mark: `K7-412`.
    pub entry: Option<String>,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(organisation) = &self.organisation {
            write!(f, "{organisation:?} ")?;
        }
        f.write_str(&self.table)?;
        if !self.row.is_empty() {
            write!(f, " {}", self.row)?;
        }
        match &self.entry {
            Some(entry) => write!(f, " ({entry})"),
            None => Ok(()),
        }
    }
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// What.
    pub wrong: Wrong,
    /// Where.
    pub place: Place,
    /// In words.
    pub detail: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}: {}", self.wrong.code(), self.place, self.detail)
    }
}

/// What was looked at and what was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Audit {
    /// What is wrong, in the order in which it was found.
    pub findings: Vec<Finding>,
    /// Findings beyond [`FINDINGS_MAX`].
    pub more: u64,
    /// Entries of all ledgers.
    pub entries: u64,
    /// Logs of devices, the server's own among them.
    pub logs: u64,
    /// Seals.
    pub seals: u64,
    /// Branches beside the ledgers.
    pub branches: u64,
}

impl Audit {
    /// Takes in one more finding.
    pub fn add(&mut self, finding: Finding) {
        if self.findings.len() < FINDINGS_MAX {
            self.findings.push(finding);
        } else {
            self.more += 1;
        }
    }

    /// The heaviest thing that was found.
    #[must_use]
    pub fn weight(&self) -> Option<Weight> {
        self.findings.iter().map(|finding| finding.wrong.weight()).max()
    }
}

/// Makes findings of one organisation.
#[derive(Debug, Default)]
pub(crate) struct Finder {
    pub organisation: Option<String>,
    pub findings: Vec<Finding>,
}

impl Finder {
    /// Notes something wrong at a row of a table.
    pub fn add(&mut self, wrong: Wrong, table: &str, row: impl ToString, detail: impl Into<String>) {
        self.add_entry(wrong, table, row, None, detail);
    }

    /// Notes something wrong about an entry.
    pub fn add_entry(
        &mut self,
        wrong: Wrong,
        table: &str,
        row: impl ToString,
        entry: Option<String>,
        detail: impl Into<String>,
    ) {
        let (organisation, table) = (self.organisation.clone(), table.to_owned());
        let place = Place { organisation, table, row: row.to_string(), entry };
        self.findings.push(Finding { wrong, place, detail: detail.into() });
    }
}

/// Bytes as hexadecimal digits, the way a database shows them.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn codes_are_slugs_and_stand_once() {
        let codes: BTreeSet<_> = Wrong::ALL.iter().map(|wrong| wrong.code()).collect();
        assert_eq!(codes.len(), Wrong::ALL.len());
        assert!(codes.iter().all(|code| code.bytes().all(|c| c.is_ascii_lowercase() || c == b'-')), "{codes:?}");
    }

    #[test]
    fn a_finding_says_what_where_and_which_entry() {
        let mut finder = Finder { organisation: Some("Valley crews".into()), findings: Vec::new() };
        finder.add_entry(Wrong::EntryAltered, "ledger", 413, Some("K7-412".into()), "it was changed");
        assert_eq!(
            finder.findings[0].to_string(),
            "entry-altered: \"Valley crews\" ledger 413 (K7-412): it was changed"
        );
    }

    #[test]
    fn findings_without_end_are_counted() {
        let mut audit = Audit::default();
        let finding = Finding { wrong: Wrong::ViewWrong, place: Place::default(), detail: String::new() };
        (0..FINDINGS_MAX + 3).for_each(|_| audit.add(finding.clone()));
        assert_eq!((audit.findings.len(), audit.more, audit.weight()), (FINDINGS_MAX, 3, Some(Weight::Computed)));
    }
}
