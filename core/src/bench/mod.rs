//! The bench card: what the small repair at the machine needs to know.
//!
//! Promises: arithmetic on published thread forms and drill sizes, each with its source; whole numbers throughout
//! (nanometres), never a float. Every card carries its cautions. A number that is only common practice says so.
//!
//! Never a permission: the maker's manual and local rules come first, and some work is for licensed people.

pub mod card;
pub mod drill;
pub mod grease;
pub mod thread;

/// Said with every card, in the pattern: who, when, do what, before or until when.
pub const CARD_RULE: &str = "Follow the maker's manual and local rules; get a licensed person where they ask for one.";

/// Cautions for drilling out and tapping at a machine.
///
/// Sources: eye protection 29 CFR 1926.102; raised parts 29 CFR 1926.600(a)(3)(i); the rest common practice, no source.
pub const DRILLING_CAUTIONS: [&str; 5] = [
    "Before drilling or striking: wear eye protection. Never strike hardened steel with a hardened hammer; use a soft one.",
    "Before anyone is under a raised part: block it, or lower it to the ground.",
    "Before opening a line: stop the engine, lower, relieve stored pressure, lock out, and verify.",
    "Before drilling or heating: clear grease and fuel away, and let hot parts cool. Chips in the bore must come out again.",
    "Until it is mended: if the machine is not safe, tag it out.",
];

/// Cautions for greasing with a gun.
///
/// Source: common practice, no source; that an injection injury is an emergency is said by every maker of guns.
pub const GREASING_CAUTIONS: [&str; 3] = [
    "A grease gun injects through skin. A small painless hole is a surgical emergency: go at once, say what was injected.",
    "Before greasing under a raised part: block it, or lower it to the ground.",
    "Before mixing greases of different thickeners: purge the old one until the new one comes, or clean the joint.",
];
