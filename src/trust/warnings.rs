//! What could fool the reader, said in words that tell what to do.

use rayon::prelude::*;

use crate::pipeline::Pipeline;
use crate::results::confidence::{Compliance, Correlation, LimitResult, Warning};
use crate::results::format::{in_words, length, listed, percent, thousands};
use crate::results::summary::Statistics;
use crate::stages::compared::Compared;
use crate::stages::list::Stage;
use crate::stages::matching::Method;
use crate::standards::{BIAS_SHARE, MIN_CHECKPOINTS, REFERENCE_FACTOR};
use crate::trust::compliance::{Reference, metres};
use crate::trust::diagnose::{centred, lopsided, matching_error, strips_apart, tilt};
use crate::trust::groups::{Group, Groups, Role};
use crate::units::{Micrometres, Unit};

/// Blocks below which an interval is a rough guess.
const FEW_BLOCKS: u64 = 15;

/// Share of comparisons near the limit of the ground filter from which on its cut shows.
const MANY_NEAR_LIMIT: f64 = 0.02;

/// The matching error matters from this share of the smallest SD on: it then adds 5 % to it.
const MATCHING_SHARE: f64 = 0.32;

/// Everything that warnings are drawn from. Rows and compliances go with the groups.
pub struct Findings<'a> {
    /// The pipeline.
    pub pipeline: &'a Pipeline,
    /// The groups.
    pub groups: &'a Groups,
    /// Their figures.
    pub rows: &'a [Statistics],
    /// How they stand.
    pub compliances: &'a [Compliance],
    /// An even choice of comparisons, sorted.
    pub excerpt: &'a [Compared],
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// How far places are alike.
    pub correlation: &'a Correlation,
    /// The reference's own error.
    pub reference: &'a Reference,
    /// The client's limits.
    pub accepted: &'a [LimitResult],
    /// The unit of the report.
    pub units: Unit,
}

/// All warnings, the gravest first.
pub fn warnings(f: &Findings) -> Vec<Warning> {
    if f.rows.iter().all(|row| row.compared == 0) {
        return Vec::new();
    }
    let checks: [fn(&Findings) -> Vec<Warning>; 8] = [
        cut_tail,
        reference_too_coarse,
        bias,
        across_the_site,
        wide_radius,
        lopsided_groups,
        few_checkpoints,
        few_blocks,
    ];
    checks.into_par_iter().flat_map_iter(|check| check(f)).collect()
}

fn one(code: &'static str, text: String) -> Vec<Warning> {
    vec![Warning { code, text }]
}

/// The groups that a reader looks at first: each return, and open and canopy.
fn main_groups<'a>(f: &'a Findings) -> impl Iterator<Item = (&'a Group, &'a Statistics, &'a Compliance)> {
    let all = f
        .groups
        .all
        .iter()
        .zip(f.rows)
        .zip(f.compliances)
        .map(|((group, row), compliance)| (group, row, compliance));
    all.filter(|(group, row, _)| !matches!(group.role, Role::Crossed | Role::All) && row.compared > 0)
}

fn cut_tail(f: &Findings) -> Vec<Warning> {
    let told = main_groups(f).filter(|(group, ..)| matches!(group.role, Role::Return(_)));
    let told = told.filter_map(|(group, row, _)| {
        let truncation_corrected = row.truncation_corrected.as_ref()?;
        let near = truncation_corrected.within_sd_of_limit.filter(|near| *near >= MANY_NEAR_LIMIT)?;
        let name = in_words(&group.by);
        let text = match (row.bias.zip(row.sd), truncation_corrected.bias.zip(truncation_corrected.sd)) {
            (Some((mean, sd)), Some((true_mean, true_sd))) => format!(
                "{name}: bias {} and SD {} as compared, about {} and {} with the cut undone",
                length(mean, f.units),
                length(sd, f.units),
                length(true_mean, f.units),
                length(true_sd, f.units)
            ),
            _ => format!("{name}: the cut cannot be undone with this sample"),
        };
        Some(format!("{text} ({} % of its comparisons lie within one SD of their limit)", percent(near)))
    });
    let told: Vec<String> = told.collect();
    if told.is_empty() {
        return Vec::new();
    }
    one(
        "cut_tail",
        format!(
            "The ground filter accepts a point only up to a limit, and some returns reach it: their upper tail is missing, \
             and they look better than they are. {}. Raise `dh_initial`, or go by the figures with the cut undone.",
            told.join("; ")
        ),
    )
}

