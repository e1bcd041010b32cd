//! The arithmetic of a ledger, shared by every implementation: positions, running digests, pages, branches, marks.
//!
//! Promises: pure functions. What a push writes and what a page holds is decided here, once, and only then done by an
//! implementation in its own way.
//!
//! Never: I/O, locks, a database.

use crate::{Branch, ENTRY_FRAME_BYTES, PageAsk};
use pintle_core::admit::{Checked, CheckedEntry, Fresh};
use pintle_core::exchange::Digest;
use pintle_core::ids::{DeviceId, Hash, MachineId};
use std::collections::{BTreeMap, BTreeSet};

/// Where a ledger ends: its last position, and the digest of all of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct LedgerEnd {
    /// The last position; also the number of entries, for there is no hole.
    pub position: u64,
    /// Sum over all entries, see [`Digest`].
    pub sum: u64,
}

impl LedgerEnd {
    /// The digest of the whole ledger.
    pub fn digest(self) -> Digest {
        Digest { count: self.position, sum: self.sum }
    }
}

/// One row of the ledger, as every implementation keeps it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LedgerRow {
    pub position: u64,
    pub device: DeviceId,
    pub seq: u64,
    pub link: Hash,
    /// The machine the entry is about; none if its head names none or cannot be read.
    pub machine: Option<MachineId>,
    pub kind: Option<String>,
    pub at_s: Option<i64>,
    pub received_ms: i64,
    pub off_s: Option<i64>,
    pub aside: Option<String>,
    pub bytes: Vec<u8>,
    /// Sum of the ledger up to and with this row.
    pub sum: u64,
    /// Digest of the machine's entries up to and with this row.
    pub machine_digest: Digest,
}

/// Digests of machines; `None` counts the entries about no machine.
pub(crate) type MachineDigests = BTreeMap<Option<MachineId>, Digest>;

/// The machine an entry counts for.
pub(crate) fn machine_of(fresh: &Fresh) -> Option<MachineId> {
    fresh.entry.head().ok().and_then(|head| head.machine)
}

/// Gives new entries the positions after `end` and moves `end` and the machines' digests on.
pub(crate) fn append(
    device: DeviceId,
    fresh: &[Fresh],
    received_ms: i64,
    end: &mut LedgerEnd,
    machines: &mut MachineDigests,
) -> Vec<LedgerRow> {
    let mut rows = Vec::with_capacity(fresh.len());
    for new in fresh {
        let machine = machine_of(new);
        let head = new.entry.head().ok();
        let machine_digest = machines.entry(machine).or_default();
        *machine_digest = machine_digest.with(&new.link);
        let whole = end.digest().with(&new.link);
        *end = LedgerEnd { position: whole.count, sum: whole.sum };
        rows.push(LedgerRow {
            position: end.position,
            device,
            seq: new.entry.seq(),
            link: new.link,
            machine,
            kind: head.map(|head| head.kind.clone()),
            at_s: head.map(|head| head.at.second()),
            received_ms,
            off_s: new.off_s,
            aside: new.aside.as_ref().map(|fault| fault.code.clone()),
            bytes: new.bytes.clone(),
            sum: end.sum,
            machine_digest: *machine_digest,
        });
    }
    rows
}

/// A row as a page looks at it, before its bytes are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Candidate {
    pub position: u64,
    pub device: DeviceId,
    pub machine: Option<MachineId>,
    pub bytes: usize,
}

/// Which rows a page holds. Rows are offered in order of position after `ask.after` until the page is full.
#[derive(Debug)]
pub(crate) struct PagePlan<'a> {
    ask: &'a PageAsk,
    /// Their positions, in order.
    pub positions: Vec<u64>,
    /// The position up to which the ledger has been looked through.
    pub position: u64,
    rows_left: usize,
    bytes: usize,
}

impl<'a> PagePlan<'a> {
    /// A page without rows.
    pub fn new(ask: &'a PageAsk) -> Self {
        Self { ask, positions: Vec::new(), position: ask.after, rows_left: ask.rows_max.max(1), bytes: 0 }
    }

    /// How many more rows the page looks at; 0 once it is full.
    pub fn rows_left(&self) -> usize {
        self.rows_left
    }

    /// Looks at rows until they end or the page is full.
    pub fn offer(&mut self, rows: impl IntoIterator<Item = Candidate>) {
        for row in rows {
            if self.rows_left == 0 {
                return;
            }
            if wants(self.ask, &row) {
                self.bytes = self.bytes.saturating_add(row.bytes).saturating_add(ENTRY_FRAME_BYTES);
                if self.bytes > self.ask.bytes_max && !self.positions.is_empty() {
                    self.rows_left = 0;
                    return;
                }
                self.positions.push(row.position);
            }
            self.position = row.position;
            self.rows_left -= 1;
        }
    }
}

fn wants(ask: &PageAsk, row: &Candidate) -> bool {
    (ask.wanted.takes(row.machine) && ask.except != Some(row.device)) || ask.whole_log_of == Some(row.device)
}

