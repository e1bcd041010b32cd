//! Documents on paper: when they are set, and how long that may take.
//!
//! Promises: setting a document keeps a processor busy, so it is done on a thread of its own, few at once
//! ([`PRINTS_MAX`]) and for a bounded time; who waits too long is told so. A server built without the feature `print`
//! says that it was.
//!
//! Never: how a document looks. That is `pintle_print`.

use super::{App, Refusal};
use pintle_core::Held;
use pintle_core::bill::calendar::Day;
use pintle_core::bill::document::Document;
use pintle_core::ids::PublicKey;
use pintle_openapi::endpoints::bills::Paper;

#[cfg(feature = "print")]
pub use with::Press;
#[cfg(not(feature = "print"))]
pub use without::Press;

#[cfg(feature = "print")]
mod with {
    use super::{App, Day, Document, Held, Paper, PublicKey, Refusal};
    use crate::limits::{BUSY_RETRY_S, PRINT_DEADLINE, PRINT_WAIT, PRINTS_MAX};
    use flate2::bufread::GzDecoder;
    use pintle_core::history::record::{Reading, Record};
    use pintle_core::history::summary::Summary;
    use pintle_openapi::Problem;
    use pintle_print::PrintError;
    use std::io::{BufRead as _, BufReader};
    use std::sync::Arc;
    use std::time::Duration;
    use tokio::sync::Semaphore;
    use tokio::task::spawn_blocking;
    use tokio::time::timeout;

    /// Where documents are set, one after the other.
    pub struct Press {
        room: Arc<Semaphore>,
        wait: Duration,
        deadline: Duration,
    }

    impl Default for Press {
        fn default() -> Self {
            Self { room: Arc::new(Semaphore::new(PRINTS_MAX)), wait: PRINT_WAIT, deadline: PRINT_DEADLINE }
        }
    }

    impl Press {
        async fn print<F>(&self, set: F) -> Result<Vec<u8>, Refusal>
        where
            F: FnOnce() -> Result<Vec<u8>, PrintError> + Send + 'static,
        {
            let Ok(permit) = timeout(self.wait, Arc::clone(&self.room).acquire_owned()).await else {
                return Err(Refusal::of(Problem::Busy).retry_after_s(BUSY_RETRY_S));
            };
            let permit = permit.map_err(Refusal::internal)?;
            let set = spawn_blocking(move || {
                let set = set();
                // Not before it is done, also when nobody waits for it any more.
                drop(permit);
                set
            });
            let Ok(set) = timeout(self.deadline, set).await else {
                let detail = format!("it takes longer than {} s", self.deadline.as_secs());
                return Err(Refusal::of(Problem::TooLongToPrint).detail(detail));
            };
            set.map_err(Refusal::internal)?.map_err(|error| match error {
                PrintError::TooManyPages { .. } => Refusal::of(Problem::TooLongToPrint).detail(error.to_string()),
                PrintError::Layout(_) | PrintError::Pdf(_) => Refusal::internal(error),
            })
        }
    }

    fn paper(paper: Paper) -> pintle_print::Paper {
        match paper {
            Paper::A4 => pintle_print::Paper::A4,
            Paper::Letter => pintle_print::Paper::Letter,
        }
    }

    impl App {
        /// A draft or bill on paper.
        ///
        /// # Errors
        /// `too-long-to-print`, `busy` with the seconds to wait; `no-typesetter` where there is none.
        pub(in crate::app) async fn print_bill(
            &self,
            document: Document,
            made: Day,
            on: Paper,
        ) -> Result<Vec<u8>, Refusal> {
            self.press.print(move || pintle_print::bill::pdf(&document, made, paper(on))).await
        }

