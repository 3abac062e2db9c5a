//! Whether all clouds count their elevations from the same surface.

use crate::cloud::Source;
use crate::pipeline::model::CloudInput;
use crate::units::Micrometres;

/// A problem with the files of a cloud: what is wrong, and what to do.
pub struct VerticalProblem {
    /// `survey` or `reference`.
    pub role: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub help: &'static str,
}

/// What the headers say of vertical systems.
#[derive(Default)]
pub struct Verticals {
    /// What a person should know.
    pub notes: Vec<String>,
    /// What is wrong.
    pub problem: Option<VerticalProblem>,
}

const BETWEEN: &str = "elevations would differ by the distance of the two surfaces: transform one cloud, or state what was done with \
    `vertical_shift: 0.123 m` and `why:` beside the reference's files, added to every elevation of the reference (`0 m` where both \
    names mean one system)";

const WITHIN: &str =
    "transform the files to one vertical system first: within a cloud elevations are taken as they are";

/// Compares the vertical systems of all files.
pub fn verticals(survey: &[Source], reference: Option<(&[Source], &CloudInput)>) -> Verticals {
    let mut found = Verticals::default();
    found.within("survey", survey);
    let Some((sources, input)) = reference else { return found };
    // Scans in their own frames have no vertical system: that of the control counts, which no file states.
    let is_registered = input.register.is_some();
    if !is_registered {
        found.within("reference", sources);
    }
    // Files that are silent may stand beside others that speak.
    let speaks = |sources: &[Source]| {
        sources.iter().find(|source| source.crs().states_vertical()).or(sources.first()).cloned()
    };
    let (Some(a), Some(b)) = (speaks(survey), speaks(sources)) else { return found };
    if let Some(shift) = input.vertical_shift {
        let why = input.why.as_deref().unwrap_or_default();
        found.notes.push(format!(
            "{} to the elevations of the reference: {}",
            added(shift.micrometres(), &shift.to_string()),
            why.trim()
        ));
        return found;
    }
    if !is_registered {
        found.compare("reference", &a, &b, BETWEEN);
    }
    found
}

/// How the shift reads in a sentence.
fn added(shift: Micrometres, text: &str) -> String {
    if shift == 0 { "nothing is added".to_string() } else { format!("{text} is added") }
}

impl Verticals {
    fn within(&mut self, role: &'static str, sources: &[Source]) {
        let Some(first) = sources.first() else { return };
        for other in &sources[1..] {
            if other.path() != first.path() {
                self.compare(role, first, other, WITHIN);
            }
        }
    }

    /// Compares two sources; the first problem and the first note of a kind are enough.
    fn compare(&mut self, role: &'static str, a: &Source, b: &Source, help: &'static str) {
        let says = |source: &Source| format!("{} is in {}", source.name(), source.crs().describe_vertical());
        match a.crs().same_vertical(b.crs()) {
            Some(true) => {}
            Some(false) => {
                self.problem.get_or_insert(VerticalProblem {
                    role,
                    message: format!("different vertical systems: {}, {}", says(a), says(b)),
                    help,
                });
            }
            None if a.crs().states_vertical() || b.crs().states_vertical() => {
                let both = a.crs().states_vertical() && b.crs().states_vertical();
                let why =
                    if both { "these cannot be compared" } else { "one does not state its vertical system" };
                let (a, b) = if a.crs().states_vertical() { (a, b) } else { (b, a) };
                let other = match both {
                    true => says(b),
                    false => format!("{} states none", b.name()),
                };
                let note = format!("{}, {other}: {why}, and the same one is assumed", says(a));
                let known = |known: &String| {
                    known.contains("and the same one is assumed") && known.contains("vertical system")
                };
                if !self.notes.iter().any(known) {
                    self.notes.push(note);
                }
            }
            None => {}
        }
    }
}