fn reference_too_coarse(f: &Findings) -> Vec<Warning> {
    let Some(sigma) = f.reference.uncertainty else {
        return one(
            "reference_uncertainty_unknown",
            "The file states no `uncertainty` of the reference: RMSE_V is taken as the fit alone, which is too \
             favourable. State it, one sigma, vertical."
                .to_string(),
        );
    };
    let asked = f.accepted.iter().filter(|limit| limit.measure == "class").map(|limit| limit.bound);
    let asked = asked.fold(f64::INFINITY, f64::min);
    let met =
        f.compliances.iter().find(|compliance| compliance.name == Some("NVA")).or(f.compliances.first());
    let met = met.and_then(|compliance| compliance.class_cm).map(|cm| cm / 100.0 / metres(1.0, f.units));
    let class = if asked.is_finite() { asked } else { met.unwrap_or(f64::INFINITY) };
    if sigma * REFERENCE_FACTOR <= class * (1.0 + 1e-9) {
        return Vec::new();
    }
    one(
        "reference_too_coarse",
        format!(
            "The reference's own uncertainty ({}) is more than half of the class that is tested ({}): checkpoints should be \
             at least twice as accurate. What is claimed for that class rests on too coarse a reference.",
            length(sigma, f.units),
            length(class, f.units)
        ),
    )
}

fn bias(f: &Findings) -> Vec<Warning> {
    let told = f.groups.all.iter().zip(f.compliances).filter(|(group, compliance)| {
        !matches!(group.role, Role::Crossed) && compliance.bias_within_guidance == Some(false)
    });
    let names: Vec<String> = told.map(|(group, _)| in_words(&group.by)).collect();
    if names.is_empty() {
        return Vec::new();
    }
    one(
        "bias",
        format!(
            "The bias of {} is more than {} % of the class that its RMSE_V meets: the standard asks for the cause to be \
             looked into and reported. Look at vertical datum and geoid, calibration, and a known offset of the reference.",
            listed(&names),
            percent(BIAS_SHARE).trim_end_matches(".0")
        ),
    )
}

fn rmse_of_all(f: &Findings) -> f64 {
    f.rows[0].rmse.map_or(0.0, |rmse| rmse * f.units.micrometres())
}

/// A tilt across the site, and strips that disagree.
fn across_the_site(f: &Findings) -> Vec<Warning> {
    let centred = centred(f.excerpt);
    let rmse = rmse_of_all(f);
    let length = |um: f64| length(f.units.from_micrometres(um), f.units);
    let tilt = tilt(f.excerpt, &centred, f.block, rmse).map(|tilt| Warning {
        code: "tilt",
        text: format!(
            "dz changes across the site: it rises towards the {} by {} from one end to the other. A single bias does not \
             describe it: look at the registration of the reference and of the strips.",
            towards(tilt.gradient),
            length(tilt.range)
        ),
    });
    let apart = strips_apart(f.excerpt, &centred, f.block, rmse).map(|apart| Warning {
        code: "strips_differ",
        text: format!(
            "Flight strips disagree: strip {} lies {} above strip {} on average. Add `strip` to `by` of `summarise` to see \
             each, and look at the strip adjustment.",
            apart.strips[1],
            length(apart.difference),
            apart.strips[0]
        ),
    });
    tilt.into_iter().chain(apart).collect()
}

/// The nearest of the eight directions to (east, north).
fn towards([east, north]: [f64; 2]) -> &'static str {
    // A half of the angle between two directions, 22.5°, has the tangent √2 − 1.
    let along = |one: f64, other: f64| one.abs() < (2f64.sqrt() - 1.0) * other.abs();
    match (along(north, east), along(east, north), east > 0.0, north > 0.0) {
        (true, _, true, _) => "east",
        (true, _, false, _) => "west",
        (_, true, _, true) => "north",
        (_, true, _, false) => "south",
        (_, _, true, true) => "north-east",
        (_, _, false, true) => "north-west",
        (_, _, true, false) => "south-east",
        (_, _, false, false) => "south-west",
    }
}

