//! Watching a run: its log, its progress, and the wish to stop it.
//!
//! Whoever starts a run makes a [`Watch`] and hands it to the engine, which passes it on to all work. Nothing of it is
//! global, so that runs in one process are independent of each other.

pub(crate) mod clock;
mod log;
pub(crate) mod progress;
pub mod screen;

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tracing::Level;

use crate::engine::watch::log::RunLog;
use crate::engine::watch::screen::Screen;

/// The run was asked to stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the run was stopped as asked")]
pub struct Stopped;

/// How a run is watched and stopped. The default one shows no progress bar.
///
/// Workers [check](Watch::check) between two blocks or tiles and leave with an error like any other, so that finished
/// work is kept.
#[derive(Debug, Default)]
pub struct Watch {
    stop: Arc<AtomicBool>,
    screen: Screen,
    log: Option<RunLog>,
}

impl Watch {
    /// A watch that stops the run once `stop` is set, and shows its progress on `screen`.
    pub fn new(stop: Arc<AtomicBool>, screen: Screen) -> Self {
        Watch { stop, screen, log: None }
    }

    /// The same with a log of its own at `path`, which is begun or continued.
    ///
    /// # Errors
    /// Where the file cannot be opened.
    pub fn with_log(&self, path: &Path) -> io::Result<Self> {
        Ok(Watch { stop: self.stop.clone(), screen: self.screen.clone(), log: Some(RunLog::open(path)?) })
    }

    /// Whether the run has been asked to stop.
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// An error once the run has been asked to stop.
    ///
    /// # Errors
    /// See above.
    pub fn check(&self) -> Result<(), Stopped> {
        if self.is_stopped() { Err(Stopped) } else { Ok(()) }
    }

    /// Reports what is done.
    pub fn info(&self, line: &str) {
        tracing::info!("{line}");
        self.log(Level::INFO, line);
    }

    /// Reports what needs a person's attention.
    pub fn warn(&self, line: &str) {
        tracing::warn!("{line}");
        self.log(Level::WARN, line);
    }

    /// Writes a line to the log alone.
    pub fn log(&self, level: Level, line: &str) {
        if let Some(log) = &self.log {
            log.write(level, line);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_watch_is_stopped_by_its_own_flag_alone() {
        let flag = Arc::new(AtomicBool::new(false));
        let (one, other) = (Watch::new(flag.clone(), Screen::default()), Watch::default());
        let folder = tempfile::tempdir().unwrap();
        let logged = one.with_log(&folder.path().join("log.txt")).unwrap();
        assert_eq!((one.check(), logged.check()), (Ok(()), Ok(())));
        flag.store(true, Ordering::Relaxed);
        assert_eq!((one.check(), logged.check(), other.check()), (Err(Stopped), Err(Stopped), Ok(())));
    }
}
