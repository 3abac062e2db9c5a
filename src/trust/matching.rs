//! What matching adds to the residuals, and what the ground filter refuses of the reference on slopes, with their warnings.

use crate::pipeline::Pipeline;
use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::{length, percent, thousands};
use crate::results::matching::Matching;
use crate::results::slope_row::SlopeRow;
use crate::results::statistics::Statistics;
use crate::stages::auto::Auto;
use crate::stages::ladder::RUNGS;
use crate::stages::list::Stage;
use crate::stages::matching_sums::{LEVELS, MatchingSums};
use crate::stages::method::Method;
use crate::stages::search::Search;
use crate::standards::MIN_CHECKPOINTS;
use crate::trust::warnings::MATCHING_SHARE;
use crate::units::Unit;

/// So many times its stated uncertainty, the scatter of the reference about its planes is no longer noise alone.
const BEYOND_STATED: f64 = 2.0;

/// What matching added, from its sums; nothing where nothing was matched.
pub fn matching(sums: &MatchingSums, pipeline: &Pipeline, units: Unit) -> Option<Matching> {
    let compare = pipeline.stages.iter().find_map(Stage::as_compare)?;
    let search = compare.search();
    // Mean squares are positive but for chance.
    let root =
        |sum: i128, n: i128| (n > 0).then(|| units.from_micrometres((sum as f64 / n as f64).max(0.0).sqrt()));
    let [noise, bend] = [root(sums.noise, sums.planes), root(sums.bend, sums.bent)];
    let residual_sd = root(sums.residual, sums.planes);
    let level = middle(&sums.levels);
    let radius_of = |level: usize| if level == LEVELS - 1 { search.reach_around() } else { RUNGS[level] };
    let spacing = level.and_then(|level| {
        // Where a near point is asked for there is one in any case.
        let there_anyway = if matches!(search, Search::Either(..)) { 1.0 } else { 0.0 };
        let others = sums.points[level] as f64 / sums.levels[level] as f64 - there_anyway;
        let area = std::f64::consts::PI * (radius_of(level) as f64).powi(2);
        (others > 0.0).then(|| units.from_micrometres((area / others).sqrt()))
    });
    let radius = match (compare.method(), compare.within()) {
        (Method::Plane, Auto::Fixed(within)) => Some(within.micrometres()),
        _ => middle(&sums.levels[..LEVELS - 1]).map(radius_of),
    };
    (sums.planes + sums.nearest > 0).then(|| Matching {
        method: compare.method().word(),
        planes: sums.planes as u64,
        nearest: sums.nearest as u64,
        radius: radius.filter(|_| sums.planes > 0).map(|um| units.from_micrometres(um as f64)),
        spacing,
        residual_sd,
        added_sd: noise.map(|noise| noise.hypot(bend.unwrap_or(0.0))),
        nearest_on_slope_sd: root(sums.climb, sums.sloped),
    })
}

/// The level of the middle comparison.
fn middle(levels: &[i128]) -> Option<usize> {
    let all: i128 = levels.iter().sum();
    let mut below = 0;
    levels.iter().position(|count| {
        below += count;
        all > 0 && 2 * below >= all
    })
}

/// Warnings of planes that do not follow the reference. `returns` are the figures by return, `uncertainty` that of the
/// reference, where it is stated.
pub fn plane_warning<'a>(
    matching: &Matching,
    returns: impl Iterator<Item = &'a Statistics>,
    uncertainty: Option<f64>,
    units: Unit,
) -> Option<Warning> {
    let (added, scatter) = matching.added_sd.zip(matching.residual_sd)?;
    let radius = matching.radius?;
    let sd = returns.filter(|row| row.compared >= MIN_CHECKPOINTS).filter_map(|row| row.sd);
    let smallest = sd.fold(f64::INFINITY, f64::min);
    let beyond = uncertainty.map_or(scatter > smallest, |stated| scatter > BEYOND_STATED * stated);
    let text = if added > MATCHING_SHARE * smallest {
        format!(
            "The planes fitted to the reference do not follow its relief: over a radius of {} they add about {} to the \
             scatter, beside an SD of {}. Leave `within` out, so that it follows the scan's spacing, or use `match: nearest`.",
            length(radius, units),
            length(added, units),
            length(smallest, units)
        )
    } else if beyond && scatter > MATCHING_SHARE * smallest {
        let stated = uncertainty.map_or(String::new(), |stated| {
            format!(", more than twice its stated uncertainty ({})", length(stated, units))
        });
        format!(
            "The reference scatters by {} about the planes fitted to it{stated}: the scan is noisier than stated, or there is \
             relief that planes of {} radius do not follow. Matching then adds {} to {} to the scatter.",
            length(scatter, units),
            length(radius, units),
            length(added, units),
            length(scatter, units)
        )
    } else {
        return None;
    };
    Some(Warning { code: WarningCode::PlanesDoNotFollow, text })
}

/// A slope class with less than this share of the reference's ground is left alone.
const NOTABLE: f64 = 0.02;

