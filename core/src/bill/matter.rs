//! What a line is for: one entry, or one day of coming out for a job.
//!
//! Promises: a matter has one spelling, which is a key: two bills that are for one matter are found by comparing texts.
//! Never: an amount; what a matter is worth may change, the matter itself does not.

use super::calendar::Day;
use crate::entry::EntryRef;
use crate::fault::{Fault, code};
use crate::ids::OfficeId;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use std::fmt;
use std::str::FromStr;

/// What a line is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Matter {
    /// What one entry records.
    Entry(EntryRef),
    /// Coming out for a job on a day.
    Visit(OfficeId, Day),
}

impl fmt::Display for Matter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Matter::Entry(entry) => write!(f, "entry:{}:{}", entry.device, entry.seq),
            Matter::Visit(job, day) => write!(f, "visit:{job}:{day}"),
        }
    }
}

impl FromStr for Matter {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let bad = || Fault::new(code::OUT_OF_RANGE, "", "a matter is written entry:DEVICE:NUMBER or visit:JOB:DAY");
        let parts: Vec<&str> = text.split(':').collect();
        let matter = match parts.as_slice() {
            ["entry", device, seq] => Matter::Entry(EntryRef {
                device: device.parse().map_err(|_| bad())?,
                seq: seq.parse().map_err(|_| bad())?,
            }),
            ["visit", job, day] => Matter::Visit(job.parse().map_err(|_| bad())?, day.parse().map_err(|_| bad())?),
            _ => return Err(bad()),
        };
        // "01" and "+1" are also numbers, and would be other keys.
        if matter.to_string() == text { Ok(matter) } else { Err(bad()) }
    }
}

impl Serialize for Matter {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Matter {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(|fault: Fault| de::Error::custom(fault.detail))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_matter_has_one_spelling() {
        for text in ["entry:AgICAgICAgICAgICAgICAg:412", "visit:AgICAgICAgICAgICAgICAg:2026-05-04"] {
            assert_eq!(text.parse::<Matter>().expect(text).to_string(), text);
        }
        for bad in [
            "",
            "entry:AgICAgICAgICAgICAgICAg:0412",
            "entry:AgICAgICAgICAgICAgICAg:+1",
            "visit:x:2026-05-04",
            "entry:AgICAgICAgICAgICAgICAg",
            "visit:AgICAgICAgICAgICAgICAg:2026-05-04:1",
        ] {
            assert!(bad.parse::<Matter>().is_err(), "{bad}");
        }
    }
}