        /// A service history on paper: what the file holds, checked with the key that signed it. `entries` are the same, with
        /// their positions.
        ///
        /// # Errors
        /// `too-long-to-print`, `busy` with the seconds to wait; `no-typesetter` where there is none.
        pub(in crate::app) async fn print_history(
            &self,
            file: Vec<u8>,
            entries: Vec<Held>,
            signer: PublicKey,
            on: Paper,
        ) -> Result<Vec<u8>, Refusal> {
            let set = move || {
                let record = record(&file, &entries, signer)?;
                pintle_print::history::pdf(&file, &record, &Summary::of(&record), paper(on))
            };
            self.press.print(set).await
        }
    }

    /// What a history file holds that was made a moment ago.
    fn record(file: &[u8], entries: &[Held], signer: PublicKey) -> Result<Record, PrintError> {
        let wrong = |detail: String| PrintError::Layout(format!("the history file is not what was written: {detail}"));
        let mut reading = Reading::new(Some(signer));
        for line in BufReader::new(GzDecoder::new(file)).split(b'\n') {
            reading.line(&line.map_err(|error| wrong(error.to_string()))?);
        }
        let mut record = reading.finish();
        match record.lend_positions(entries) {
            0 => Ok(record),
            without => Err(wrong(format!("{without} entries have no position"))),
        }
    }

    #[cfg(test)]
    mod tests {
        use super::*;
        use std::sync::mpsc;

        /// The first document is never done before the test lets it, however long that takes.
        #[tokio::test]
        async fn who_waits_too_long_is_told_and_the_next_is_served() {
            let at_once = Duration::from_millis(1);
            let press = Press { wait: at_once, deadline: at_once, ..Press::default() };
            let (end, ended) = mpsc::channel::<()>();
            let long = press.print(move || {
                ended.recv().map_err(|error| PrintError::Layout(error.to_string()))?;
                Ok(vec![1])
            });
            let refused = long.await.expect_err("it takes for ever");
            assert_eq!(refused.problem, Problem::TooLongToPrint);
            assert_eq!(press.print(|| Ok(vec![2])).await.expect_err("the first is still set").problem, Problem::Busy);
            end.send(()).expect("it is still there");
            // The thread gives the room back; nothing but that is waited for.
            let room = Arc::clone(&press.room).acquire_owned().await.expect("it is open");
            drop(room);
            let press = Press { room: press.room, ..Press::default() };
            assert_eq!(press.print(|| Ok(vec![2])).await, Ok(vec![2]));
        }

        #[tokio::test]
        async fn pages_are_the_callers_and_mistakes_are_ours() {
            let press = Press::default();
            let pages = press.print(|| Err(PrintError::TooManyPages { pages: 9_999 })).await.expect_err("too many");
            assert_eq!((pages.problem, pages.inside.is_none()), (Problem::TooLongToPrint, true));
            let layout = press.print(|| Err(PrintError::Layout("unknown variable".into()))).await.expect_err("ours");
            assert_eq!((layout.problem, layout.detail.is_none()), (Problem::Internal, true));
        }
    }
}

#[cfg(not(feature = "print"))]
mod without {
    use super::{App, Day, Document, Held, Paper, PublicKey, Refusal};
    use pintle_openapi::Problem;

    /// Nothing.
    #[derive(Default)]
    pub struct Press;

    impl Press {
        fn refusal(&self) -> Refusal {
            Refusal::of(Problem::NoTypesetter)
        }
    }

    impl App {
        /// No document.
        ///
        /// # Errors
        /// `no-typesetter`.
        pub(in crate::app) async fn print_bill(&self, _: Document, _: Day, _: Paper) -> Result<Vec<u8>, Refusal> {
            Err(self.press.refusal())
        }

        /// No document.
        ///
        /// # Errors
        /// `no-typesetter`.
        pub(in crate::app) async fn print_history(
            &self,
            _: Vec<u8>,
            _: Vec<Held>,
            _: PublicKey,
            _: Paper,
        ) -> Result<Vec<u8>, Refusal> {
            Err(self.press.refusal())
        }
    }
}