/// More than this share refused is reported.
pub const REFUSED: f64 = 0.05;

/// The slope classes that are not left alone.
fn notable(rows: &[SlopeRow]) -> impl Iterator<Item = &SlopeRow> {
    let all: u64 = rows.iter().map(|row| row.ground + row.slope_refused).sum();
    rows.iter().filter(move |row| (row.ground + row.slope_refused) as f64 >= NOTABLE * all as f64)
}

/// The largest share refused among the notable slope classes of the reference.
pub fn largest_refused(rows: &[SlopeRow]) -> Option<f64> {
    notable(rows).map(SlopeRow::share_refused).max_by(f64::total_cmp)
}

/// The warning of slope classes of the reference of which the ground filter refuses much.
pub fn slope_warning(rows: &[SlopeRow], survey_filtered: bool) -> Option<Warning> {
    let refused = notable(rows).filter(|row| row.share_refused() > REFUSED);
    let refused: Vec<String> = refused
        .map(|row| {
            let n = thousands(row.ground + row.slope_refused);
            format!("{} % where the slope is {} (n = {n})", percent(row.share_refused()), row.class())
        })
        .collect();
    (!refused.is_empty()).then(|| Warning {
        code: WarningCode::SlopeRefused,
        text: format!(
            "The ground filter refuses ground of the reference for its slope alone: {}. The figures then rest on the rest of \
             it{}. Set `local_slope: true` in `ground`, or make `cell` smaller.",
            refused.join(", "),
            if survey_filtered { ", and the survey is filtered alike" } else { "" }
        ),
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::trust::test_site::pipeline;

    fn row(slope: &str, ground: u64, slope_refused: u64) -> SlopeRow {
        SlopeRow { slope: slope.to_string(), ground, slope_refused, above_ground: slope_refused + 7 }
    }

    #[test]
    fn slopes_with_a_notable_share_refused_are_named() {
        assert_eq!(slope_warning(&[row("<0.1", 900, 40), row(">=0.4", 15, 4)], true), None);
        let text = slope_warning(&[row("<0.1", 900, 10), row("0.2-0.4", 90, 10), row(">=0.4", 30, 10)], true)
            .unwrap()
            .text;
        let named =
            "10.0 % where the slope is 20–40 % (n = 100), 25.0 % where the slope is 40 % and more (n = 40)";
        assert!(text.contains(named), "{text}");
    }

    #[test]
    fn matching_is_said_for_planes_and_for_nearest_points() {
        let pipeline = pipeline(json!({"stages": [{"compare": {}}]}));
        let mut sums =
            MatchingSums { planes: 3, residual: 48_000_000, noise: 3_000_000, ..MatchingSums::default() };
        assert_eq!(matching(&MatchingSums::default(), &pipeline, Unit::Metre), None);
        (sums.bent, sums.bend) = (2, 6_000_000);
        (sums.levels[1], sums.points[1]) = (3, 48);
        let found = matching(&sums, &pipeline, Unit::Metre).unwrap();
        assert_eq!((found.method, found.planes, found.nearest), ("auto", 3, 0));
        // √(1 + 3) mm of 4 mm scatter; 15 others within 21 mm.
        assert!((found.added_sd.unwrap() - 0.002).abs() < 1e-12, "{found:?}");
        assert_eq!((found.radius, found.residual_sd), (Some(0.021), Some(0.004)));
        let spacing = (std::f64::consts::PI / 15.0).sqrt() * 0.021;
        assert!((found.spacing.unwrap() - spacing).abs() < 1e-12, "{found:?}");
        let sums = MatchingSums { nearest: 9, sloped: 4, climb: 16_000_000, ..MatchingSums::default() };
        let found = matching(&sums, &pipeline, Unit::Metre).unwrap();
        assert_eq!((found.nearest_on_slope_sd, found.added_sd, found.radius), (Some(0.002), None, None));
    }

    #[test]
    fn planes_that_do_not_follow_are_reported_and_those_that_do_are_not() {
        let row = Statistics { compared: 1000, sd: Some(0.03), ..Statistics::default() };
        let mut matching = Matching {
            method: "plane",
            planes: 1000,
            nearest: 0,
            radius: Some(0.5),
            spacing: None,
            residual_sd: Some(0.008),
            added_sd: Some(0.002),
            nearest_on_slope_sd: None,
        };
        let warned = |matching: &Matching, stated| {
            plane_warning(matching, [&row].into_iter(), stated, Unit::Metre).map(|warning| warning.text)
        };
        assert_eq!(warned(&matching, Some(0.005)), None);
        matching.residual_sd = Some(0.012);
        assert!(
            warned(&matching, Some(0.005))
                .unwrap()
                .contains("more than twice its stated uncertainty (5.0 mm)")
        );
        assert_eq!(warned(&matching, None), None);
        matching.added_sd = Some(0.011);
        assert!(warned(&matching, Some(0.02)).unwrap().contains("they add about 11.0 mm"));
    }
}
