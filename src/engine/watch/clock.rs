//! How long each step of a run takes.

use std::time::Instant;

use serde::Serialize;

use crate::engine::watch::progress::duration;
use crate::engine::watch::{Stopped, Watch};

/// A step of a run.
#[derive(Clone, Debug, Serialize)]
pub struct Step {
    /// What was done.
    pub step: &'static str,
    /// Wall time, seconds.
    pub seconds: f64,
}

/// Wall time of the steps of a run.
pub struct Clock<'a> {
    watch: &'a Watch,
    start: Instant,
    step: Instant,
    /// The steps so far.
    pub steps: Vec<Step>,
}

impl<'a> Clock<'a> {
    /// Starts now.
    pub fn start(watch: &'a Watch) -> Self {
        Clock { watch, start: Instant::now(), step: Instant::now(), steps: Vec::new() }
    }

    /// The watch that the steps are reported to.
    pub fn watch(&self) -> &'a Watch {
        self.watch
    }

    /// Ends a step; between two steps is a good place to stop.
    ///
    /// # Errors
    /// Where the run has been asked to.
    pub fn step(&mut self, name: &'static str) -> Result<(), Stopped> {
        let seconds = self.step.elapsed().as_secs_f64();
        self.watch.info(&format!("{name}: {}", duration(seconds)));
        self.steps.push(Step { step: name, seconds });
        self.step = Instant::now();
        self.watch.check()
    }

    /// Seconds since the start.
    pub fn seconds(&self) -> f64 {
        self.start.elapsed().as_secs_f64()
    }
}
