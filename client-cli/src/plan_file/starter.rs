//! Plans to start from, one for each kind of machine that crews of our kind mostly run.
//!
//! Promises: each reads without a fault, each value in it is marked as common practice without a source, to be
//! replaced by the maker's manual. Never set by itself: a person chooses one.

use super::read;
use crate::problem::{Code, Problem};
use pintle_core::plan::Plan;

/// A plan that comes with the program.
#[derive(Debug, Clone, Copy)]
pub struct Starter {
    /// What is typed to choose it.
    pub name: &'static str,
    /// Its file.
    pub text: &'static str,
}

/// Every starter plan.
pub const STARTERS: [Starter; 4] = [
    Starter { name: "tractor", text: include_str!("../../plans/tractor.toml") },
    Starter { name: "excavator", text: include_str!("../../plans/excavator.toml") },
    Starter { name: "loader", text: include_str!("../../plans/loader.toml") },
    Starter { name: "trencher", text: include_str!("../../plans/trencher.toml") },
];

impl Starter {
    /// The plan.
    ///
    /// # Errors
    /// As any file; a test holds that there is none.
    pub fn plan(&self) -> Result<Plan, Problem> {
        read(self.text, &format!("starter plan {}", self.name))
    }
}

/// The starter plan of this name.
///
/// # Errors
/// `unclear-words`, with the names there are.
pub fn starter(name: &str) -> Result<Starter, Problem> {
    let plain = name.trim().to_lowercase();
    STARTERS.into_iter().find(|starter| starter.name == plain).ok_or_else(|| {
        let names: Vec<&str> = STARTERS.iter().map(|starter| starter.name).collect();
        Problem::new(Code::UnclearWords, format!("there is no starter plan {name:?}"))
            .hint(format!("one of: {}", names.join(", ")))
    })
}