/// What is kept of a push that cannot be written: its entries from the first number that differs.
///
/// `differs` may lie before the push: then all of it is kept. Returns none if nothing of the push differs.
pub(crate) fn branch_of(checked: &Checked, differs: u64, received_ms: i64) -> Option<(Branch, &[CheckedEntry])> {
    let skipped = usize::try_from(differs.saturating_sub(checked.from)).ok()?;
    let kept = checked.entries.get(skipped..)?;
    let (first, last) = (kept.first()?, kept.last()?);
    let previous = match skipped.checked_sub(1) {
        Some(before) => checked.entries.get(before)?.link,
        None => checked.previous,
    };
    let branch = Branch {
        device: checked.seal.device,
        from: first.entry.seq(),
        link: last.link,
        previous,
        count: kept.len() as u64,
        received_ms,
        seal: checked.seal,
    };
    Some((branch, kept))
}

/// A mark as it is compared: without its case.
pub(crate) fn folded(mark: &str) -> String {
    mark.to_lowercase()
}

/// Longest mark that is made up, in characters: short enough to say aloud.
const MARK_CHARS_MAX: usize = 4;

/// The mark wished for, or that with the first free number from 2 after it. A long one gives up its last characters
/// to the number. `taken` holds folded marks.
pub(crate) fn free_mark(wished: &str, taken: &BTreeSet<String>) -> String {
    if !taken.contains(&folded(wished)) {
        return wished.to_owned();
    }
    let mut number = 2u64;
    loop {
        let digits = number.to_string();
        let kept = MARK_CHARS_MAX.saturating_sub(digits.len()).max(1);
        let mark: String = wished.chars().take(kept).chain(digits.chars()).collect();
        // Ends: `taken` is finite and every number gives another mark of the same first character.
        if !taken.contains(&folded(&mark)) {
            return mark;
        }
        number += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::exchange::Wanted;

    fn row(position: u64, device: u8, machine: Option<u8>, bytes: usize) -> Candidate {
        Candidate { position, device: DeviceId([device; 16]), machine: machine.map(|m| MachineId([m; 16])), bytes }
    }

    fn ask(bytes_max: usize, rows_max: usize) -> PageAsk {
        PageAsk { after: 0, bytes_max, rows_max, wanted: Wanted::default(), except: None, whole_log_of: None }
    }

    /// Positions of a page, and how far it has looked; the rows come one at a time and all at once alike.
    fn planned(ask: &PageAsk, rows: &[Candidate]) -> (Vec<u64>, u64) {
        let (mut whole, mut single) = (PagePlan::new(ask), PagePlan::new(ask));
        whole.offer(rows.iter().copied());
        rows.iter().for_each(|row| single.offer([*row]));
        assert_eq!((&whole.positions, whole.position), (&single.positions, single.position));
        (whole.positions, whole.position)
    }

    #[test]
    fn a_page_ends_before_the_entry_that_is_too_much_and_never_stands_still() {
        let rows = [row(1, 1, None, 1000), row(2, 1, None, 1000), row(3, 1, None, 1000)];
        let two = 2 * (1000 + ENTRY_FRAME_BYTES);
        assert_eq!(planned(&ask(two, 10), &rows), (vec![1, 2], 2));
        assert_eq!(planned(&ask(two - 1, 10), &rows), (vec![1], 1));
        assert_eq!(planned(&ask(0, 10), &rows), (vec![1], 1));
        assert_eq!(planned(&ask(usize::MAX, 2), &rows), (vec![1, 2], 2));
        assert_eq!(planned(&ask(usize::MAX, 0), &rows), (vec![1], 1));
    }

    #[test]
    fn rows_that_are_not_wanted_cost_nothing_but_move_the_page_on() {
        let rows = [row(4, 1, Some(9), 9000), row(5, 2, Some(7), 10), row(6, 2, None, 10), row(7, 1, None, 10)];
        let mut some = PageAsk { wanted: Wanted::only([MachineId([7; 16])]), ..ask(500, 10) };
        assert_eq!(planned(&some, &rows), (vec![5, 6], 6));
        some.except = Some(DeviceId([2; 16]));
        assert_eq!(planned(&some, &rows), (vec![7], 7));
        (some.except, some.whole_log_of) = (None, Some(DeviceId([1; 16])));
        some.bytes_max = 20_000;
        assert_eq!(planned(&some, &rows), (vec![4, 5, 6, 7], 7), "its own log comes whole");
    }

    #[test]
    fn marks_stay_short_and_unique_without_their_case() {
        let mut taken = BTreeSet::new();
        for mark in ["K7", "K72", "K73"] {
            assert_eq!(free_mark("K7", &taken), mark);
            taken.insert(folded(mark));
        }
        assert_eq!(free_mark("k7", &taken), "k74");
        taken.extend((2..=99).map(|n| format!("ab{n}")));
        taken.insert("abcd".into());
        assert_eq!(free_mark("ABCD", &taken), "ABC2");
        taken.extend((2..=9).map(|n| format!("abc{n}")));
        assert_eq!(free_mark("ABCD", &taken), "A100", "two digits leave AB, all of whose numbers are taken");
    }
}
