//! The contract of the storage port, one suite for every implementation.
//!
//! Each case runs on the store in memory, on SQLite and on PostgreSQL.

mod bed;
mod crew;
mod pushes;

use bed::Bed;

macro_rules! contract {
    ($($module:ident: $($case:ident),+ $(,)?;)+) => {
        mod memory { $($(#[tokio::test] async fn $case() { crate::$module::$case(super::Bed::memory().await).await })+)+ }
        mod sqlite { $($(#[tokio::test] async fn $case() { crate::$module::$case(super::Bed::sqlite().await).await })+)+ }
        mod postgres { $($(#[tokio::test] async fn $case() { crate::$module::$case(super::Bed::postgres().await).await })+)+ }
    };
}

contract! {
    pushes:
        a_push_is_taken_whole_and_held_when_it_comes_again,
    ;
}
