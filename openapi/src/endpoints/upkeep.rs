//! How a machine was kept: by whose hands, how its plan was kept, what a public rule would miss in its records.
//!
//! Promises: core's reckoning, unchanged; the same answers as `pintle keeping` gives offline.
//! Never says what the law is: every report says so itself.

use crate::endpoint::{Access, Caching, Endpoint, Example, Method, Nothing, Tag};
use crate::list::MachinePath;
use crate::names::Names;
use crate::problem::Problem;
use crate::sample;
use pintle_core::MachineId;
use pintle_core::book::{Hands, Keeping};
use pintle_core::permission::Right;
use pintle_core::plan::Counting;
use pintle_core::rules::{Field, Report, Rule, Source};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Shows whose hands ran a machine.
pub struct MachineHands;
/// Shows how a machine's plan was kept.
pub struct MachineKeeping;
/// Shows what a public rule would miss in a machine's records.
pub struct MachineRecords;
/// Lists the public rules that can be reported against.
pub struct Rules;

/// Said with every report.
pub const NO_ADVICE: &str =
    "A help to the memory, no legal advice: read the rule; local rules and licensed practice come first.";

/// A machine by id and name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MachineName {
    /// The machine.
    pub id: MachineId,
    /// What people call it; empty if nobody has said.
    pub name: String,
}

/// Whose hands ran a machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = MachineHands)]
pub struct HandsReply {
    /// The machine.
    pub machine: MachineName,
    /// Shares over its life and of late; null if nothing was recorded by hand.
    pub hands: Option<Hands>,
    /// Names of those who are mentioned.
    pub names: Names,
}

/// Query of how a plan was kept.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct KeepingQuery {
    /// Count all tasks this way; as the plan says if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, inline)]
    pub counting: Option<Counting>,
}

/// How a machine's plan was kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = MachineKeeping)]
pub struct KeepingReply {
    /// The machine.
    pub machine: MachineName,
    /// The plan in force.
    pub plan: String,
    /// How all tasks were counted; null for as the plan says.
    pub counting: Option<Counting>,
    /// Each task that was done, over all its past intervals.
    pub keeping: Vec<Keeping>,
}

/// Query of what a rule would miss.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RecordsQuery {
    /// The rule, whatever its spaces and case: `30 CFR 56.14100`.
    pub rule: String,
    /// The tasks that are inspections, with commas between; for rules about those.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub inspections: Option<String>,
}

/// What a rule would miss in a machine's records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = MachineRecords)]
pub struct RecordsReply {
    /// The machine.
    pub machine: MachineName,
    /// Its records against the rule.
    pub report: Report,
    /// That this is no legal advice.
    pub advice: String,
    /// Names of those who are mentioned.
    pub names: Names,
}

/// The public rules there are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[schema(as = Rules)]
pub struct RulesReply {
    /// The rules.
    pub rules: Vec<RuleCard>,
    /// That this is no legal advice.
    pub advice: String,
}

/// A public rule.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RuleCard {
    /// How it is cited.
    pub rule: String,
    /// What it is about.
    pub about: String,
    /// What each record is to show.
    pub fields: Vec<Field>,
    /// Where that comes from.
    pub fields_source: Source,
    /// Where the time to keep records comes from.
    pub keep_source: Source,
}

impl From<&Rule> for RuleCard {
    fn from(rule: &Rule) -> Self {
        Self {
            rule: rule.id.to_owned(),
            about: rule.about.to_owned(),
            fields: rule.fields.to_vec(),
            fields_source: rule.fields_source,
            keep_source: rule.keep_source,
        }
    }
}

impl Endpoint for MachineHands {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/hands";
    const OPERATION: &'static str = "machineHands";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "Whose hands ran a machine";
    const DESCRIPTION: &'static str = "\
Shares of hours by person, from shifts with readings, else of entries; and the effective number of hands, 1/Σp² (one \
regular operator is 1, four in equal parts are 4). Over the machine's recorded life and its last 500 hours.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = HandsReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        Example { path, query: Nothing {}, body: Nothing {}, reply: sample::hands_reply() }
    }
}

impl Endpoint for MachineKeeping {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/keeping";
    const OPERATION: &'static str = "machineKeeping";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "How a machine's plan was kept";
    const DESCRIPTION: &'static str = "\
Every past interval of every task: early, on time, late, never, and the worst overrun; by the counting of the plan, or had \
all tasks been counted one way.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = KeepingQuery;
    type Body = Nothing;
    type Reply = KeepingReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = KeepingQuery { counting: Some(Counting::Done) };
        Example { path, query, body: Nothing {}, reply: sample::keeping_reply() }
    }
}

impl Endpoint for MachineRecords {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/records";
    const OPERATION: &'static str = "machineRecords";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Token(Right::ReadMachines);
    const SUMMARY: &'static str = "What a public rule would miss in a machine's records";
    const DESCRIPTION: &'static str = "\
Record by record what is missing, and until when it is to be kept. A help to the memory, no legal advice. Nothing is ever \
deleted because of it.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = MachinePath;
    type Query = RecordsQuery;
    type Body = Nothing;
    type Reply = RecordsReply;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = RecordsQuery { rule: "30 CFR 56.14100".to_owned(), inspections: None };
        Example { path, query, body: Nothing {}, reply: sample::records_reply() }
    }
}

impl Endpoint for Rules {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/rules";
    const OPERATION: &'static str = "rules";
    const TAG: Tag = Tag::Machines;
    const ACCESS: Access = Access::Public;
    const SUMMARY: &'static str = "The public rules that can be reported against";
    const DESCRIPTION: &'static str =
        "What each is about, what it wants recorded, and whether that is its text or from memory.";
    const PROBLEMS: &'static [Problem] = &[];
    const CACHING: Caching = Caching::Revalidated;

    type Path = Nothing;
    type Query = Nothing;
    type Body = Nothing;
    type Reply = RulesReply;

    fn example() -> Example<Self> {
        Example { path: Nothing {}, query: Nothing {}, body: Nothing {}, reply: sample::rules_reply() }
    }
}
