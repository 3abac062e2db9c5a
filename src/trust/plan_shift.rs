//! Agreement in plan: the shift of the survey against the reference, and the warning of it.

use crate::pipeline::Pipeline;
use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::{and_list, length, percent, signed_length_interval};
use crate::results::plan_shift::{PlanShift, ShiftRemoved, StripShift};
use crate::stages::compared::Compared;
use crate::stats::shift::{NoShift, STEEP_AT_LEAST, Shift, Shifts, Sloped, probability, shifts};
use crate::tile::strata::Cover;
use crate::trust::shift_sums::ShiftSums;
use crate::units::Unit;

/// Probability by chance below which a shift is told. Tried on made sites: see `tests/README.md`.
const SIGNIFICANT: f64 = 0.001;

/// A shift below this is not warned of, however well it is told, micrometres: coordinates of clouds are cut off, and thinned,
/// by as much. This program's own choice.
const MATTERS: f64 = 10_000.0;

/// Shift of the survey in plan from an even choice of comparisons and the sums of all; nothing where nothing was compared.
/// `centred` are the dz of the excerpt about the bias of their return and cover.
pub fn plan_shift(
    excerpt: &[Compared],
    centred: &[f64],
    sums: &ShiftSums,
    pipeline: &Pipeline,
    units: Unit,
) -> Option<PlanShift> {
    if excerpt.is_empty() {
        return None;
    }
    let mut out = PlanShift { slope_rms: sums.slope_rms(), ..PlanShift::default() };
    let none = |reason: &str, out: PlanShift| Some(PlanShift { reason: Some(reason.to_string()), ..out });
    if pipeline.reference.as_ref().is_some_and(|reference| reference.points.is_some()) {
        return none("surveyed points are too few and too far apart", out);
    }
    if !sums.is_sloped() {
        return none("the slope of the ground is not known without a ground filter of the survey", out);
    }
    let open = |one: &Compared| matches!(one.strata.cover, None | Some(Cover::Open));
    let sloped = |(one, dz): (&Compared, &f64)| {
        let gradient = one.gradient.filter(|_| open(one))?;
        let local = one.local_gradient?;
        Some(Sloped {
            at: [one.x, one.y],
            dz: dz.round() as i64,
            gradient,
            local,
            strip: one.strata.strip.unwrap_or(0),
        })
    };
    let sloped: Vec<Sloped> = excerpt.iter().zip(centred).filter_map(sloped).collect();
    let has_strips = excerpt.iter().any(|one| one.strata.strip.is_some());
    let found = shifts(&sloped);
    out.n = sloped.len() as u64;
    out.enough_slope = (found.all != Err(NoShift::FewPlaces)).then_some(found.steepness >= STEEP_AT_LEAST);
    if has_strips {
        out.strips = strips(&found, units);
    }
    let shift = match found.all {
        Ok(shift) => shift,
        Err(why) => {
            let reason = reason(why, sums);
            return none(&reason, out);
        }
    };
    let um = |um: f64| units.from_micrometres(um);
    [out.east, out.north] = shift.shift.map(|um| Some(units.from_micrometres(um)));
    [out.east_ci95, out.north_ci95] = ends(&shift, units).map(Some);
    out.significant = shift.probability < SIGNIFICANT && size(shift.shift) >= MATTERS;
    out.adds_sd = Some(um(sums.adds_sd(shift.shift)));
    out.share_explained = sums.share_explained(shift.shift);
    out.shift_removed = sums.without(shift.shift).map(|left| ShiftRemoved {
        compared: sums.dz.n,
        bias: um(left.bias),
        sd: left.sd.map(um),
        rmse: um(left.rmse),
    });
    Some(out)
}

fn size([east, north]: [f64; 2]) -> f64 {
    (east * east + north * north).sqrt()
}

fn ends(shift: &Shift, units: Unit) -> [[f64; 2]; 2] {
    let of = |axis: usize| {
        let (middle, half) = (shift.shift[axis], shift.half[axis]);
        [middle - half, middle + half].map(|um| units.from_micrometres(um))
    };
    [of(0), of(1)]
}

