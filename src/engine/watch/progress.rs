//! How far the work is: a live bar on a terminal, a plain line now and then otherwise and in the log.

use std::fmt;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressState, ProgressStyle};
use tracing::Level;

use crate::engine::watch::Watch;
use crate::results::format::thousands;

/// Time between two plain lines.
const EVERY: Duration = Duration::from_secs(30);

/// One step of the work and how far it is.
pub struct Progress<'a> {
    watch: &'a Watch,
    doing: &'static str,
    unit: &'static str,
    total: u64,
    done: AtomicU64,
    started: Instant,
    last_line: Mutex<Instant>,
    bar: Option<ProgressBar>,
}

impl<'a> Progress<'a> {
    /// Starts a step of `total` things (`unit` says of what).
    pub fn start(watch: &'a Watch, doing: &'static str, unit: &'static str, total: u64) -> Self {
        let bar = watch.screen.show(|| {
            let style = ProgressStyle::with_template(
                "{prefix} {wide_bar} {percent} %  {human_pos} {msg}, {rate} a second, {eta} left",
            )
            .expect("the template is fixed")
            .with_key("rate", |state: &ProgressState, to: &mut dyn fmt::Write| {
                let _ = to.write_str(&thousands(state.per_sec().round() as u64));
            });
            ProgressBar::new(total).with_style(style).with_prefix(doing).with_message(unit)
        });
        let now = Instant::now();
        Progress {
            watch,
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
        }
        if let Ok(mut last) = self.last_line.try_lock()
            && last.elapsed() >= EVERY
        {
            *last = Instant::now();
            let line = self.line(done, self.started.elapsed());
            match self.bar {
                Some(_) => self.watch.log(Level::INFO, &line),
                None => self.watch.info(&line),
            }
        }
    }

    /// How far the step is, in words.
    fn line(&self, done: u64, elapsed: Duration) -> String {
        let rate = done as f64 / elapsed.as_secs_f64().max(1e-9);
        let left = self.total.saturating_sub(done) as f64 / rate.max(1e-9);
        let (count, total, unit) = (thousands(done), thousands(self.total), self.unit);
        let percent = (100.0 * done as f64 / self.total.max(1) as f64).floor();
        // A slow step counts in minutes, or its rate would say nothing.
        let rate = match rate {
            rate if rate < 1.0 => format!("{:.1} a minute", rate * 60.0),
            rate => format!("{} a second", thousands(rate.round() as u64)),
        };
        format!("{}: {percent} %, {count} of {total} {unit}, {rate}, {} left", self.doing, duration(left))
    }
}

impl Drop for Progress<'_> {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            self.watch.screen.remove(bar);
        }
    }
}

/// Seconds in words: `0.4 s`, `12 s`, `1 min 30 s`, `2 h 5 min`.
pub fn duration(seconds: f64) -> String {
    if seconds < 9.95 {
        return format!("{seconds:.1} s");
    }
    let whole = seconds.round() as u64;
    let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
    match (hours, minutes, seconds) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_told_as_finely_as_is_of_use() {
        let written: Vec<String> = [0.04, 9.96, 90.0, 3600.0, 7530.0].map(duration).into();
        assert_eq!(written, ["0.0 s", "10 s", "1 min 30 s", "1 h", "2 h 5 min"]);
    }

    #[test]
    fn a_plain_line_tells_rate_and_time_left() {
        let watch = Watch::default();
        let line = |total, done, seconds| {
            Progress::start(&watch, "reading the survey", "points", total)
                .line(done, Duration::from_secs(seconds))
        };
        assert_eq!(
            line(210_000_000, 84_000_000, 60),
            "reading the survey: 40 %, 84,000,000 of 210,000,000 points, 1,400,000 a second, 1 min 30 s left"
        );
        assert!(line(40, 10, 600).ends_with("25 %, 10 of 40 points, 1.0 a minute, 30 min left"));
    }
}
