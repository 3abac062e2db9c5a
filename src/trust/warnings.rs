//! Warnings: reasons to doubt the figures, and what to do about them.

use rayon::prelude::*;

use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::{and_list, capitalised, length, percent, signed_length, thousands};
use crate::results::group_key::{GroupKey, Property};
use crate::results::statistics::Statistics;
use crate::stages::auto::Auto;
use crate::stages::compared::Compared;
use crate::stages::list::{Stage, is_delivered, summarise_of};
use crate::stages::method::Method;
use crate::standards::{BIAS_SHARE, MIN_CHECKPOINTS, REFERENCE_FACTOR};
use crate::tile::points::Cloud;
use crate::tile::strata::{By, Cover};
use crate::trust::compass::compass_direction;
use crate::trust::compliance::{class_that_counts, metres, sizes, widened};
use crate::trust::diagnose::{matching_error, quantile_skewness, strip_discrepancy, tilt};
use crate::trust::findings::Findings;
use crate::trust::groups::{Group, Role};
use crate::trust::low_outliers::low_outliers;
use crate::trust::plan_shift;
use crate::trust::represented::missing;
use crate::trust::wider::{SPREAD, wider_than_blocks};

/// Blocks below which an interval is approximate.
const FEW_BLOCKS: u64 = 15;

/// Share of comparisons near the limit of the ground filter from which on truncation shows.
pub(crate) const MANY_NEAR_LIMIT: f64 = 0.02;

/// The matching error matters from this share of the smallest SD on: it then adds 5 % to it.
pub const MATCHING_SHARE: f64 = 0.32;

/// All warnings, the gravest first.
pub fn warnings(f: &Findings) -> Vec<Warning> {
    if f.rows.iter().all(|row| row.compared == 0) {
        return Vec::new();
    }
    let checks: &[fn(&Findings) -> Vec<Warning>] = &[
        low_outliers,
        upper_tail,
        reference_uncertainty,
        bias,
        across_the_site,
        |f| plan_shift::warning(f.plan_shift, f.units),
        wide_radius,
        few_checkpoints,
        few_blocks,
        wider_than_blocks,
        not_represented,
        noise_as_low_vegetation,
    ];
    checks.par_iter().flat_map_iter(|check| check(f)).collect()
}

fn one(code: WarningCode, text: String) -> Vec<Warning> {
    vec![Warning { code, text }]
}

/// The groups that a reader looks at first: each return, and open and vegetated ground.
fn main_groups<'a>(f: &'a Findings) -> impl Iterator<Item = (&'a Group, &'a Statistics)> {
    let all = f.groups.all.iter().zip(f.rows);
    let is_main = |role| match role {
        Role::Return(_) | Role::Vegetated => true,
        Role::Cover(cover) => cover == Cover::Open,
        Role::All | Role::Crossed => false,
    };
    all.filter(move |(group, row)| is_main(group.role) && row.compared > 0)
}

fn not_represented(f: &Findings) -> Vec<Warning> {
    let missing = missing(f.represented);
    let shares = missing.map(|row| format!("{} ({} %)", row.by, percent(row.ground_share.unwrap_or(0.0))));
    let shares: Vec<String> = shares.collect();
    if shares.is_empty() {
        return Vec::new();
    }
    one(
        WarningCode::NotRepresented,
        format!(
            "No comparison represents these parts of the survey's ground: {}. The figures say nothing about them.",
            and_list(&shares)
        ),
    )
}

/// Share of the ground below which next to nothing is open.
const NEXT_TO_NOTHING: f64 = 0.05;
/// A first return in six hundred lies that many SD above the ground, so that in the usual radius there is soon one: the height
/// of low vegetation must be well above that.
const NOISE_REACHES: f64 = 3.0;