/// Each strip by itself, and whether it differs from the middle of all: half of them may be shifted before that moves.
fn strips(found: &Shifts, units: Unit) -> Vec<StripShift> {
    let known: Vec<&Shift> = found.strips.values().filter_map(|(_, own)| own.as_ref().ok()).collect();
    let n = known.len() as f64;
    let middle = [0, 1].map(|axis| {
        let mut values: Vec<f64> = known.iter().map(|own| own.shift[axis]).collect();
        values.sort_unstable_by(f64::total_cmp);
        let at = |i: usize| values.get(i).copied().unwrap_or(0.0);
        (at(values.len().saturating_sub(1) / 2) + at(values.len() / 2)) / 2.0
    });
    // A median of normal values varies π/2 times as much as their mean.
    let of_middle = |i: usize, j: usize| {
        known.iter().map(|own| own.covariance[i][j]).sum::<f64>() / (n * n) * std::f64::consts::FRAC_PI_2
    };
    let of_middle = [0, 1].map(|i| [0, 1].map(|j| of_middle(i, j)));
    let row = |(&strip, (count, own)): (&u16, &(u64, Result<Shift, NoShift>))| {
        let row = StripShift { strip, n: *count, ..StripShift::default() };
        let own = match own {
            Ok(own) => own,
            Err(why) => {
                let reason = match why {
                    NoShift::FewPlaces => "its comparisons lie in too few places",
                    NoShift::FewSlopes => "its slopes differ too little",
                };
                return StripShift { reason: Some(reason.to_string()), ..row };
            }
        };
        let apart = [0, 1].map(|axis| own.shift[axis] - middle[axis]);
        let covariance = [0, 1].map(|i| [0, 1].map(|j| own.covariance[i][j] + of_middle[i][j]));
        // Any of the strips may differ by chance.
        let p = n * probability(apart, covariance, own.blocks - 1.0);
        let differs = known.len() > 1 && size(apart) >= MATTERS && p < SIGNIFICANT;
        let [east, north] = own.shift.map(|um| Some(units.from_micrometres(um)));
        let [east_ci95, north_ci95] = ends(own, units).map(Some);
        StripShift { east, north, east_ci95, north_ci95, differs, ..row }
    };
    found.strips.iter().map(row).collect()
}

/// Slopes below this, root mean square, are nearly flat ground.
const NEARLY_FLAT: f64 = 0.02;

fn reason(why: NoShift, sums: &ShiftSums) -> String {
    let slope = sums.slope_rms().unwrap_or(0.0);
    match why {
        NoShift::FewPlaces => "the comparisons on open ground lie in too few places".to_string(),
        NoShift::FewSlopes if slope < NEARLY_FLAT => {
            format!("the ground is nearly flat (slopes of {} %, root mean square)", percent(slope))
        }
        NoShift::FewSlopes => format!(
            "the slopes ({} %, root mean square) differ too little in steepness or direction from place to place, so that a \
             shift cannot be told from a difference in level or a tilt",
            percent(slope)
        ),
    }
}

/// A shift for people: `52.1 mm east and 3.4 mm south`.
pub fn in_words(east: f64, north: f64, units: Unit) -> String {
    let side = |value: f64, positive, negative| {
        format!("{} {}", length(value.abs(), units), if value < 0.0 { negative } else { positive })
    };
    format!("{} and {}", side(east, "east", "west"), side(north, "north", "south"))
}

