//! The fuzz targets on the stable toolchain: corpus, findings, and seeded changes of both.
//!
//! Promises: every parser has a corpus; every file of it and every finding is fed on every run, and so are the same few
//! thousand changes of them. An input that once broke a law stays in `tests/fuzz/findings/` for good.

#[path = "../fuzz/parsers.rs"]
mod parsers;

use parsers::PARSERS;
use std::collections::BTreeSet;
use std::path::Path;

/// Changed inputs fed to each parser.
const CHANGES: usize = 4_000;
/// Most changes made to one input.
const CHANGES_AT_ONCE_MAX: usize = 6;

/// Files of a folder, in order of name; none if there is no such folder.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let Ok(items) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut files: Vec<_> = items
        .map(|item| item.expect("a readable folder").path())
        .map(|path| (path.display().to_string(), std::fs::read(&path).expect("a readable file")))
        .collect();
    files.sort();
    files
}

fn samples(name: &str) -> Vec<(String, Vec<u8>)> {
    let fuzz = crate::tidy::root().join("tests/fuzz");
    let mut samples = files(&fuzz.join("corpus").join(name));
    assert!(!samples.is_empty(), "{name} has no corpus");
    samples.extend(files(&fuzz.join("findings").join(name)));
    samples
}

/// A generator of the same numbers in every run (xorshift of Marsaglia, 2003, 64 bits).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % u64::try_from(limit.max(1)).expect("64 bits")).expect("below a usize")
    }
}

/// Pieces that parsers treat in their own way.
const PIECES: &[&[u8]] = &[
    b"\"",
    b"{",
    b"}",
    b"[",
    b"]",
    b",",
    b":",
    b"\\u0000",
    b"\\ud800",
    b"-",
    b"0",
    b"9007199254740992",
    b"-9007199254740992",
    b"18446744073709551615",
    b"1e9",
    b".5",
    b"null",
    b"{}",
    b"[]",
    b"\xff",
    b"\xc3\xa9",
    b"\xf0\x9f\x98\x80",
    b"/",
    b"~",
    b"Z",
    b"+14:00",
    b"9999",
    b"withheld",
    b"head",
    b"seq",
    b"=",
    b"[[tasks]]",
    b"nan",
    b"\"\"\"",
    b"_",
    b" ",
];

fn changed(sample: &[u8], other: &[u8], numbers: &mut Numbers) -> Vec<u8> {
    let mut bytes = sample.to_vec();
    for _ in 0..=numbers.below(CHANGES_AT_ONCE_MAX) {
        let at = numbers.below(bytes.len() + 1);
        match numbers.below(7) {
            0 if at < bytes.len() => bytes[at] ^= 1 << numbers.below(8),
            1 if at < bytes.len() => drop(bytes.remove(at)),
            2 => bytes.truncate(at),
            3 => {
                let end = (at + numbers.below(24)).min(bytes.len());
                bytes.drain(at..end);
            }
            4 => {
                let from = numbers.below(other.len());
                let to = (from + numbers.below(40)).min(other.len());
                bytes.splice(at..at, other[from..to].iter().copied());
            }
            // Puts a number or a piece in place of a run of digits: counts and positions at their borders.
            5 => {
                let run = bytes[at..].iter().take_while(|c| c.is_ascii_digit()).count();
                let piece = PIECES[numbers.below(PIECES.len())];
                bytes.splice(at..at + run, piece.iter().copied());
            }
            _ => {
                let piece = PIECES[numbers.below(PIECES.len())];
                bytes.splice(at..at, piece.iter().copied());
            }
        }
    }
    bytes
}

/// Feeds a parser and says which input broke a law.
fn feed(name: &str, origin: &str, bytes: &[u8]) {
    let result = std::panic::catch_unwind(|| parsers::run(name, bytes));
    assert!(result.is_ok(), "{name}: {origin} breaks a law; keep it as a finding:\n{}", bytes.escape_ascii());
}

#[test]
fn corpus_and_findings_keep_every_law() {
    for (name, _) in PARSERS {
        for (origin, bytes) in samples(name) {
            feed(name, &origin, &bytes);
        }
    }
}

#[test]
fn seeded_changes_keep_every_law() {
    for (name, _) in PARSERS {
        let samples = samples(name);
        let mut numbers = Numbers(0x9e37_79b9_7f4a_7c15);
        // Each input of this one is a dozen entries, signed and pushed some eight times.
        let changes = if *name == "admit" { CHANGES / 20 } else { CHANGES };
        for count in 0..changes {
            let (origin, sample) = &samples[numbers.below(samples.len())];
            let (_, other) = &samples[numbers.below(samples.len())];
            let bytes = changed(sample, other, &mut numbers);
            feed(name, &format!("change {count} of {origin}"), &bytes);
        }
    }
}

#[test]
fn every_parser_is_a_fuzz_target_and_the_other_way_round() {
    let root = crate::tidy::root();
    let listed: BTreeSet<String> = PARSERS.iter().map(|(name, _)| (*name).to_owned()).collect();
    let named = |folder: &str| -> BTreeSet<String> {
        let items = std::fs::read_dir(root.join("tests/fuzz").join(folder)).expect(folder);
        items.map(|item| item.expect(folder).file_name().to_string_lossy().trim_end_matches(".rs").to_owned()).collect()
    };
    assert_eq!(named("fuzz_targets"), listed);
    assert_eq!(named("corpus"), listed);
    let manifest = std::fs::read_to_string(root.join("tests/fuzz/Cargo.toml")).expect("a manifest");
    for name in &listed {
        assert!(
            manifest.contains(&format!("path = \"fuzz_targets/{name}.rs\"")),
            "{name} is no target of the manifest"
        );
    }
}
