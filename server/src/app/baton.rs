//! Batons: what a device was handed by its last exchange, and shows in the next.
//!
//! Promises: each has a number, one more than the one before it, so that one which is newer than the database remembers shows
//! that the database was put back to an older copy; by its equal nobody else, since chance is in it too. Only this server can
//! have made it: an HMAC-SHA256, cut to 7 bytes, covers device and number.
//!
//! Never says whose copy is the right one. To a device its bytes mean nothing.

use super::cursor::CursorKey;
use hmac::Mac as _;
use pintle_core::ids::{Baton, DeviceId};

/// Bytes of the number: an exchange a second lasts for thirty thousand years.
const NUMBER_BYTES: usize = 5;
const CHANCE_BYTES: usize = 4;
const SHOWN_BYTES: usize = NUMBER_BYTES + CHANCE_BYTES;
const NUMBER_MAX: u64 = (1 << (8 * NUMBER_BYTES)) - 1;

impl CursorKey {
    /// The baton after another, or the first of all.
    #[must_use]
    pub fn baton(&self, device: &DeviceId, before: Option<&Baton>, chance: [u8; CHANCE_BYTES]) -> Baton {
        let number = before.map_or(0, |before| self.baton_number(device, before)).saturating_add(1).min(NUMBER_MAX);
        let mut bytes = [0; 16];
        bytes[..NUMBER_BYTES].copy_from_slice(&number.to_be_bytes()[8 - NUMBER_BYTES..]);
        bytes[NUMBER_BYTES..SHOWN_BYTES].copy_from_slice(&chance);
        let mac = self.mac(&[b"pintle/baton/1\n", &device.0, &bytes[..SHOWN_BYTES]]).finalize().into_bytes();
        bytes[SHOWN_BYTES..].copy_from_slice(&mac[..16 - SHOWN_BYTES]);
        Baton(bytes)
    }

    /// The number of a baton of this device; 0 of one that is not this server's, or from before there were numbers.
    #[must_use]
    pub fn baton_number(&self, device: &DeviceId, baton: &Baton) -> u64 {
        let (shown, mac) = baton.0.split_at(SHOWN_BYTES);
        let ours = self.mac(&[b"pintle/baton/1\n", &device.0, shown]);
        if ours.verify_truncated_left(mac).is_err() {
            return 0;
        }
        shown[..NUMBER_BYTES].iter().fold(0, |number, byte| (number << 8) | u64::from(*byte))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_core::ids::StoreId;
    use pintle_store::Identity;

    fn key(secret: u8) -> CursorKey {
        CursorKey::new(&Identity {
            store: StoreId([1; 16]),
            cursor_secret: [secret; 32],
            token_secret: [0; 32],
            ledger_secret: [0; 32],
        })
    }

    #[test]
    fn each_is_one_more_and_no_two_are_the_same() {
        let (key, device) = (key(9), DeviceId([5; 16]));
        let first = key.baton(&device, None, [1; 4]);
        let second = key.baton(&device, Some(&first), [2; 4]);
        let other = key.baton(&device, Some(&first), [3; 4]);
        assert_eq!([first, second, other].map(|baton| key.baton_number(&device, &baton)), [1, 2, 2]);
        assert_ne!(second, other);
        // One from before there were numbers counts as none.
        assert_eq!(key.baton_number(&device, &Baton([7; 16])), 0);
        assert_eq!(key.baton_number(&device, &key.baton(&device, Some(&Baton([7; 16])), [1; 4])), 1);
    }

    #[test]
    fn only_this_server_makes_them_for_this_device() {
        let (ours, device) = (key(9), DeviceId([5; 16]));
        let baton = ours.baton(&device, None, [1; 4]);
        assert_eq!(key(8).baton_number(&device, &baton), 0);
        assert_eq!(ours.baton_number(&DeviceId([6; 16]), &baton), 0);
        for bit in 0..128 {
            let mut edited = baton;
            edited.0[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(ours.baton_number(&device, &edited), 0, "bit {bit}");
        }
    }
}
