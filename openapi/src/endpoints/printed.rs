//! `GET /v1/machines/{machine}/history/pdf` and `GET /v1/shared/{link}/history/pdf`: a service history on paper.
//!
//! Promises: the same facts as the page of the history, and the history file inside, byte for byte, so that one file is
//! enough. What is to be withheld is withheld before anything is computed or printed.

use crate::endpoint::{Access, Endpoint, Example, Method, Nothing, Tag};
use crate::endpoints::bills::{ByteFile, OF_PAPER, PDF_MEDIA, Paper, PaperQuery};
use crate::endpoints::shares::SharedPath;
use crate::list::MachinePath;
use crate::problem::Problem;
use crate::sample;
use pintle_core::permission::Right;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

/// Prints a machine's service history.
pub struct MachineHistoryPdf;
/// Prints the service history that a link shows.
pub struct SharedHistoryPdf;

/// What an outsider is not to see, and what it is printed on.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HistoryPdfQuery {
    /// Some of `names`, `words`, `office`, with commas between them; `office` if absent. They stand in the file as withheld.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false)]
    pub withhold: Option<String>,
    /// What it is printed on, `a4` or `letter`; `a4` if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[param(nullable = false, inline)]
    pub paper: Option<Paper>,
}

/// Of a machine: what it is printed on may be wrong, and what is to be withheld.
const OF_MACHINE: &[Problem] =
    &[Problem::NotFound, Problem::OutOfRange, Problem::TooLongToPrint, Problem::NoTypesetter, Problem::Busy];

impl Endpoint for MachineHistoryPdf {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/machines/{machine}/history/pdf";
    const OPERATION: &'static str = "machineHistoryPdf";
    const TAG: Tag = Tag::Proof;
    const ACCESS: Access = Access::Token(Right::Share);
    const SUMMARY: &'static str = "A machine's service history on paper";
    const DESCRIPTION: &'static str = "PDF/A-3b: what it says at a glance, hours over time, what to look at twice, the \
         entries, and how to check it. The history file is inside; only that is proved.";
    const PROBLEMS: &'static [Problem] = OF_MACHINE;
    const REPLY_MEDIA: &'static str = PDF_MEDIA;

    type Path = MachinePath;
    type Query = HistoryPdfQuery;
    type Body = Nothing;
    type Reply = ByteFile;

    fn example() -> Example<Self> {
        let path = MachinePath { machine: sample::machine() };
        let query = HistoryPdfQuery { withhold: Some("names,office".to_owned()), paper: Some(Paper::Letter) };
        Example { path, query, body: Nothing {}, reply: ByteFile(b"%PDF".to_vec()) }
    }
}

impl Endpoint for SharedHistoryPdf {
    const METHOD: Method = Method::Get;
    const PATH: &'static str = "/v1/shared/{link}/history/pdf";
    const OPERATION: &'static str = "sharedHistoryPdf";
    const TAG: Tag = Tag::Outsiders;
    const ACCESS: Access = Access::Link;
    const SUMMARY: &'static str = "What a link shows: the machine's service history on paper";
    const DESCRIPTION: &'static str = "As for the organisation itself, with all withheld that the link does not show.";
    const PROBLEMS: &'static [Problem] = OF_PAPER;
    const REPLY_MEDIA: &'static str = PDF_MEDIA;

    type Path = SharedPath;
    type Query = PaperQuery;
    type Body = Nothing;
    type Reply = ByteFile;

    fn example() -> Example<Self> {
        let path = SharedPath { link: sample::capability() };
        let query = PaperQuery { paper: Some(Paper::A4) };
        Example { path, query, body: Nothing {}, reply: ByteFile(b"%PDF".to_vec()) }
    }
}