fn wide_radius(f: &Findings) -> Vec<Warning> {
    let compare = f.pipeline.stages.iter().find_map(Stage::as_compare);
    let Some(compare) = compare.filter(|compare| compare.method == Method::Nearest) else {
        return Vec::new();
    };
    let within = compare.reach();
    let Some(error) = matching_error(f.excerpt, within.micrometres()) else { return Vec::new() };
    let sds =
        main_groups(f).filter(|(_, row, _)| row.compared >= MIN_CHECKPOINTS).filter_map(|(_, row, _)| row.sd);
    let smallest = sds.fold(f64::INFINITY, f64::min);
    let error = f.units.from_micrometres(error);
    if error <= MATCHING_SHARE * smallest {
        return Vec::new();
    }
    one(
        "wide_radius",
        format!(
            "The matching radius ({within}) is wide for the slope here: taking the nearest reference point that far off adds \
             up to {} to the spread, beside an SD of {}. Make `within` smaller, or use `match: plane`.",
            length(error, f.units),
            length(smallest, f.units)
        ),
    )
}

fn lopsided_groups(f: &Findings) -> Vec<Warning> {
    let mut high = Vec::new();
    for (group, row, _) in main_groups(f) {
        let member = |one: &&Compared| {
            f.groups.finest_of(&one.strata).is_some_and(|finest| group.members.contains(&finest))
        };
        let mut dz: Vec<i64> = f.excerpt.iter().filter(member).map(|one| one.dz).collect();
        dz.sort_unstable();
        let independent = row.n_effective.unwrap_or(row.compared as f64).min(dz.len() as f64);
        if lopsided(&dz, independent).is_some_and(|skew| skew > 0.0) {
            high.push(in_words(&group.by));
        }
    }
    if high.is_empty() {
        return Vec::new();
    }
    one(
        "skew",
        format!(
            "dz of {} is lopsided towards high values, as it is where low vegetation is taken for ground. The median then \
             tells more of the ground than the bias does; a smaller `dh_initial` or a later season may help.",
            listed(&high)
        ),
    )
}

fn few_checkpoints(f: &Findings) -> Vec<Warning> {
    let few = main_groups(f).filter(|(_, row, _)| {
        row.compared < MIN_CHECKPOINTS || row.n_effective.is_some_and(|n| n < MIN_CHECKPOINTS as f64)
    });
    let few: Vec<String> = few
        .map(|(group, row, _)| match row.n_effective {
            Some(n) if row.compared >= MIN_CHECKPOINTS => {
                format!(
                    "{} ({}, worth about {} independent ones)",
                    in_words(&group.by),
                    thousands(row.compared),
                    n.round()
                )
            }
            _ => format!("{} ({})", in_words(&group.by), thousands(row.compared)),
        })
        .collect();
    if few.is_empty() {
        return Vec::new();
    }
    one(
        "few_checkpoints",
        format!(
            "Fewer than {MIN_CHECKPOINTS} independent checkpoints: {}. The standard asks for {MIN_CHECKPOINTS} and for a \
             statement where there are fewer; take these figures as a hint.",
            listed(&few)
        ),
    )
}

fn few_blocks(f: &Findings) -> Vec<Warning> {
    if let (Some(range), Some(block)) = (f.correlation.range, f.correlation.block)
        && range > block
        && f.correlation.blocks >= FEW_BLOCKS
    {
        return one(
            "long_range",
            format!(
                "dz is alike up to about {}, farther than the blocks of {} that the reference leaves room for: the intervals \
                 may be too narrow. A reference spread over more of the site would settle more than more points in the \
                 same places.",
                length(range, f.units),
                length(block, f.units)
            ),
        );
    }
    if f.correlation.blocks >= FEW_BLOCKS {
        return Vec::new();
    }
    one(
        "few_blocks",
        format!(
            "The comparisons fall into {} blocks only: the intervals are rough. A reference spread over more of the site would \
             settle more than more points in the same places.",
            f.correlation.blocks
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::towards;

    #[test]
    fn a_direction_is_the_nearest_of_eight() {
        // 360° = east, anticlockwise; each name holds 22.5° on either side.
        let names =
            ["east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east"];
        for (i, name) in (0..).zip(names) {
            for off in [-22.0, 0.0, 22.0] {
                let angle = f64::to_radians(45.0 * f64::from(i) + off);
                assert_eq!(towards([0.3 * angle.cos(), 0.3 * angle.sin()]), name, "{off}");
            }
        }
    }
}
