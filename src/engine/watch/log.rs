//! The log of a run: what was done when, for people, in a file beside the results.

use std::fmt::Write as _;
use std::fs::{File, OpenOptions};
use std::io::{self, Write as _};
use std::path::Path;

use tracing::Level;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::{FormatTime, SystemTime};

/// A log that is being written; it is closed when this is dropped.
#[derive(Debug)]
pub struct RunLog(File);

impl RunLog {
    /// Continues the log at `path`, or begins one.
    ///
    /// # Errors
    /// Where the file cannot be opened.
    pub fn open(path: &Path) -> io::Result<Self> {
        OpenOptions::new().create(true).append(true).open(path).map(RunLog)
    }

    /// Writes a line with the time (UTC). A log that cannot be written is no reason to end the run.
    pub fn write(&self, level: Level, line: &str) {
        let mut text = String::new();
        let _ = SystemTime.format_time(&mut Writer::new(&mut text));
        let _ = write!(text, " {level:>5} ");
        for char in line.chars() {
            // File names may hold what a terminal takes for a command.
            match char {
                '\n' | '\t' => text.push(char),
                _ if char.is_control() => text.extend(char.escape_default()),
                _ => text.push(char),
            }
        }
        text.push('\n');
        // In one piece, so that lines of several workers do not mix.
        let _ = (&self.0).write_all(text.as_bytes());
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn a_line_has_its_time_and_level_and_the_log_is_gone_on_with() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.txt");
        RunLog::open(&path).unwrap().write(Level::INFO, "read the survey: 0.4 s");
        RunLog::open(&path).unwrap().write(Level::ERROR, "a\x1b[1m.laz: cut off\nCopy it again");
        let text = fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let [first, second, third] = lines[..] else { panic!("{text}") };
        for line in [first, second] {
            assert!(line.starts_with("20") && line[..27].ends_with('Z'), "{line}");
        }
        assert_eq!(&first[27..], "  INFO read the survey: 0.4 s");
        assert_eq!((&second[27..], third), (" ERROR a\\u{1b}[1m.laz: cut off", "Copy it again"));
    }
}
