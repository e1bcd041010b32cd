//! Enrolment codes: 60 random bits as three groups of four characters, `7KQF-M3XA-R8TD`.
//!
//! Promises: the alphabet is Crockford's base32, so that a code survives being read aloud: case, hyphens and spaces do
//! not matter, O is read as 0, I and L as 1. Only the hash of a code is ever stored.

use pintle_core::Hash;

const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const CHARS: usize = 12;
const GROUP: usize = 4;

/// Bytes of randomness a code is made from; 60 of the 64 bits are used.
pub const RANDOM_BYTES: usize = 8;

/// The code made of random bytes, as it is shown.
#[must_use]
pub fn shown(random: [u8; RANDOM_BYTES]) -> String {
    let bits = u64::from_be_bytes(random);
    let mut code = String::with_capacity(CHARS + CHARS / GROUP);
    for index in 0..CHARS {
        if index > 0 && index % GROUP == 0 {
            code.push('-');
        }
        code.push(ALPHABET[(bits >> (5 * index)) as usize & 31] as char);
    }
    code
}

/// The hash under which a code is stored. None if the text cannot be a code.
#[must_use]
pub fn hash(typed: &str) -> Option<Hash> {
    let mut code = String::with_capacity(CHARS);
    for c in typed.chars().filter(|c| !matches!(c, '-' | ' ')) {
        let c = match c.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            c => c,
        };
        if !c.is_ascii() || !ALPHABET.contains(&(c as u8)) || code.len() == CHARS {
            return None;
        }
        code.push(c);
    }
    (code.len() == CHARS).then(|| Hash::of(&[code.as_bytes()]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_survives_being_read_aloud() {
        let code = shown([0x12, 0x34, 0x56, 0x78, 0x9a, 0xbc, 0xde, 0xf0]);
        assert_eq!(code.len(), 14);
        assert!(hash(&code).is_some());
        assert_eq!(hash(&code.to_lowercase().replace('-', " ")), hash(&code));
        assert_eq!(hash("oil0-0000-0000"), hash("0110-0000-0000"));
        assert_ne!(hash("7KQF-M3XA-R8TD"), hash("7KQF-M3XA-R8TE"));
        for bad in
            ["", "7KQF-M3XA-R8T", "7KQF-M3XA-R8TDX", "7KQF-M3XA-R8TU", "7KQF-M3XA-R8T\u{ff21}", &"7".repeat(9_000)]
        {
            assert_eq!(hash(bad), None, "{bad:.20}");
        }
    }

    #[test]
    fn all_sixty_bits_are_used() {
        for bit in 0..60 {
            let zero = shown([0; 8]);
            let one = shown((1u64 << bit).to_be_bytes());
            assert_ne!(zero, one, "bit {bit}");
        }
    }
}
