//! The words that entries choose from: what a meter counts, conditions, purges, signs, urgencies.
//!
//! Promises: each word has one spelling, which is also how it is written in entries and told to people. A word is never
//! renamed; a later version may add one.

use serde::{Deserialize, Serialize};

macro_rules! words_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $text)] $variant),+ }
        impl $name {
            /// Every value, in the order in which they are offered.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];
            /// As it is written in entries.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $text),+ }
            }
        }
        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                match text {
                    $($text => Ok($name::$variant),)+
                    _ => Err(format!("one of: {}", [$($text),+].join(", "))),
                }
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { f.write_str(self.as_str()) }
        }
    };
}

words_enum!(
    /// What a meter counts.
    MeterKind {
        /// Hours of running, by the clock.
        Hours = "hours",
        /// Hours at rated speed: a meter driven by the engine's revolutions shows less than the clock while it idles.
        TachHours = "tach hours",
        /// Kilometres.
        Kilometres = "km",
        /// Working cycles.
        Cycles = "cycles",
    }
);
words_enum!(
    /// How hard the hours were.
    Condition {
        /// Nothing special.
        Dry = "dry",
        /// Dust that settles on every joint.
        Dusty = "dusty",
        /// Mud that packs into the joints.
        Muddy = "muddy",
        /// Joints under water.
        Submerged = "submerged",
        /// Frost.
        Frost = "frost",
    }
);
words_enum!(
    /// What came out of a joint when it was greased.
    Purge {
        /// Clean grease.
        Clean = "clean",
        /// Dirt.
        Dirty = "dirty",
        /// Water.
        Water = "water",
        /// Metal.
        Metal = "metal",
        /// Nothing came out: the grease went elsewhere, or not enough was pumped.
        Nothing = "nothing",
    }
);
words_enum!(
    /// Signs that something is wrong or different.
    Sign {
        /// Squeaks: the point is already past due.
        Squeak = "squeak",
        /// Play in a joint.
        Play = "play",
        /// A leak.
        Leak = "leak",
        /// A grease fitting is gone.
        MissingFitting = "missing fitting",
        /// A grease fitting takes no grease.
        BlockedFitting = "blocked fitting",
        /// Metal in the grease.
        MetalInGrease = "metal in grease",
        /// Water in the grease.
        WaterInGrease = "water in grease",
        /// A crack.
        Crack = "crack",
        /// Something loose.
        Loose = "loose",
        /// A noise.
        Noise = "noise",
        /// Vibration.
        Vibration = "vibration",
        /// A smell.
        Smell = "smell",
        /// Heat.
        Heat = "heat",
        /// Anything else, told in words.
        Other = "other",
    }
);
words_enum!(
    /// How urgent a finding is.
    Urgency {
        /// Keep an eye on it.
        Watch = "watch",
        /// Mend it soon.
        Soon = "soon",
        /// Do not run the machine until it is mended or cleared.
        TaggedOut = "tagged out",
    }
);
words_enum!(
    /// Why a meter no longer goes on from where it was.
    MeterChange {
        /// Another meter was fitted.
        Replaced = "replaced",
        /// The meter passed its last digit.
        RolledOver = "rolled over",
    }
);

impl MeterKind {
    /// What the first meter of this kind is called, and so the clock of its tasks: both sorts of hours are `hours`,
    /// because a maker's interval is meant for the meter the machine has.
    #[must_use]
    pub fn meter_name(self) -> &'static str {
        match self {
            MeterKind::Hours | MeterKind::TachHours => "hours",
            MeterKind::Kilometres | MeterKind::Cycles => self.as_str(),
        }
    }

    /// Whether it counts time, so that it cannot run more than has passed.
    #[must_use]
    pub fn counts_time(self) -> bool {
        matches!(self, MeterKind::Hours | MeterKind::TachHours)
    }
}

impl Sign {
    /// The urgency a finding with this sign has unless its author says otherwise. Common practice, no source:
    /// a crack can let go without warning, the rest can wait for the end of the shift but not for long.
    #[must_use]
    pub fn default_urgency(self) -> Urgency {
        match self {
            Sign::Crack => Urgency::TaggedOut,
            Sign::Noise | Sign::Vibration | Sign::Smell | Sign::Other => Urgency::Watch,
            _ => Urgency::Soon,
        }
    }
}
