//! Co-signatures of checkpoints by outside witnesses: what is sent to one, what it answers, and who they are
//! (C2SP tlog-witness and tlog-policy).
//!
//! Promises: a witness's answer counts only by a line of its own key over this very text; everything else in it is passed
//! over, as the protocol demands. A file of witnesses is read by the open form, so that one file serves other tools too.
//!
//! Never: I/O. What a witness's refusal means is for the caller.

use super::note::{Judged, Kind, Line, Note, Signer};
use crate::ids::Hash;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use std::fmt;

/// Most witnesses of a file: as many as a reader of the form has to support.
pub const WITNESSES_MAX: usize = 32;
/// Longest answer of a witness, in bytes: a line has some 150.
pub const ANSWER_BYTES_MAX: usize = 16 * 1024;

/// The body of a request for a co-signature, beside the tree of `old` leaves that the witness signed last.
#[must_use]
pub fn submission(old: u64, proof: &[Hash], note: &str) -> String {
    let hashes: String = proof.iter().map(|hash| STANDARD.encode(hash.0) + "\n").collect();
    format!("old {old}\n{hashes}\n{note}")
}

/// A witness's own line in its answer, and the second since 1970 that it states; none if it has not signed the text.
#[must_use]
pub fn cosigned(text: &str, answer: &str, witness: &Signer) -> Option<(Line, u64)> {
    let note = Note::read(&format!("{text}\n{answer}"))?;
    let Judged::Signed(Some(time_s)) = note.judge(witness) else { return None };
    let id = witness.id();
    let line = note.lines.into_iter().rfind(|line| line.name == witness.name && line.id == id)?;
    Some((line, time_s))
}

/// The size of the tree that a witness signed last, as it says in a conflict.
#[must_use]
pub fn size_signed(answer: &str) -> Option<u64> {
    let digits = answer.strip_suffix('\n').unwrap_or(answer);
    let exact = digits == "0" || (!digits.starts_with('0') && digits.bytes().all(|byte| byte.is_ascii_digit()));
    exact.then(|| digits.parse().ok()).flatten()
}

/// A witness of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// Whose lines are its.
    pub signer: Signer,
    /// Where checkpoints are sent, if the file says.
    pub url: Option<String>,
}

/// What is wrong in a file of witnesses.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct PolicyFault {
    /// The line, from 1.
    pub line: usize,
    /// In words.
    pub told: String,
}

impl fmt::Display for PolicyFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.told)
    }
}

/// The witnesses of a file in the open form: lines `witness NAME KEY URL`. Its logs, groups and quorum are passed over: what
/// is enough is for each reader to say.
///
/// # Errors
/// The first line that is not of the form, names a key twice, or is one too many.
pub fn read_policy(text: &str) -> Result<Vec<Named>, PolicyFault> {
    let mut witnesses: Vec<Named> = Vec::new();
    for (index, line) in text.lines().enumerate() {
        let fault = |told: &str| PolicyFault { line: index + 1, told: told.to_owned() };
        let words: Vec<&str> = line.split([' ', '\t']).filter(|word| !word.is_empty()).collect();
        let (key, url) = match *words.as_slice() {
            [] | ["log" | "group" | "quorum", ..] => continue,
            [comment, ..] if comment.starts_with('#') => continue,
            ["witness", _, key] => (key, None),
            ["witness", _, key, url] => (key, Some(url.to_owned())),
            ["witness", ..] => return Err(fault("a witness is written: witness NAME KEY URL")),
            _ => return Err(fault("a line begins with witness, log, group, quorum or #")),
        };
        let signer = Signer::from_vkey(key).filter(|signer| signer.kind == Kind::Witness);
        let signer = signer.ok_or_else(|| fault("this is no witness's key: it is written name+id+key, for Ed25519"))?;
        if witnesses.iter().any(|other| other.signer.key == signer.key || other.signer.name == signer.name) {
            return Err(fault("a witness of this key, or of this name in its key, stands above"));
        }
        if witnesses.len() == WITNESSES_MAX {
            return Err(fault("there are more witnesses than are asked"));
        }
        witnesses.push(Named { signer, url });
    }
    Ok(witnesses)
}
