//! A refused request inside the server: the problem for the caller, and apart from it the detail for the log.
//!
//! Promises: `inside` never reaches a caller; what a caller gets is the table's sentence and hint, a place, and a
//! detail about the caller's own request.

use crate::ambient::NoRandomness;
use crate::limits::UNAVAILABLE_RETRY_S;
use pintle_core::Fault;
use pintle_openapi::{Problem, ProblemDocument};
use pintle_store::StoreError;

/// Why a request is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The problem.
    pub problem: Problem,
    /// What is wrong in this request, for the caller.
    pub detail: Option<String>,
    /// RFC 6901 pointer into the body.
    pub pointer: Option<String>,
    /// Name of the query parameter or header.
    pub parameter: Option<String>,
    /// The server's clock, where that helps.
    pub now_ms: Option<i64>,
    /// Seconds to wait, where that helps.
    pub retry_after_s: Option<u32>,
    /// For the log only.
    pub inside: Option<String>,
}

impl Refusal {
    /// A problem without particulars.
    #[must_use]
    pub fn of(problem: Problem) -> Self {
        Self { problem, detail: None, pointer: None, parameter: None, now_ms: None, retry_after_s: None, inside: None }
    }

    /// With a detail for the caller.
    #[must_use]
    pub fn detail(mut self, detail: impl Into<String>) -> Self {
        self.detail = Some(detail.into());
        self
    }

    /// With the place in the body.
    #[must_use]
    pub fn pointer(mut self, pointer: impl Into<String>) -> Self {
        self.pointer = Some(pointer.into());
        self
    }

    /// With the parameter or header at fault.
    #[must_use]
    pub fn parameter(mut self, parameter: impl Into<String>) -> Self {
        self.parameter = Some(parameter.into());
        self
    }

    /// A failure of the server itself.
    #[must_use]
    pub fn internal(inside: impl ToString) -> Self {
        Self { inside: Some(inside.to_string()), ..Self::of(Problem::Internal) }
    }

    /// The document the caller gets.
    #[must_use]
    pub fn document(&self, request: &str) -> ProblemDocument {
        let mut document = ProblemDocument::new(self.problem, request);
        document.detail.clone_from(&self.detail);
        document.pointer.clone_from(&self.pointer);
        document.parameter.clone_from(&self.parameter);
        document.now_ms = self.now_ms;
        document.retry_after_s = self.retry_after_s;
        document
    }
}

/// A fault in the bytes of the request. A code that is no problem of its own is a request that is not of its form.
impl From<Fault> for Refusal {
    fn from(fault: Fault) -> Self {
        let problem = Problem::from_code(&fault.code).unwrap_or(Problem::MalformedRequest);
        Self::of(problem).pointer(fault.pointer).detail(fault.detail)
    }
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Self {
        let inside = Some(error.to_string());
        let (problem, retry_after_s) = match error {
            StoreError::Unavailable { .. } => (Problem::Unavailable, Some(UNAVAILABLE_RETRY_S)),
            StoreError::Full { .. } => (Problem::StorageFull, None),
            StoreError::Corrupt { .. } | StoreError::Schema { .. } | StoreError::Failed { .. } => {
                (Problem::Internal, None)
            }
        };
        Self { inside, retry_after_s, ..Self::of(problem) }
    }
}

impl From<NoRandomness> for Refusal {
    fn from(error: NoRandomness) -> Self {
        Self::internal(error)
    }
}
