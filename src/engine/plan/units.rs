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

/// The unit of one axis of a source, with a note where the pipeline file overrides it.
///
/// # Errors
/// What is missing, and the remedy.
pub fn unit_of(
    source: &Source,
    axis: Axis,
    given: Option<Unit>,
    other: Option<&Other<'_>>,
) -> Result<(Unit, Option<String>), (String, String)> {
    let (file_name, word) = (source.name(), axis.word());
    let problem = match (axis.stated(source), given) {
        (StatedUnit::Degrees, _) => {
            return Err((
                format!("{file_name} has x and y in degrees, in which no distance can be measured"),
                "transform the cloud to a projected system in metres or feet first".to_string(),
            ));
        }
        (StatedUnit::Stated(unit), Some(given)) if *unit != given => {
            let note = format!(
                "{file_name} states its {word} unit as {} ({unit}); the pipeline file overrides it with {} ({given})",
                unit.words(),
                given.words()
            );
            return Ok((given, Some(note)));
        }
        (_, Some(given)) => return Ok((given, None)),
        (StatedUnit::Stated(unit), None) => return Ok((*unit, None)),
        (StatedUnit::NotStated, None) => format!("{file_name} does not state its {word} unit"),
        (StatedUnit::Contradictory(unit), None) => format!(
            "{file_name} has a contradictory {word} unit: it is named {}, but its size is another",
            unit.words()
        ),
        (StatedUnit::Other(what), None) => {
            format!("{file_name} states its {word} unit as {what}, which is not supported")
        }
    };
    let choice = match axis {
        Axis::Horizontal => "`units: {horizontal: …}`, or `units: …` for all axes",
        Axis::Vertical => "`units: {vertical: …}`, or `units: …` for all axes",
    };
    let remedy = format!("state it beside `files:` as {choice}, with m, ft or ftUS");
    let compared = match axis {
        Axis::Vertical => elevations(source, other),
        Axis::Horizontal => None,
    };
    Err((problem, compared.map_or(remedy.clone(), |compared| format!("{remedy}. {compared}"))))
}

/// What each unit would make of the elevations of a source, and those of the other cloud.
fn elevations(source: &Source, other: Option<&Other<'_>>) -> Option<String> {
    let range = |unit: Unit| MetreBox::of(source, (unit, unit)).map(|stated| stated.z);
    let (metres, feet) = (range(Unit::Metre)?, range(Unit::Foot)?);
    let own = format!(
        "Its elevations would lie between {:.1} and {:.1} m if they are in metres, between {:.1} and {:.1} m if in feet (ft and ftUS \
         differ by 2 in a million)",
        metres.0, metres.1, feet.0, feet.1
    );
    let (role, sources, given) = other?;
    let ranges = sources.iter().filter_map(|one| {
        let unit = given.vertical.or_else(|| one.crs().vertical_unit.unit())?;
        Some(MetreBox::of(one, (unit, unit))?.z)
    });
    let all = ranges.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    Some(match all {
        Some((low, high)) => format!("{own}; those of the {role} lie between {low:.1} and {high:.1} m"),
        None => own,
    })
}