fn noise_as_low_vegetation(f: &Findings) -> Vec<Warning> {
    let covers = &f.represented.covers;
    let share = |cover: Cover| {
        let row = covers.iter().find(|row| row.by == GroupKey::new([Property::Cover(Some(cover))]));
        row.and_then(|row| row.ground_share).unwrap_or(0.0)
    };
    let first = f.groups.all.iter().zip(f.rows).find(|(group, _)| group.role == Role::Return(1));
    let Some(sd) = first.and_then(|(_, row)| row.sd) else { return Vec::new() };
    let summarise = summarise_of(&f.pipeline.stages);
    let low = summarise.low_vegetation_height;
    let low = f.units.from_micrometres(low.exact_micrometres());
    if covers.is_empty()
        || share(Cover::Open) >= NEXT_TO_NOTHING
        || share(Cover::Low) <= NEXT_TO_NOTHING
        || low >= NOISE_REACHES * sd
    {
        return Vec::new();
    }
    one(
        WarningCode::NoiseAsLowVegetation,
        format!(
            "Next to none of the ground counts as open: first returns on it scatter by {} (SD), so that their noise passes for low \
             vegetation of {}. Set `low_vegetation_height` of `summarise` to five times the SD; until then there is no figure \
             for open ground (NVA) to rely on.",
            length(sd, f.units),
            length(low, f.units)
        ),
    )
}

/// Truncation by the ground filter and positive skewness: what they ask of `dh_initial` is contrary, so that one place
/// advises on both.
fn upper_tail(f: &Findings) -> Vec<Warning> {
    let (truncated, skewed) = (truncated(f), skewed(f));
    let advice = match (truncated.is_empty(), skewed.is_empty()) {
        (false, true) => "Raise `dh_initial`, or use the corrected figures.",
        (true, false) if is_delivered(&f.pipeline.stages, Cloud::Survey) => {
            "Have the classification reviewed where vegetation is low; another season may help."
        }
        (true, false) => "A smaller `dh_initial` or another season may help.",
        _ => {
            "No other `dh_initial` puts that right: a larger one would accept more of the low vegetation, a smaller one truncate \
             more of the ground. Judge by median and NMAD, or survey in another season."
        }
    };
    let mut all = Vec::new();
    if !truncated.is_empty() {
        let advice = if skewed.is_empty() { format!(" {advice}") } else { String::new() };
        all.extend(one(
            WarningCode::CutTail,
            format!(
                "The ground-filter threshold truncates the residuals of some returns: what lies above it is not accepted as \
                 ground, so that bias and SD come out too low. Affected: {}.{advice}",
                truncated.join("; ")
            ),
        ));
    }
    if !skewed.is_empty() {
        all.extend(one(
            WarningCode::Skew,
            format!(
                "dz of {} is positively skewed, as it is where low vegetation is accepted as ground. The median then describes \
                 the ground better than the bias does. {advice}",
                and_list(&skewed)
            ),
        ));
    }
    all
}

/// The returns whose upper tail is truncated, with their figures.
fn truncated(f: &Findings) -> Vec<String> {
    let returns = main_groups(f).filter(|(group, _)| matches!(group.role, Role::Return(_)));
    let truncated = returns.filter_map(|(group, row)| {
        let corrected = row.truncation_corrected.as_ref()?;
        let near = corrected.within_sd_of_limit.filter(|near| *near >= MANY_NEAR_LIMIT)?;
        let [bias, sd] = [signed_length, length];
        let figures = match (row.bias.zip(row.sd), corrected.bias.zip(corrected.sd)) {
            (Some(observed), Some(corrected)) => format!(
                "bias {} and SD {} observed, {} and {} corrected",
                bias(observed.0, f.units),
                sd(observed.1, f.units),
                bias(corrected.0, f.units),
                sd(corrected.1, f.units)
            ),
            _ => format!("not corrected ({})", corrected.reason.as_deref().unwrap_or("no estimate")),
        };
        Some(format!(
            "{}, {figures} ({} % of {} comparisons within 1 SD of the limit)",
            group.by,
            percent(near),
            thousands(row.compared)
        ))
    });
    truncated.collect()
}

