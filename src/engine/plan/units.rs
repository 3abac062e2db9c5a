//! The units of each source: what the pipeline file says, otherwise what the source states; what is missing is asked for, with
//! what each unit would make of it.

use crate::cloud::{Source, StatedUnit};
use crate::engine::plan::cloud_job::MetreBox;
use crate::pipeline::inputs::CloudUnits;
use crate::units::Unit;

/// One axis of a source.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    /// x and y.
    Horizontal,
    /// z.
    Vertical,
}

impl Axis {
    /// Its name in the pipeline file.
    pub fn word(self) -> &'static str {
        match self {
            Axis::Horizontal => "horizontal",
            Axis::Vertical => "vertical",
        }
    }

    /// What a source states.
    pub fn stated(self, source: &Source) -> &StatedUnit {
        match self {
            Axis::Horizontal => &source.crs().horizontal_unit,
            Axis::Vertical => &source.crs().vertical_unit,
        }
    }

    /// What the pipeline file says.
    pub fn given(self, units: CloudUnits) -> Option<Unit> {
        match self {
            Axis::Horizontal => units.horizontal,
            Axis::Vertical => units.vertical,
        }
    }
}

/// The other cloud: its role, its sources and what the pipeline file says of their units.
pub type Other<'a> = (&'static str, &'a [Source], CloudUnits);

/// Why an axis of a source has no unit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoUnit {
    /// It is in degrees.
    Degrees,
    /// The source does not say a unit that can be used: what it says, to follow its name.
    Unclear(String),
}

/// The unit of one axis of a source, with a note where the pipeline file overrides it.
///
/// # Errors
/// What is missing.
pub fn unit_of(source: &Source, axis: Axis, given: Option<Unit>) -> Result<(Unit, Option<String>), NoUnit> {
    let word = axis.word();
    let said = match (axis.stated(source), given) {
        (StatedUnit::Degrees, _) => return Err(NoUnit::Degrees),
        (StatedUnit::Stated(unit), Some(given)) if *unit != given => {
            let note = format!(
                "{} states its {word} unit as {} ({unit}); the pipeline file overrides it with {} ({given})",
                source.name(),
                unit.words(),
                given.words()
            );
            return Ok((given, Some(note)));
        }
        (_, Some(given)) => return Ok((given, None)),
        (StatedUnit::Stated(unit), None) => return Ok((*unit, None)),
        (StatedUnit::NotStated, None) => format!("does not state its {word} unit"),
        (StatedUnit::Contradictory(unit), None) => {
            format!("has a contradictory {word} unit: it is named {}, but its size is another", unit.words())
        }
        (StatedUnit::Other(what), None) => {
            format!("states its {word} unit as {what}, which is not supported")
        }
    };
    Err(NoUnit::Unclear(said))
}

impl NoUnit {
    /// What is wrong with these sources of a cloud, and the remedy: once, however many they are.
    pub fn told(&self, axis: Axis, sources: &[&Source], other: Option<&Other<'_>>) -> (String, String) {
        let said = match self {
            NoUnit::Degrees => "has x and y in degrees, in which no distance can be measured",
            NoUnit::Unclear(said) => said,
        };
        let message = format!("{} {said}{}", sources[0].name(), others_too(sources.len()));
        let choice = match (self, axis) {
            (NoUnit::Degrees, _) => {
                let help = "transform the cloud to a projected system in metres or feet first";
                return (message, help.to_string());
            }
            (_, Axis::Horizontal) => "`units: {horizontal: …}`, or `units: …` for all axes",
            (_, Axis::Vertical) => "`units: {vertical: …}`, or `units: …` for all axes",
        };
        let help = format!("state it beside `files:` as {choice}, with m, ft or ftUS");
        let compared = match axis {
            Axis::Vertical => elevations(sources, other),
            Axis::Horizontal => None,
        };
        (message, compared.map_or(help.clone(), |compared| format!("{help}. {compared}")))
    }
}

/// That what is said of the first of so many files holds for the others, in brackets.
pub fn others_too(files: usize) -> String {
    match files - 1 {
        0 => String::new(),
        1 => " (as is true of one other file)".to_string(),
        more => format!(" (as is true of {more} other files)"),
    }
}

/// What each unit would make of the elevations of sources, and those of the other cloud.
fn elevations(sources: &[&Source], other: Option<&Other<'_>>) -> Option<String> {
    let joined = |a: (f64, f64), b: (f64, f64)| (a.0.min(b.0), a.1.max(b.1));
    let range = |unit: Unit| {
        let ranges = sources.iter().filter_map(|source| Some(MetreBox::of(source, (unit, unit))?.z));
        ranges.reduce(joined)
    };
    let (metres, feet) = (range(Unit::Metre)?, range(Unit::Foot)?);
    let own = format!(
        "The elevations would lie between {:.1} and {:.1} m if they are in metres, between {:.1} and {:.1} m if in feet (ft and ftUS \
         differ by 2 in a million)",
        metres.0, metres.1, feet.0, feet.1
    );
    let (role, sources, given) = other?;
    let ranges = sources.iter().filter_map(|one| {
        let unit = given.vertical.or_else(|| one.crs().vertical_unit.unit())?;
        Some(MetreBox::of(one, (unit, unit))?.z)
    });
    Some(match ranges.reduce(joined) {
        Some((low, high)) => format!("{own}; those of the {role} lie between {low:.1} and {high:.1} m"),
        None => own,
    })
}
