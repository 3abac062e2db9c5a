//! How long each step of a run takes.

use std::time::Instant;

use serde::Serialize;

use crate::engine::watch::progress::duration;

/// A step of a run.
#[derive(Clone, Debug, Serialize)]
pub struct Step {
    /// What was done.
    pub step: &'static str,
    /// Wall time, seconds.
    pub seconds: f64,
}

/// Wall time of the steps of a run.
pub struct Clock {
    start: Instant,
    step: Instant,
    /// The steps so far.
    pub steps: Vec<Step>,
}

impl Clock {
    /// Starts now.
    pub fn start() -> Self {
        Clock { start: Instant::now(), step: Instant::now(), steps: Vec::new() }
    }

    /// Ends a step.
    pub fn step(&mut self, name: &'static str) {
        let seconds = self.step.elapsed().as_secs_f64();
        tracing::info!("{name}: {}", duration(seconds));
        self.steps.push(Step { step: name, seconds });
        self.step = Instant::now();
    }

    /// Seconds since the start.
    pub fn seconds(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }
}
