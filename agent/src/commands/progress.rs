//! How far long work has come: on a terminal, on standard error, and nowhere else.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A line on the terminal that says how far the work has come, and is gone with its end. Where standard error is a pipe or
/// a file it writes nothing.
pub struct Progress(ProgressBar);

impl Progress {
    /// Work of which nobody knows the end: `what` is what is counted. Nothing is shown where `shown` is false.
    pub fn of(what: &'static str, shown: bool) -> Self {
        let target = if shown { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
        let bar = ProgressBar::with_draw_target(None, target);
        if let Ok(style) = ProgressStyle::with_template("{elapsed} {human_pos} {msg}, {per_sec}") {
            bar.set_style(style);
        }
        bar.set_message(what);
        bar.tick();
        bar.enable_steady_tick(Duration::from_millis(200));
        Progress(bar)
    }

    /// So many more are done.
    pub fn add(&self, more: u64) {
        self.0.inc(more);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}
