//! Signed notes (C2SP signed-note) and co-signatures with a time (C2SP tlog-cosignature).
//!
//! Promises: a note is read in one exact form; signatures of keys that are not asked for are passed over, as the form
//! demands; a key's own line that does not verify makes the note false. What is read is bounded: [`NOTE_BYTES_MAX`],
//! [`LINES_MAX`].
//!
//! Never: a signature of one kind taken for another: the kind is part of the key's id and of what is signed.

use crate::chain::{DeviceKey, verify};
use crate::ids::{Hash, PublicKey, Signature};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

/// Longest note, in bytes: a checkpoint has some 200, each signature line some 150.
pub const NOTE_BYTES_MAX: usize = 64 * 1024;
/// Most signature lines that are read, as the form advises.
pub const LINES_MAX: usize = 100;
/// Begins a signature line: an em dash and a space.
const LINE_BEGIN: &str = "\u{2014} ";

/// The kinds of key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Ed25519 over the text: what a log signs with.
    Log,
    /// Ed25519 over a time and the text: what a witness signs with.
    Witness,
}

impl Kind {
    fn byte(self) -> u8 {
        match self {
            Self::Log => 1,
            Self::Witness => 4,
        }
    }
}

/// Whose signature it is: a name and a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signer {
    /// Its name: not empty, without white space and `+`.
    pub name: String,
    /// Its kind.
    pub kind: Kind,
    /// Its public key.
    pub key: PublicKey,
}

impl Signer {
    /// The four bytes by which a signature line names the key.
    #[must_use]
    pub fn id(&self) -> [u8; 4] {
        let [a, b, c, d, ..] = Hash::of(&[self.name.as_bytes(), b"\n", &[self.kind.byte()], &self.key.0]).0;
        [a, b, c, d]
    }

    /// The verifier's text form: `name+id+key`.
    #[must_use]
    pub fn vkey(&self) -> String {
        let [a, b, c, d] = self.id();
        let key = STANDARD.encode([&[self.kind.byte()], &self.key.0[..]].concat());
        format!("{}+{a:02x}{b:02x}{c:02x}{d:02x}+{key}", self.name)
    }

    /// Reads [`Signer::vkey`]; none if it is not in its exact form or its id is not that of the key.
    #[must_use]
    pub fn from_vkey(text: &str) -> Option<Self> {
        let mut parts = text.splitn(3, '+');
        let (name, id, key) = (parts.next()?, parts.next()?, parts.next()?);
        let bytes = STANDARD.decode(key).ok()?;
        let (kind, key) = bytes.split_first()?;
        let kind = [Kind::Log, Kind::Witness].into_iter().find(|known| known.byte() == *kind)?;
        let signer = Self { name: name.to_owned(), kind, key: PublicKey::from_slice(key).ok()? };
        let [a, b, c, d] = signer.id();
        (usable_name(name) && id == format!("{a:02x}{b:02x}{c:02x}{d:02x}")).then_some(signer)
    }
}

/// Whether a name may stand in a note.
#[must_use]
pub fn usable_name(name: &str) -> bool {
    !name.is_empty() && !name.chars().any(|c| c.is_whitespace() || c.is_control() || c == '+')
}

/// One signature line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The name on it.
    pub name: String,
    /// The key's four bytes.
    pub id: [u8; 4],
    /// What follows them.
    pub signature: Vec<u8>,
}

impl Line {
    /// The line as it stands in a note, with its end.
    #[must_use]
    pub fn write(&self) -> String {
        let bytes = [&self.id[..], &self.signature].concat();
        format!("{LINE_BEGIN}{} {}\n", self.name, STANDARD.encode(bytes))
    }
}

/// A note: its text, which ends with a line feed, and the signatures under it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// The text that is signed.
    pub text: String,
    /// The signature lines.
    pub lines: Vec<Line>,
}

/// What a note is worth under one key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Judged {
    /// Signed by the key; for a witness, at this second since 1970 by its own clock.
    Signed(Option<u64>),
    /// The key has no line in it.
    Absent,
    /// A line in the key's name and id is not its signature.
    False,
}

impl Note {
    /// Reads a note; none if it is not in its exact form.
    #[must_use]
    pub fn read(whole: &str) -> Option<Self> {
        if whole.len() > NOTE_BYTES_MAX || whole.chars().any(|c| c.is_control() && c != '\n') {
            return None;
        }
        let split = whole.rfind("\n\n")?;
        let (text, signatures) = (&whole[..=split], &whole[split + 2..]);
        let signatures = signatures.strip_suffix('\n')?;
        let lines: Vec<&str> = signatures.split('\n').take(LINES_MAX + 1).collect();
        if lines.len() > LINES_MAX {
            return None;
        }
        let lines: Option<Vec<Line>> = lines.into_iter().map(read_line).collect();
        Some(Self { text: text.to_owned(), lines: lines? })
    }

    /// The note as it is stored and sent.
    #[must_use]
    pub fn write(&self) -> String {
        self.lines.iter().fold(format!("{}\n", self.text), |note, line| note + &line.write())
    }

    /// What it is worth under one key.
    #[must_use]
    pub fn judge(&self, signer: &Signer) -> Judged {
        let id = signer.id();
        let mut judged = Judged::Absent;
        for line in self.lines.iter().filter(|line| line.name == signer.name && line.id == id) {
            match verify_line(&self.text, signer, &line.signature) {
                Some(time_s) => judged = Judged::Signed(time_s),
                None => return Judged::False,
            }
        }
        judged
    }
}

fn read_line(line: &str) -> Option<Line> {
    let (name, signature) = line.strip_prefix(LINE_BEGIN)?.split_once(' ')?;
    let bytes = STANDARD.decode(signature).ok()?;
    let (id, signature) = bytes.split_first_chunk::<4>()?;
    (usable_name(name) && !signature.is_empty()).then(|| Line {
        name: name.to_owned(),
        id: *id,
        signature: signature.to_vec(),
    })
}

/// Verifies what follows the key's id in a line; gives a witness's time.
fn verify_line(text: &str, signer: &Signer, signature: &[u8]) -> Option<Option<u64>> {
    let (time_s, signature, message) = match signer.kind {
        Kind::Log => (None, signature, text.to_owned()),
        Kind::Witness => {
            let (time, signature) = signature.split_first_chunk::<8>()?;
            let time_s = u64::from_be_bytes(*time);
            (Some(time_s), signature, witness_text(text, time_s))
        }
    };
    let signature = Signature::from_slice(signature).ok()?;
    verify(&signer.key, message.as_bytes(), &signature).then_some(time_s)
}

/// What a witness signs: its time in seconds since 1970, and the text of the note.
fn witness_text(text: &str, time_s: u64) -> String {
    format!("cosignature/v1\ntime {time_s}\n{text}")
}

/// The line with which a log signs a text.
#[must_use]
pub fn sign(text: &str, name: &str, key: &DeviceKey) -> Line {
    let signer = Signer { name: name.to_owned(), kind: Kind::Log, key: key.public() };
    Line { id: signer.id(), signature: key.sign(text.as_bytes()).0.to_vec(), name: signer.name }
}

/// The line with which a witness signs a text at a second since 1970.
#[must_use]
pub fn witness(text: &str, name: &str, key: &DeviceKey, time_s: u64) -> Line {
    let signer = Signer { name: name.to_owned(), kind: Kind::Witness, key: key.public() };
    let signature = key.sign(witness_text(text, time_s).as_bytes());
    let signature = [&time_s.to_be_bytes()[..], &signature.0].concat();
    Line { id: signer.id(), signature, name: signer.name }
}
