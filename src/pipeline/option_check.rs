//! The check of one option at a time, as the checks of all groups of options use it.

use crate::pipeline::explain::name;
use crate::pipeline::locate::Seg;
use crate::pipeline::problem::Notes;
use crate::units::Length;

/// Longest length of an option: beyond it a unit is most likely mistaken.
pub(super) const LONGEST: Length = Length::metres(100_000.0);

/// Checks the options of one group.
pub(super) struct OptionCheck<'c, 'n> {
    pub path: &'c [Seg],
    pub notes: &'c mut Notes<'n>,
}

impl OptionCheck<'_, '_> {
    pub(super) fn path_to(&self, key: &str) -> Vec<Seg> {
        [self.path, &[key.into()]].concat()
    }

    /// Notes a problem with an option, unless it has one already.
    pub(super) fn wrong(&mut self, key: &str, why: &str, label: &str, help: Option<&str>) {
        let path = self.path_to(key);
        if !self.notes.known(&path) {
            let message = format!("{} {why}", name(&path));
            self.notes.value(&path, message, label.to_string(), help.map(str::to_string));
        }
    }

    pub(super) fn positive(&mut self, key: &str, length: Length) {
        // Lengths are whole micrometres: less than half of one is zero.
        if length.micrometres() <= 0 {
            self.wrong(key, &format!("is `{length}`"), "expected a length above 0", None);
        } else {
            self.not_too_long(key, length, LONGEST);
        }
    }

    pub(super) fn at_least(&mut self, key: &str, length: Length, least: Length, label: &str) {
        if length.micrometres() < least.micrometres() {
            self.wrong(key, &format!("is `{length}`"), label, None);
        } else {
            self.not_too_long(key, length, LONGEST);
        }
    }

    pub(super) fn not_too_long(&mut self, key: &str, length: Length, most: Length) {
        if length.micrometres().saturating_abs() > most.micrometres() {
            let label = format!("expected {most} at most");
            self.wrong(key, &format!("is `{length}`"), &label, Some("check the unit after the number"));
        }
    }

    /// A list that is given must hold something.
    pub(super) fn filled(&mut self, key: &str, length: Option<usize>) {
        if length == Some(0) {
            let help = (key != "files").then_some("leave it out to use the default");
            self.wrong(key, "is an empty list", "expected at least one entry", help);
        }
    }

    /// Whether neither of two options has a problem already.
    pub(super) fn both_right(&self, keys: [&str; 2]) -> bool {
        !keys.iter().any(|key| self.notes.known(&self.path_to(key)))
    }

    /// The first of two options that the file gives: the other has its default and is not in the file.
    pub(super) fn first_given(&self, keys: [&'static str; 2]) -> &'static str {
        keys.into_iter().find(|key| self.notes.given(&self.path_to(key))).unwrap_or(keys[0])
    }
}
