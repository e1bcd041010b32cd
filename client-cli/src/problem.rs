//! What a command could not do: a stable code, one sentence, and a hint that can be typed.
//!
//! Promises: every code has one exit code and one line in the table below, from which the reference page is printed;
//! a sentence names the act and the object and never blames the person. Details for a developer stand apart and are
//! shown only by `pintle doctor` and `--json`.

use std::fmt;

/// How a run ended, as the process says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Done.
    Done,
    /// Not done; the answer says why, and what to type.
    NotDone,
    /// The words of the command were not understood.
    Usage,
    /// A file that was to be checked lacks something.
    Incomplete,
    /// A file that was to be checked cannot be judged.
    CannotJudge,
    /// The server refused.
    Refused,
    /// No signal: everything is kept here.
    NoSignal,
}

impl Exit {
    /// Every exit code with its meaning, as the reference page prints it.
    pub const ALL: [(Exit, &'static str); 7] = [
        (Exit::Done, "done"),
        (Exit::NotDone, "not done; the answer says why, and what to type"),
        (Exit::Usage, "the words of the command were not understood"),
        (Exit::Incomplete, "pintle verify only: what is in the file was not changed, but something is missing"),
        (Exit::CannotJudge, "pintle verify only: it was not said which key must have signed, or the file is newer"),
        (Exit::Refused, "the server refused"),
        (Exit::NoSignal, "no signal: everything is kept here, nothing is lost"),
    ];

    /// The number.
    #[must_use]
    pub fn code(self) -> u8 {
        match self {
            Exit::Done => 0,
            Exit::NotDone => 1,
            // Neither is an answer that a file is good.
            Exit::Usage | Exit::Incomplete => 2,
            Exit::CannotJudge => 3,
            Exit::Refused => 4,
            // EX_TEMPFAIL of sysexits.h: try again later.
            Exit::NoSignal => 75,
        }
    }
}

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $slug:literal, $exit:ident, $meaning:literal;)+) => {
        /// Stable codes of what can go wrong on a device.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[allow(missing_docs, reason = "each code carries its meaning in the table")]
        pub enum Code { $($variant),+ }

        impl Code {
            /// Every code, in the order of the reference page.
            pub const ALL: &'static [Code] = &[$(Code::$variant),+];

            /// As it is written.
            #[must_use]
            pub fn as_str(self) -> &'static str { match self { $(Code::$variant => $slug),+ } }

            /// How the process ends.
            #[must_use]
            pub fn exit(self) -> Exit { match self { $(Code::$variant => Exit::$exit),+ } }

            /// One line about it.
            #[must_use]
            pub fn meaning(self) -> &'static str { match self { $(Code::$variant => $meaning),+ } }
        }
    };
}

