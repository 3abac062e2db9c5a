//! Where the progress of runs is shown: bars on a terminal, or none.

use std::io::{self, IsTerminal, Write};

use indicatif::{MultiProgress, ProgressBar};

/// Standard error with its progress bars. Clones share it: what is written to one goes above the bars of all. The default
/// one has no bars.
#[derive(Clone, Debug, Default)]
pub struct Screen {
    bars: Option<MultiProgress>,
}

impl Screen {
    /// A screen with bars where standard error is a terminal.
    pub fn of_stderr() -> Self {
        Screen { bars: io::stderr().is_terminal().then(MultiProgress::new) }
    }

    /// Shows a new bar below the others, where there are bars.
    pub(super) fn show(&self, bar: impl FnOnce() -> ProgressBar) -> Option<ProgressBar> {
        self.bars.as_ref().map(|bars| bars.add(bar()))
    }

    /// Takes a bar away.
    pub(super) fn remove(&self, bar: &ProgressBar) {
        bar.finish_and_clear();
        if let Some(bars) = &self.bars {
            bars.remove(bar);
        }
    }
}

impl Write for Screen {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let write = || io::stderr().write_all(bytes);
        match &self.bars {
            Some(bars) => bars.suspend(write),
            None => write(),
        }?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}
