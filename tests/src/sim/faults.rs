//! Which faults a run has, and how often.
//!
//! Promises: each seed has a selection of its own, so that rare pairs of faults meet in some run without every run
//! being all faults at once. All rates are in thousandths of the steps in which the fault could strike.

use super::chance::Chance;

/// Rates of faults, in thousandths.
#[derive(Debug, Clone, Copy, Default)]
pub struct Faults {
    /// A request is lost on its way.
    pub lose_request: u32,
    /// A reply is lost on its way.
    pub lose_reply: u32,
    /// A request arrives twice.
    pub double: u32,
    /// The device stops waiting while request or reply are still on their way.
    pub time_out: u32,
    /// A reply is cut off.
    pub cut: u32,
    /// An old reply comes in place of the new one.
    pub replay: u32,
    /// A portal answers.
    pub portal: u32,
    /// No signal at all for a while.
    pub no_signal: u32,
    /// A device's program is killed.
    pub crash_device: u32,
    /// A server process is killed.
    pub crash_server: u32,
    /// A write of the server's database fails before or after its commit, or for want of room.
    pub store_write: u32,
    /// The server's database is away for a while.
    pub store_down: u32,
    /// The server's disk is full for a while.
    pub store_full: u32,
    /// A disk lied: the last transactions of the server are gone.
    pub store_tail: u32,
    /// A device's disk is full for a while.
    pub device_full: u32,
    /// A disk lied: the last transactions of a device are gone.
    pub tail_loss: u32,
    /// A device is copied, and both copies go on.
    pub clone: u32,
    /// A device is put back to an old copy of itself.
    pub restore_device: u32,
    /// The server is put back to an old copy, and the operator says so.
    pub restore_told: u32,
    /// The server is put back to an old copy, and nobody says so.
    pub restore_untold: u32,
    /// A device's clock jumps.
    pub clock: u32,
    /// The servers' clock jumps.
    pub server_clock: u32,
    /// A server of a later version answers.
    pub server_newer: u32,
    /// A device is revoked.
    pub revoke: u32,
    /// Somebody wants other machines than before.
    pub wanted: u32,
    /// A program is upgraded to one that knows more.
    pub upgrade: u32,
}

impl Faults {
    /// The selection of a seed.
    #[must_use]
    pub fn of(chance: &mut Chance) -> Self {
        // A third of the runs is rough, a third is mild, a third lies between.
        let share = [250, 500, 800][chance.below(3)];
        let mut rate = |most: u32| {
            if chance.permille(share) { 1 + u32::try_from(chance.below(most as usize)).unwrap_or(0) } else { 0 }
        };
        Self {
            lose_request: rate(200),
            lose_reply: rate(200),
            double: rate(150),
            time_out: rate(60),
            cut: rate(100),
            replay: rate(100),
            portal: rate(60),
            no_signal: rate(10),
            crash_device: rate(25),
            crash_server: rate(20),
            store_write: rate(60),
            store_down: rate(8),
            device_full: rate(8),
            tail_loss: rate(12),
            clone: rate(6),
            restore_device: rate(6),
            restore_told: rate(5),
            restore_untold: rate(5),
            clock: rate(10),
            revoke: rate(3),
            wanted: rate(15),
            upgrade: rate(8),
            store_full: rate(8),
            store_tail: rate(6),
            server_clock: rate(8),
            server_newer: rate(100),
        }
    }
}