/// The warning of a shift of all, or of strips that differ.
pub fn warning(found: Option<&PlanShift>, units: Unit) -> Vec<Warning> {
    let Some(found) = found else { return Vec::new() };
    let mut parts = Vec::new();
    let differing: Vec<&StripShift> = found.strips.iter().filter(|strip| strip.differs).collect();
    if let (true, Some(east), Some(north)) = (found.significant, found.east, found.north) {
        let interval =
            |ends: Option<[f64; 2]>| ends.map_or(String::new(), |ends| signed_length_interval(ends, units));
        parts.push(format!(
            "The survey appears shifted in plan by {} against the reference{} (95 %: east {}, north {}). On slopes of {} % (root \
             mean square) this adds {} to the spread, {} % of the variance of dz.",
            in_words(east, north, units),
            if differing.is_empty() { "" } else { " on average" },
            interval(found.east_ci95),
            interval(found.north_ci95),
            percent(found.slope_rms.unwrap_or(0.0)),
            length(found.adds_sd.unwrap_or(0.0), units),
            percent(found.share_explained.unwrap_or(0.0)),
        ));
    }
    if !differing.is_empty() {
        let of = |strip: &&StripShift| {
            let words = in_words(strip.east.unwrap_or(0.0), strip.north.unwrap_or(0.0), units);
            format!("strip {} by {words}", strip.strip)
        };
        parts.push(format!(
            "Flight strips that are shifted in plan against the reference differently from the others: {}.",
            and_list(&differing.iter().map(of).collect::<Vec<_>>())
        ));
    }
    if parts.is_empty() {
        return Vec::new();
    }
    parts.push(
        "Check horizontal datum and base station of the survey, the registration of the reference, and boresight and strip \
         adjustment. The figures are as found; a row beside them has the shift taken out."
            .to_string(),
    );
    vec![Warning { code: WarningCode::PlanShift, text: parts.join(" ") }]
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::trust::test_site::{pipeline, site};

    fn of(all: &[Compared], pipeline: &Pipeline) -> PlanShift {
        let mut sums = ShiftSums::default();
        all.iter().for_each(|one| sums.slopes.add(one));
        all.iter().for_each(|one| sums.dz.add(one.dz));
        let centred: Vec<f64> = all.iter().map(|one| one.dz as f64).collect();
        plan_shift(all, &centred, &sums, pipeline, Unit::Metre).unwrap()
    }

    #[test]
    fn where_a_shift_cannot_be_told_there_is_a_reason_and_no_figure() {
        let list = pipeline(json!({"reference": {"points": "list.csv"}, "stages": [{"summarise": {}}]}));
        let mut all = site();
        all.iter_mut().for_each(|one| one.local_gradient = one.gradient);
        let mut no_slope = all.clone();
        no_slope.iter_mut().for_each(|one| (one.gradient, one.local_gradient) = (None, None));
        let mut under_trees = all.clone();
        under_trees.iter_mut().for_each(|one| one.strata.cover = Some(Cover::Canopy));
        for (found, reason) in [
            (of(&all, &list), "surveyed points are too few"),
            (of(&no_slope, &pipeline(json!({}))), "without a ground filter"),
            (of(&under_trees, &pipeline(json!({}))), "too few places"),
            // Slopes of 20 % towards the north everywhere.
            (of(&all, &pipeline(json!({}))), "the slopes (20.0 %, root mean square) differ too little"),
        ] {
            assert!(found.reason.as_ref().unwrap().contains(reason), "{found:?}");
            assert!(found.east.is_none() && found.north_ci95.is_none() && found.shift_removed.is_none());
            assert!(!found.significant && warning(Some(&found), Unit::Metre).is_empty());
        }
        assert_eq!(plan_shift(&[], &[], &ShiftSums::default(), &list, Unit::Metre), None);
    }

    #[test]
    fn the_warning_says_how_far_which_way_and_what_it_adds() {
        let strip = |strip, east, differs| StripShift {
            strip,
            east: Some(east),
            north: Some(-0.01),
            differs,
            ..StripShift::default()
        };
        let mut found = PlanShift {
            east: Some(-0.052),
            north: Some(0.021),
            east_ci95: Some([-0.060, -0.044]),
            north_ci95: Some([0.012, 0.030]),
            significant: true,
            slope_rms: Some(0.124),
            adds_sd: Some(0.0046),
            share_explained: Some(0.041),
            strips: vec![strip(101, 0.0, false), strip(102, -0.208, true)],
            ..PlanShift::default()
        };
        let text = &warning(Some(&found), Unit::Metre)[0].text;
        assert!(
            text.starts_with(
                "The survey appears shifted in plan by 52.0 mm west and 21.0 mm north against the reference on average (95 %: \
                 east −60.0 to −44.0 mm, north +12.0 to +30.0 mm). On slopes of 12.4 % (root mean square) this adds 4.6 mm to \
                 the spread, 4.1 % of the variance of dz. Flight strips that are shifted in plan against the reference \
                 differently from the others: strip 102 by 208.0 mm west and 10.0 mm south. Check"
            ),
            "{text}"
        );
        found.significant = false;
        assert!(warning(Some(&found), Unit::Metre)[0].text.starts_with("Flight strips"));
        found.strips[1].differs = false;
        assert!(warning(Some(&found), Unit::Metre).is_empty() && warning(None, Unit::Metre).is_empty());
    }
}
