//! Values that fit what the samples show, each with its reason.

use crate::cli::new::sample::Sample;
use crate::stages::compare::NEAREST;
use crate::stages::ground::Ground;

/// A value as the pipeline file has it, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// As in YAML.
    pub value: String,
    /// Why, in a line.
    pub why: String,
}

/// What goes into the pipeline file.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// Returns to compare.
    pub returns: Value,
    /// Of `ground`.
    pub cell: Value,
    /// Of `ground`.
    pub window_max: Value,
    /// Of `ground`.
    pub slope: Value,
    /// Of `ground`.
    pub local_slope: Value,
    /// Of `ground`.
    pub dh_initial: Value,
    /// Of `compare`; none without a reference.
    pub within: Option<Value>,
    /// What a person should know.
    pub notes: Vec<String>,
}

/// Cells that are offered, metres.
const CELLS: [f64; 6] = [0.25, 0.5, 1.0, 2.0, 3.0, 5.0];
/// Last returns that a cell should hold on the average: of these, a few reach the ground under trees.
const LAST_RETURNS_A_CELL: f64 = 4.0;
/// Slopes above which the first window refuses ground that `local_slope` keeps.
const STEEP: f64 = 0.36;
/// Share of the ground points that should find a reference point.
const SHARE: f64 = 0.02;
/// Widest `within` that is suggested, metres: beyond it distance × slope is more than what is measured.
const WIDEST: f64 = 0.1;

impl Suggestion {
    /// For a survey and its reference.
    pub fn of(survey: &Sample, reference: Option<&Sample>) -> Self {
        let ground = Ground::default();
        let wanted = (LAST_RETURNS_A_CELL / survey.last_returns.max(1e-6)).sqrt();
        let cell = CELLS.into_iter().find(|cell| *cell >= wanted * 0.8).unwrap_or(CELLS[CELLS.len() - 1]);
        let default_window = ground.window_max.exact_metres();
        let window =
            survey.roof.map_or(default_window, |roof| (roof * 1.2 + 2.0 * cell).ceil().max(default_window));
        let steep = survey.steep.unwrap_or(0.0);
        let slope = (steep * 10.0).ceil().clamp(3.0, 10.0) / 10.0;
        let highest = survey.highest_return;
        let numbers: Vec<String> = (1..=highest).map(|number| number.to_string()).collect();
        let mut notes = Vec::new();
        if survey.classified > 0.01 {
            notes.push(format!(
                "{:.0} % of the survey's points are of class 2 (ground) already. To grade that classification instead of the \
                 filter's, write `ground: {{from: classes}}`.",
                100.0 * survey.classified
            ));
        }
        Suggestion {
            returns: Value {
                value: format!("[{}]", numbers.join(", ")),
                why: format!("the sample has returns 1 to {highest}; leave out those not to be graded"),
            },
            cell: Value {
                value: metres(cell),
                why: format!(
                    "{} last returns a square metre in a file: {:.0} a cell on the average",
                    decimal(survey.last_returns),
                    survey.last_returns * cell * cell
                ),
            },
            window_max: Value {
                value: metres(window),
                why: match survey.roof {
                    Some(roof) => format!("the widest roof seen in the sample is about {} across; more is needed", metres(roof)),
                    None => "no roof was seen in the sample: the default; it must exceed the widest building".to_string(),
                },
            },
            slope: Value {
                value: format!("{slope}"),
                why: match survey.steep {
                    Some(steep) => {
                        format!("19 of 20 places of the sample are less steep than {:.0} % (rise over run)", 100.0 * steep)
                    }
                    None => "the default: the sample lies too far apart to tell slopes".to_string(),
                },
            },
            local_slope: Value {
                value: (steep > STEEP).to_string(),
                why: if steep > STEEP {
                    "steep ground: without it the first window refuses true ground".to_string()
                } else {
                    "only for ground steeper than about 36 %".to_string()
                },
            },
            dh_initial: Value {
                value: ground.dh_initial.to_string(),
                why: "several times the noise of the last returns, which only a run can tell: raise it where the report says \
                      that residuals are truncated"
                    .to_string(),
            },
            within: reference.map(|reference| within(reference, steep)),
            notes,
        }
    }
}

/// How near a reference point must lie for enough comparisons.
fn within(reference: &Sample, steep: f64) -> Value {
    let spacing = 1.0 / reference.density.max(1e-9).sqrt();
    // What `within: auto` looks within.
    let near = NEAREST.exact_metres();
    let share = |radius: f64| 1.0 - (-reference.density * std::f64::consts::PI * radius * radius).exp();
    if share(near) >= SHARE {
        return Value {
            value: "auto".to_string(),
            why: format!(
                "the reference has a point each {} or so: {:.0} % of the ground points on it lie within {NEAREST} of one",
                length(spacing),
                100.0 * share(near)
            ),
        };
    }
    let wanted = (-(1.0 - SHARE).ln() / (std::f64::consts::PI * reference.density.max(1e-9))).sqrt();
    let radius = ((wanted * 200.0).ceil() / 200.0).min(WIDEST);
    Value {
        value: length(radius),
        why: format!(
            "the reference has a point each {} or so: {:.1} % of the ground points on it lie that near to one; a distance of {} on \
             a slope of {:.0} % adds up to {}",
            length(spacing),
            100.0 * share(radius),
            length(radius),
            100.0 * steep,
            length(radius * steep)
        ),
    }
}

/// `0.5 m`.
fn metres(value: f64) -> String {
    format!("{} m", decimal(value))
}

/// `15 mm` or `0.5 m`.
fn length(metres: f64) -> String {
    if metres < 0.2 { format!("{:.0} mm", metres * 1000.0) } else { format!("{} m", decimal(metres)) }
}

fn decimal(value: f64) -> String {
    let text = if value < 10.0 { format!("{value:.2}") } else { format!("{value:.0}") };
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn survey() -> Sample {
        Sample {
            points: 1,
            last_returns: 25.0,
            density: 40.0,
            highest_return: 5,
            steep: Some(0.12),
            ..Sample::default()
        }
    }

    #[test]
    fn a_drone_survey_of_gentle_ground_gets_what_the_defaults_are_made_for() {
        let found = Suggestion::of(&survey(), None);
        assert_eq!((found.cell.value.as_str(), found.window_max.value.as_str()), ("0.5 m", "18 m"));
        assert_eq!((found.slope.value.as_str(), found.local_slope.value.as_str()), ("0.3", "false"));
        assert_eq!((found.returns.value.as_str(), found.within), ("[1, 2, 3, 4, 5]", None));
    }

    #[test]
    fn values_follow_the_data() {
        let thin =
            Sample { last_returns: 1.0, roof: Some(30.0), steep: Some(0.55), classified: 0.4, ..survey() };
        let dense_scan = Sample { density: 10_000.0, ..Sample::default() };
        let found = Suggestion::of(&thin, Some(&dense_scan));
        assert_eq!((found.cell.value.as_str(), found.window_max.value.as_str()), ("2 m", "40 m"));
        assert_eq!((found.slope.value.as_str(), found.local_slope.value.as_str()), ("0.6", "true"));
        assert!(found.notes[0].contains("40 %") && found.notes[0].contains("from: classes"));
        assert_eq!(found.within.unwrap().value, "auto");
        let thin_scan = Sample { density: 4.0, ..Sample::default() };
        let within = Suggestion::of(&thin, Some(&thin_scan)).within.unwrap();
        assert_eq!(within.value, "45 mm");
        assert!(within.why.contains("adds up to 25 mm"), "{}", within.why);
    }
}