codes! {
    Usage = "usage", Usage, "the words of the command were not understood";
    UnknownMachine = "unknown-machine", NotDone, "no machine here has that name";
    WhichMachine = "which-machine", NotDone, "the machine was left out and none was used before, or several fit";
    KnownMachine = "known-machine", NotDone, "a machine of that name is already here";
    UnknownPerson = "unknown-person", NotDone, "nobody here has that name";
    UnknownDevice = "unknown-device", NotDone, "the server knows no device, code or link of that name";
    UnknownEntry = "unknown-entry", NotDone, "this device holds no entry of that name";
    UnknownField = "unknown-field", NotDone, "the entry has no such field, or the field cannot be corrected";
    UnknownClash = "unknown-clash", NotDone, "no open clash or twin has that id";
    UnclearReading = "unclear-reading", Usage, "a reading is written 4127.5, or +4.5 for since last time";
    NoLastReading = "no-last-reading", NotDone, "+4.5 needs a reading before it, and the machine has none";
    UnclearTime = "unclear-time", Usage, "a time is written 07:10, \"yesterday 17:00\", \"2026-05-04 07:10\" or -2h";
    UnclearWords = "unclear-words", Usage, "a value of the command was not understood";
    UnclearPlan = "unclear-plan", NotDone, "a service plan's file breaks a rule; the answer says in which line and column";
    UnclearFile = "unclear-file", NotDone, "a file is not what the command reads; the answer says where it goes wrong";
    FileFailed = "file-failed", NotDone, "a file that was named cannot be read or written";
    CarryRefused = "carry-refused", NotDone, "a carry file or series of codes is not whole, was changed, or is not of this organisation; nothing of it was taken";
    BrokenRule = "broken-rule", NotDone, "the entry would break a rule of the log, such as a name of 200 letters";
    TaggedOut = "tagged-out", NotDone, "the only record of an open tagged-out finding stays until a repair or clearance is linked to it";
    MayNotClear = "may-not-clear", NotDone, "a tagged-out finding is cleared by a mechanic, the office or the owner; anyone closes it with a repair";
    MayNotRelease = "may-not-release", NotDone, "only the office or the owner says that an entry that was set aside counts";
    NotAside = "not-aside", NotDone, "the entry is not set aside: it counts already";
    CannotCount = "cannot-count", NotDone, "nothing can be computed from the entry, or only the server may say it; what was meant is recorded anew";
    NotAFinding = "not-a-finding", NotDone, "only a finding can be closed or cleared";
    TailLost = "tail-lost", NotDone, "the newest entries of this device are on the server only; a sync brings them back";
    NoHome = "no-home", NotDone, "there is no folder to keep the log in";
    Unwritable = "unwritable", NotDone, "the log cannot be written where it lies";
    DiskFull = "disk-full", NotDone, "no room is left on the disk; nothing was recorded";
    Busy = "busy", NotDone, "another pintle has been writing for too long";
    Damaged = "damaged", NotDone, "the log's file is damaged";
    NewerLog = "newer-log", NotDone, "the log was written by a newer pintle";
    DatabaseFailed = "database-failed", NotDone, "the database said something unexpected";
    KeyLost = "key-lost", NotDone, "the device's private key is missing or is not this log's";
    NotEnrolled = "not-enrolled", NotDone, "the device does not know any server yet";
    Enrolled = "enrolled", NotDone, "the device is enrolled already";
    ServerRefused = "server-refused", Refused, "the server refused the request";
    ServerBusy = "server-busy", NoSignal, "the server asks to come again later; nothing was taken, nothing is lost";
    NoSignal = "no-signal", NoSignal, "no server could be reached";
    NotOurs = "not-ours", NoSignal, "something answered that is not a Pintle server";
    NotTrusted = "not-trusted", NoSignal, "the server's certificate comes from no root that this device trusts, or is not valid for it; nothing was sent";
    Stalled = "stalled", NotDone, "exchanges brought nothing forward";
    Distrusted = "distrusted", NotDone, "the server delivered what cannot be true";
    LedgerRewritten = "ledger-rewritten", NotDone, "the server's log is not the one that this device has seen; what is here is kept, and all was exchanged";
    NoEvidence = "no-evidence", NotDone, "no server has shown this device a log that contradicts one it had shown before";
    Revoked = "revoked", Refused, "the device has been revoked; its entries are kept and judged by the office";
    Copied = "copied", NotDone, "two copies of this device are in use";
    HistoryInvalid = "history-invalid", NotDone, "a service history was changed, or is not signed by whom it should be";
    HistoryIncomplete = "history-incomplete", Incomplete, "something is missing in a service history";
    HistoryUnjudged = "history-unjudged", CannotJudge, "nothing is wrong with a service history, but it was not said who must have signed it";
    NoTerminal = "no-terminal", NotDone, "the answer could not be written";
}

/// Something that could not be done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Stable code.
    pub code: Code,
    /// What was being done, and what stood in the way.
    pub sentence: String,
    /// What to type, or to do, next.
    pub hint: Option<String>,
    /// For a developer.
    pub detail: Option<String>,
}

impl Problem {
    /// A problem without a hint.
    pub fn new(code: Code, sentence: impl Into<String>) -> Self {
        Self { code, sentence: sentence.into(), hint: None, detail: None }
    }

    /// With a hint.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// With a detail for a developer.
    #[must_use]
    pub fn detail(mut self, detail: impl fmt::Display) -> Self {
        self.detail = Some(detail.to_string());
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.sentence)
    }
}

impl std::error::Error for Problem {}

impl From<pintle_core::Fault> for Problem {
    fn from(fault: pintle_core::Fault) -> Self {
        let detail = format!("{} at {:?}", fault.code, fault.pointer);
        Problem::new(Code::BrokenRule, format!("cannot record this: {}", fault.detail)).detail(detail)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_is_a_slug_and_stands_once() {
        let mut seen = std::collections::BTreeSet::new();
        for code in Code::ALL {
            let slug = code.as_str();
            assert!(slug.bytes().all(|c| c.is_ascii_lowercase() || c == b'-'), "{slug}");
            assert!(seen.insert(slug), "{slug} stands twice");
            assert_ne!(code.exit(), Exit::Done, "{slug}");
        }
    }
}
