//! What is written down of each act of administration.
//!
//! Promises: pure, and the same for every implementation. Nothing that would let someone in is in a fact.

use crate::{DeviceChange, DeviceRecord, EnrolmentCode, NewShare};
use pintle_core::Fact;
use pintle_core::fact::administration::{
    CodeCancelled, CodeMade, DeviceChanged, DeviceEnrolled, DeviceRevoked, ShareEnded, ShareMade,
};
use pintle_core::ids::{CodeId, DeviceId, ShareId};
use pintle_core::moment::Moment;

/// A moment in whole seconds; one beyond the calendar is its end.
fn moment(ms: i64) -> Moment {
    /// 9998-12-31T23:59:59Z, the last second of the calendar of entries.
    const LAST_S: i64 = 253_370_764_799;
    let second = ms.div_euclid(1000).clamp(0, LAST_S);
    match Moment::at(second, 0) {
        Ok(moment) => moment,
        Err(fault) => unreachable!("a second within the calendar: {fault}"),
    }
}

pub(crate) fn code_made(id: CodeId, code: &EnrolmentCode) -> Fact {
    Fact::CodeMade(CodeMade { code: id, role: code.role, until: moment(code.expires_ms) })
}

pub(crate) fn code_cancelled(code: CodeId) -> Fact {
    Fact::CodeCancelled(CodeCancelled { code })
}

pub(crate) fn device_enrolled(record: &DeviceRecord, by: Voucher) -> Fact {
    let (code, follows) = match by {
        Voucher::Code(code) => (Some(code), None),
        Voucher::Device(device) => (None, Some(device)),
    };
    let DeviceRecord { device, key, mark, role, .. } = record;
    let mark = mark.clone();
    Fact::DeviceEnrolled(DeviceEnrolled { device: *device, key: *key, mark, role: *role, code, follows })
}

/// What lets a device in.
#[derive(Clone, Copy)]
pub(crate) enum Voucher {
    /// A one-time code.
    Code(CodeId),
    /// The key of another device.
    Device(DeviceId),
}

pub(crate) fn device_changed(device: DeviceId, change: &DeviceChange) -> Fact {
    Fact::DeviceChanged(DeviceChanged { device, mark: change.mark.clone(), role: change.role })
}

pub(crate) fn device_revoked(device: DeviceId) -> Fact {
    Fact::DeviceRevoked(DeviceRevoked { device })
}

pub(crate) fn share_made(share: &NewShare) -> Fact {
    Fact::ShareMade(ShareMade {
        share: ShareId::of_hash(&share.hash),
        machine: share.machine,
        until: moment(share.until_ms),
        shows: share.shows.clone(),
    })
}

pub(crate) fn share_ended(share: ShareId) -> Fact {
    Fact::ShareEnded(ShareEnded { share })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_instant_has_a_moment() {
        for (ms, text) in [
            (i64::MIN, "1970-01-01T00:00:00+00:00"),
            (1_780_000_000_999, "2026-05-28T20:26:40+00:00"),
            (i64::MAX, "9998-12-31T23:59:59+00:00"),
        ] {
            assert_eq!(moment(ms).text(), text);
        }
    }
}
