//! What only a terminal has: a width, and bars that show how far work has come.

use std::io::{IsTerminal, stderr, stdout};
use std::time::Duration;

use indicatif::{HumanDuration, ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Work shorter than this shows no bar.
const PATIENCE: Duration = Duration::from_millis(500);
/// Reading that takes less shows no bar.
pub(super) const LONG: Duration = Duration::from_secs(2);

/// The columns of the terminal that results go to; `None` where it is none.
pub(super) fn width() -> Option<u16> {
    stdout().is_terminal().then(|| console::Term::stdout().size().1.clamp(60, 200))
}

/// Whether anybody sees how far work has come.
pub(super) fn shows_progress() -> bool {
    stderr().is_terminal()
}

/// A bar. It shows itself on a terminal only, and only when the work lasts; it goes with its value.
pub(super) struct Bar(ProgressBar);

impl Bar {
    /// For steps of which the number is known.
    pub(super) fn of_steps(steps: usize, name: &str) -> Self {
        Self::begun(steps as u64, &format!("{{pos}} of {{len}} {name} {{bar:30}} {{eta}} left"))
    }

    /// For samples, of which the number comes later.
    pub(super) fn of_samples() -> Self {
        Self::begun(0, "{percent}% of the samples {bar:30} {eta} left")
    }

    /// For reading in several passes; not seen before the first news.
    pub(super) fn of_passes() -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden());
        bar.set_style(style("pass {prefix}: {percent}% of {total_bytes} read {bar:30} {msg} left"));
        Self(bar)
    }

    fn begun(steps: u64, template: &str) -> Self {
        if !shows_progress() {
            return Self(ProgressBar::hidden());
        }
        let bar = ProgressBar::new(steps);
        bar.set_style(style(template));
        bar.enable_steady_tick(PATIENCE);
        Self(bar)
    }

    /// One step more is done.
    pub(super) fn step(&self) {
        self.0.inc(1);
    }

    /// So much is done, of so much where that is known.
    pub(super) fn at(&self, done: u64, of: Option<u64>) {
        if let Some(of) = of {
            self.0.set_length(of);
        }
        self.0.set_position(done);
    }

    /// A pass, counted from 1, has come to a position.
    pub(super) fn pass(&self, pass: u64, position: u64, whole: u64, left: Duration) {
        self.0.set_length(whole);
        self.0.set_position(position);
        self.0.set_prefix(pass.to_string());
        // The bar's own guess begins with its first sight.
        self.0.set_message(HumanDuration(left).to_string());
        if self.0.is_hidden() {
            self.0.set_draw_target(ProgressDrawTarget::stderr());
            self.0.enable_steady_tick(PATIENCE);
        }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

fn style(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}
