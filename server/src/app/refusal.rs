//! A refused request inside the server: the problem for the caller, and apart from it the detail for the log.
//!
//! Promises: `inside` never reaches a caller; what a caller gets is the table's sentence and hint, a place, and a
//! detail about the caller's own request.

use crate::ambient::NoRandomness;
use crate::limits::UNAVAILABLE_RETRY_S;
use pintle_core::Fault;
use pintle_openapi::{Problem, ProblemDocument};
use pintle_store::StoreError;
use std::ops::Deref;

/// Why a request is refused. Boxed, because every use case may return one and few do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal(Box<Particulars>);

/// The particulars of a refusal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Particulars {
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

impl Deref for Refusal {
    type Target = Particulars;
    fn deref(&self) -> &Particulars {
        &self.0
    }
}

impl Refusal {
    /// A problem without particulars.
    #[must_use]
    pub fn of(problem: Problem) -> Self {
        Self(Box::new(Particulars {
            problem,
            detail: None,
            pointer: None,
            parameter: None,
            now_ms: None,
            retry_after_s: None,
            inside: None,
        }))
    }

    /// With a detail for the caller.
    #[must_use]
    pub fn detail(mut self, detail: impl Into<String>) -> Self {
        self.0.detail = Some(detail.into());
        self
    }

    /// With the place in the body.
    #[must_use]
    pub fn pointer(mut self, pointer: impl Into<String>) -> Self {
        self.0.pointer = Some(pointer.into());
        self
    }

    /// For a fault that lies in no body.
    #[must_use]
    pub fn without_pointer(mut self) -> Self {
        self.0.pointer = None;
        self
    }

    /// With the parameter or header at fault.
    #[must_use]
    pub fn parameter(mut self, parameter: impl Into<String>) -> Self {
        self.0.parameter = Some(parameter.into());
        self
    }

    /// With the server's clock.
    #[must_use]
    pub fn now_ms(mut self, now_ms: i64) -> Self {
        self.0.now_ms = Some(now_ms);
        self
    }

    /// With the seconds to wait before trying again.
    #[must_use]
    pub fn retry_after_s(mut self, seconds: u32) -> Self {
        self.0.retry_after_s = Some(seconds);
        self
    }

    /// With what only the log may hold.
    #[must_use]
    pub fn inside(mut self, inside: impl ToString) -> Self {
        self.0.inside = Some(inside.to_string());
        self
    }

    /// A failure of the server itself.
    #[must_use]
    pub fn internal(inside: impl ToString) -> Self {
        Self::of(Problem::Internal).inside(inside)
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
        let refusal = match error {
            StoreError::Unavailable { .. } => Self::of(Problem::Unavailable).retry_after_s(UNAVAILABLE_RETRY_S),
            StoreError::Full { .. } => Self::of(Problem::StorageFull),
            StoreError::Damaged { .. }
            | StoreError::Corrupt { .. }
            | StoreError::Schema { .. }
            | StoreError::Failed { .. } => Self::of(Problem::Internal),
        };
        refusal.inside(error)
    }
}

impl From<NoRandomness> for Refusal {
    fn from(error: NoRandomness) -> Self {
        Self::internal(error)
    }
}