/// No uncertainty of the reference, or one that is too large for the class tested.
fn reference_uncertainty(f: &Findings) -> Vec<Warning> {
    let Some(sigma) = f.reference.uncertainty else {
        return one(
            WarningCode::ReferenceUncertaintyUnknown,
            "The pipeline file states no `uncertainty` of the reference: RMSE_V is then the RMSE to the reference alone, which \
             is too favourable. State it, vertical, as one standard deviation."
                .to_string(),
        );
    };
    let Some((class_cm, _)) = class_that_counts(f.limits, f.compliances, f.units) else { return Vec::new() };
    let class = f.units.from_micrometres(class_cm * 10_000.0);
    if sigma * REFERENCE_FACTOR <= class * (1.0 + 1e-9) {
        return Vec::new();
    }
    one(
        WarningCode::ReferenceTooCoarse,
        format!(
            "The vertical uncertainty of the reference ({}) is more than half of the class tested ({}): checkpoints should be \
             at least twice as accurate as the class. This reference does not support a claim for that class.",
            length(sigma, f.units),
            length(class, f.units)
        ),
    )
}

/// Groups whose bias is beyond the guidance with all of its interval, what the reference itself may be off included: many
/// a group has a bias near the guidance by chance.
fn bias(f: &Findings) -> Vec<Warning> {
    let beyond = f.groups.all.iter().zip(f.rows).zip(f.compliances).filter(|((group, row), compliance)| {
        let removed = compliance.offset_removed.as_ref();
        let (bias, ci95, class) = match removed {
            Some(removed) => (removed.bias, removed.bias_ci95, removed.class_cm),
            None => (row.bias, row.bias_ci95, compliance.class_cm),
        };
        let least =
            bias.zip(ci95).map(|(bias, ends)| sizes(widened(ends, bias, f.reference.stated_common))[0]);
        let beyond = |(least, class)| metres(least, f.units) * 100.0 > BIAS_SHARE * class;
        !matches!(group.role, Role::Crossed | Role::Cover(Cover::Low | Cover::Canopy))
            && row.support().is_enough_for_a_verdict()
            && least.zip(class).is_some_and(beyond)
    });
    let names: Vec<String> = beyond.map(|((group, _), _)| group.by.to_string()).collect();
    if names.is_empty() {
        return Vec::new();
    }
    one(
        WarningCode::Bias,
        format!(
            "The bias of {} exceeds {} % of the class that its RMSE_V meets, at 95 % confidence: the standard asks for the cause to \
             be investigated and reported. Check vertical datum and geoid, calibration, and any known offset of the reference.",
            and_list(&names),
            percent(BIAS_SHARE).trim_end_matches(".0")
        ),
    )
}

fn rmse_of_all(f: &Findings) -> f64 {
    f.rows[0].rmse.map_or(0.0, |rmse| rmse * f.units.micrometres())
}

/// A tilt across the site, and strips that disagree.
fn across_the_site(f: &Findings) -> Vec<Warning> {
    let rmse = rmse_of_all(f);
    let length = |um: f64| length(f.units.from_micrometres(um), f.units);
    let tilt = tilt(f.excerpt, f.centred, rmse).map(|tilt| Warning {
        code: WarningCode::Tilt,
        text: format!(
            "The residuals are tilted across the site: dz rises towards the {} by {} from end to end. A single bias does not \
             describe that: check the registration of the reference and the strip adjustment.",
            compass_direction(tilt.gradient),
            length(tilt.range)
        ),
    });
    let advice = match summarise_of(&f.pipeline.stages).by.contains(&By::Strip) {
        true => "Look at the figures of each strip",
        false => "Add `strip` to `by` of `summarise` for the figures of each strip",
    };
    let strips = strip_discrepancy(f.excerpt, f.centred, f.block, rmse).map(|found| Warning {
        code: WarningCode::StripsDiffer,
        text: format!(
            "Flight strips disagree: strip {} lies {} above strip {} on average. {advice}, and check the strip adjustment.",
            found.strips[1],
            length(found.difference),
            found.strips[0]
        ),
    });
    tilt.into_iter().chain(strips).collect()
}

