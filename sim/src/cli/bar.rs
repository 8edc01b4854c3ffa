//! Progress of work that takes more than a second.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{self, IsTerminal};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

/// A bar on the standard error, for work that takes more than a second while someone looks.
pub(super) struct Bar {
    started: Instant,
    length: Option<u64>,
    form: &'static str,
    inner: OnceLock<ProgressBar>,
}

impl Bar {
    /// A bar for work of that length, shown in that form.
    pub(super) fn new(length: Option<u64>, form: &'static str) -> Self {
        Self { started: Instant::now(), length, form, inner: OnceLock::new() }
    }

    /// Shows how far the work has come.
    pub(super) fn show(&self, done: u64) {
        if self.inner.get().is_none()
            && (self.started.elapsed() < Duration::from_secs(1) || !io::stderr().is_terminal())
        {
            return;
        }
        let bar = self.inner.get_or_init(|| {
            let bar = ProgressBar::with_draw_target(self.length, ProgressDrawTarget::stderr());
            if let Ok(style) = ProgressStyle::with_template(self.form) {
                bar.set_style(style);
            }
            bar
        });
        bar.set_position(done);
    }

    /// Removes the bar.
    pub(super) fn clear(&self) {
        if let Some(bar) = self.inner.get() {
            bar.finish_and_clear();
        }
    }
}
