//! How far the work is: a live bar on a terminal, a plain line now and then otherwise.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

/// Time between two plain lines.
const EVERY: Duration = Duration::from_secs(30);

/// One step of the work and how far it is.
pub struct Progress {
    doing: &'static str,
    unit: &'static str,
    total: u64,
    done: AtomicU64,
    started: Instant,
    last_line: Mutex<Instant>,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Starts a step of `total` things (`unit` says of what).
    pub fn start(doing: &'static str, unit: &'static str, total: u64) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let style = ProgressStyle::with_template(
                "{prefix:>22} {bar:30} {percent:>3} %  {human_pos} {msg}, {per_sec} {eta} left",
            )
            .expect("the template is fixed");
            ProgressBar::new(total).with_style(style).with_prefix(doing).with_message(unit)
        });
        let now = Instant::now();
        Progress {
            doing,
            unit,
            total,
            done: AtomicU64::new(0),
            started: now,
            last_line: Mutex::new(now),
            bar,
        }
    }

    /// `count` more things are done.
    pub fn advance(&self, count: u64) {
        let done = self.done.fetch_add(count, Ordering::Relaxed) + count;
        if let Some(bar) = &self.bar {
            bar.inc(count);
            return;
        }
        if let Ok(mut last) = self.last_line.try_lock()
            && last.elapsed() >= EVERY
        {
            *last = Instant::now();
            let seconds = self.started.elapsed().as_secs_f64();
            let rate = done as f64 / seconds;
            let left = self.total.saturating_sub(done) as f64 / rate;
            tracing::info!(
                "{}: {done} of {} {}, {rate:.0} a second, {left:.0} s left",
                self.doing,
                self.total,
                self.unit
            );
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
