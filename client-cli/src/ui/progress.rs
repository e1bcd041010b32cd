//! A line that moves while long work goes on: on a terminal only, and only once the work turns out to be long.
//!
//! Promises: nothing moves for work that is done in a moment, in a pipe, or for a program. Never the answer itself:
//! when the line is gone, nothing is missing.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Exchanges after which a sync is long: a normal day needs one or two.
const LONG_EXCHANGES: u64 = 2;

/// A line that moves; it goes away when dropped.
pub struct Bar {
    bar: Option<ProgressBar>,
}

impl Bar {
    /// One that shows nothing.
    #[must_use]
    pub fn hidden() -> Self {
        Self { bar: None }
    }

    /// One that shows itself once the work is long.
    #[must_use]
    pub fn shown() -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{spinner} {wide_msg}") {
            bar.set_style(style);
        }
        Self { bar: Some(bar) }
    }

    /// So far.
    pub fn set(&mut self, exchanges: u64, message: String) {
        self.tell(exchanges >= LONG_EXCHANGES, message);
    }

    /// So far, of what takes long.
    pub fn show(&mut self, message: String) {
        self.tell(true, message);
    }

    fn tell(&mut self, takes_long: bool, message: String) {
        let Some(bar) = &self.bar else { return };
        if takes_long && bar.is_hidden() {
            bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        bar.set_message(message);
        bar.tick();
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