fn wide_radius(f: &Findings) -> Vec<Warning> {
    let compare = f.pipeline.stages.iter().find_map(Stage::as_compare);
    let Some(compare) = compare.filter(|compare| compare.method() == Method::Nearest) else {
        return Vec::new();
    };
    let Auto::Fixed(within) = compare.within() else { return Vec::new() };
    let Some(error) = matching_error(f.excerpt, within.micrometres()) else { return Vec::new() };
    let enough = main_groups(f).filter(|(_, row)| row.compared >= MIN_CHECKPOINTS);
    let smallest = enough.filter_map(|(_, row)| row.sd).fold(f64::INFINITY, f64::min);
    let error = f.units.from_micrometres(error);
    if error <= MATCHING_SHARE * smallest {
        return Vec::new();
    }
    one(
        WarningCode::WideRadius,
        format!(
            "The matching radius ({within}) is wide for the slopes here: the nearest reference point at that distance adds up \
             to {} to the scatter, beside an SD of {}. Make `within` smaller, or use `match: plane`.",
            length(error, f.units),
            length(smallest, f.units)
        ),
    )
}

/// The groups whose residuals are positively skewed.
fn skewed(f: &Findings) -> Vec<String> {
    let mut skewed = Vec::new();
    for (group, row) in main_groups(f) {
        let member = |one: &&Compared| {
            f.groups.finest_of(&one.strata).is_some_and(|finest| group.members.contains(&finest))
        };
        let mut dz: Vec<i64> = f.excerpt.iter().filter(member).map(|one| one.dz).collect();
        dz.sort_unstable();
        let independent = row.n_effective.unwrap_or(row.compared as f64).min(dz.len() as f64);
        if quantile_skewness(&dz, independent).is_some_and(|skewness| skewness > 0.0) {
            skewed.push(group.by.to_string());
        }
    }
    skewed
}

fn few_checkpoints(f: &Findings) -> Vec<Warning> {
    // An interval of few is wide without any correlation.
    let correlated = |row: &Statistics| {
        let most = (MIN_CHECKPOINTS as f64).min(0.75 * row.compared as f64);
        row.n_effective.is_some_and(|n| n < most)
    };
    let few = main_groups(f).filter(|(_, row)| row.compared < MIN_CHECKPOINTS || correlated(row));
    let (few, correlated): (Vec<_>, Vec<_>) = few.partition(|(_, row)| row.compared < MIN_CHECKPOINTS);
    let counted =
        |(group, row): &(&Group, &Statistics)| format!("{} (n = {})", group.by, thousands(row.compared));
    let effective = |(group, row): &(&Group, &Statistics)| {
        let n_eff = row.n_effective.unwrap_or_default().round();
        format!("{} (n = {}, n_eff = {n_eff})", group.by, thousands(row.compared))
    };
    let mut sentences = Vec::new();
    if !few.is_empty() {
        let few: Vec<String> = few.iter().map(counted).collect();
        sentences.push(format!(
            "Too few checkpoints: {}. The standard requires {MIN_CHECKPOINTS} each, and a statement in the report where there \
             are fewer; none of these is given a verdict.",
            and_list(&few)
        ));
    }
    if !correlated.is_empty() {
        let correlated: Vec<String> = correlated.iter().map(effective).collect();
        sentences.push(format!(
            "Correlated residuals leave fewer than {MIN_CHECKPOINTS} independent checkpoints: {}. The intervals allow for \
             that.",
            and_list(&correlated)
        ));
    }
    if sentences.is_empty() { Vec::new() } else { one(WarningCode::FewCheckpoints, sentences.join(" ")) }
}

fn few_blocks(f: &Findings) -> Vec<Warning> {
    let blocks = f.correlation.blocks;
    // Where there is no interval at all, that is said instead.
    let has_intervals = f.rows.first().is_some_and(|all| all.bias_ci95.is_some());
    if blocks < FEW_BLOCKS && has_intervals && !f.groups.of_list {
        return one(
            WarningCode::FewBlocks,
            format!(
                "The comparisons lie in {blocks} block{} only: the confidence intervals are approximate. {}.",
                if blocks == 1 { "" } else { "s" },
                capitalised(SPREAD)
            ),
        );
    }
    Vec::new()
}

#[cfg(test)]
#[path = "warnings_tests.rs"]
mod tests;
