//! From the ground that suits to the plan: how many sites under each cover, the draw, the order, the reasons, and what is short.

use crate::cloud::bounds::{Bounds, Range};
use crate::engine::plan::job::Job;
use crate::products::origin::Origin;
use crate::results::format::{and_list, distance, percent, slope_class, thousands};
use crate::results::site_plan::{CoverPlan, Place, RulesRow, SitePlan, SiteRow, SlopeSites, UnsuitableRow};
use crate::siting::choose::{
    Choice, Lot, QUADRANTS, SPACING_SHARE, Site, diagonal, least_in_quadrant, shares,
};
use crate::siting::outlook::{Known, Need, bias_half, rmse_factors};
use crate::siting::rules::FROM_CONTROL;
use crate::siting::suitable::{Found, Suitable, Tally};
use crate::stages::sites::SiteSearch;
use crate::standards::MIN_CHECKPOINTS;
use crate::tile::strata::{Cover, class_name};
use crate::units::Unit;

/// How many sites are asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// By cover, in the order of [`Cover::ALL`]; those not given share what the total leaves.
    pub covers: [Option<usize>; 3],
    /// In all.
    pub total: Option<usize>,
}

/// What a plan rests on beside the survey.
pub struct Basis {
    /// How many sites are asked for.
    pub asked: Asked,
    /// The run folder of the pipeline file, and what the run in it knew.
    pub known: Option<(String, Known)>,
    /// What the files of the plan say of where they come from.
    pub origin: Origin,
}

/// The standard asks for more than the least number of checkpoints beyond so many square metres.
const LARGE_M2: f64 = 1e9;

/// Vegetated ground is worth a word from this share of the ground on.
const MUCH: f64 = 0.05;

/// Ground that is known worse has so many times the share of sites that its area gives it: an open limit, and few comparisons.
const WEIGHTS: [f64; 3] = [3.0, 2.0, 1.0];

/// What makes the plan of what was found; `bounds` is the box around the survey.
struct Planner<'a> {
    search: &'a SiteSearch,
    found: &'a Found,
    known: Option<&'a Known>,
    site: (Range, Range),
    units: (Unit, Unit),
}

/// The plan.
pub fn site_plan(job: &Job, search: &SiteSearch, found: &Found, bounds: Bounds, basis: &Basis) -> SitePlan {
    let planner = Planner {
        search,
        found,
        known: basis.known.as_ref().map(|(_, known)| known),
        site: bounds.ranges().unwrap_or(((0, 1), (0, 1))),
        units: job.survey.units[0],
    };
    let numbers = numbers(basis.asked, &found.tallies);
    let (mut covers, mut drawn, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    for cover in Cover::ALL {
        let choice = planner.choose(cover, numbers[cover as usize]);
        covers.push(planner.cover_plan(cover, numbers[cover as usize], &choice));
        drawn.extend(choice.sites);
    }
    covers.iter().for_each(|plan| notes.extend(planner.shortcomings(plan)));
    notes.extend(planner.of_the_standard(&covers));
    let sites = planner.rows(&drawn);
    let outlook = planner.known.into_iter().flat_map(|known| &known.open).map(|limit| {
        let inside = |site: &&Site| limit.holds(site.at.cover, &planner.class(site.at.class));
        limit.outlook(drawn.iter().filter(inside).count() as u64)
    });
    let rules = &search.rules;
    let (horizontal, vertical) = planner.units;
    let along = |um: f64| rounded(horizontal.from_micrometres(um), 3);
    SitePlan {
        title: job.pipeline.title.clone(),
        horizontal_units: horizontal,
        vertical_units: vertical,
        rules: RulesRow {
            radius: along(rules.radius as f64),
            slope_max: rules.slope_max,
            class: rounded(vertical.from_micrometres(rules.required as f64), 6),
            departure: rounded(vertical.from_micrometres(rules.departure()), 6),
            from_control: along(FROM_CONTROL as f64),
            spacing: along(SPACING_SHARE * diagonal(planner.site)),
        },
        covers,
        run: basis.known.as_ref().map(|(folder, _)| folder.clone()),
        outlook: outlook.collect(),
        outlook_units: planner.known.map(|known| known.units),
        sites,
        notes,
    }
}

/// How many sites under each cover: as asked; of the total what is left to the covers not given, by the ground that suits. Without any
/// number as many on open ground as the standard asks for.
fn numbers(asked: Asked, tallies: &[Tally; 3]) -> [usize; 3] {
    let given = asked.covers.map(Option::unwrap_or_default);
    let Some(total) = asked.total else {
        let open =
            asked.covers[0].unwrap_or(if asked.covers == [None; 3] { MIN_CHECKPOINTS as usize } else { 0 });
        return [open, given[1], given[2]];
    };
    let left = total.saturating_sub(given.iter().sum());
    let weight = |i: usize| if asked.covers[i].is_none() { tallies[i].suits() as f64 } else { 0.0 };
    let mut more = shares(left, &[0, 1, 2].map(weight), 1);
    if more.iter().sum::<usize>() < left {
        // Nothing suits: the number asked for stands on the first cover that is open to it.
        let first = asked.covers.iter().position(Option::is_none).unwrap_or(0);
        more[first] += left;
    }
    [0, 1, 2].map(|i| given[i] + more[i])
}

fn rounded(value: f64, decimals: i32) -> f64 {
    let one = 10f64.powi(decimals);
    (value * one).round() / one
}

impl Planner<'_> {
    fn class(&self, class: u8) -> String {
        class_name(class, &self.search.rules.slope_breaks)
    }

    fn need(&self, cover: Cover, class: u8) -> Need {
        self.known.map_or(Need::Known, |known| known.need(cover, &self.class(class)))
    }

    fn choose(&self, cover: Cover, wanted: usize) -> Choice {
        let rules = &self.search.rules;
        let suitable = &self.found.tallies[cover as usize].suitable;
        let weight =
            |(class, cells): (u8, &u64)| *cells as f64 * WEIGHTS[usize::from(self.need(cover, class).rank())];
        let weights: Vec<f64> = (0..).zip(suitable).map(weight).collect();
        let drawn = self.found.drawn(cover, rules.seed);
        Lot { drawn: &drawn, wanted, site: self.site, radius: rules.radius, weights: &weights }.choose()
    }

    fn cover_plan(&self, cover: Cover, asked: usize, choice: &Choice) -> CoverPlan {
        let rules = &self.search.rules;
        let tally = &self.found.tallies[cover as usize];
        let cell_m2 = (rules.cell as f64 / 1e6).powi(2);
        let m2 = |cells: u64| cells as f64 * cell_m2;
        let mut quadrants = [0; 4];
        choice.sites.iter().for_each(|site| quadrants[site.quadrant] += 1);
        let proposed = choice.sites.len();
        let slopes =
            (0..).zip(&tally.suitable).filter(|(_, cells)| **cells > 0).map(|(class, cells)| SlopeSites {
                slope: self.class(class),
                sites: choice.sites.iter().filter(|site| site.at.class == class).count(),
                suitable_m2: m2(*cells),
            });
        let spacing_met = choice.spacing.is_none_or(|spacing| spacing >= SPACING_SHARE * diagonal(self.site));
        CoverPlan {
            cover,
            asked,
            proposed,
            quadrants: quadrants.into(),
            slopes: slopes.collect(),
            spacing: choice.spacing.map(|um| rounded(self.units.0.from_micrometres(um), 3)),
            spacing_met,
            quadrants_met: quadrants.iter().all(|n| *n >= least_in_quadrant(proposed)),
            ground_m2: m2(tally.ground),
            suitable_m2: m2(tally.suits()),
            unsuitable_m2: UnsuitableRow::of(tally.unsuitable.map(m2)),
            rmse_ci95_factors: rmse_factors(proposed as u64),
            bias_ci95_half_in_sd: bias_half(proposed as u64),
        }
    }

    /// The sites in the order in which they are best measured: worst-known ground first, and of that the quadrants in turn.
    fn rows(&self, drawn: &[Site]) -> Vec<SiteRow> {
        let mut in_turn: Vec<(u8, usize, Cover, usize, usize)> = Vec::new();
        let mut turns = [[[0; 4]; 3]; 3];
        for (i, site) in drawn.iter().enumerate() {
            let rank = self.need(site.at.cover, site.at.class).rank();
            let turn = &mut turns[usize::from(rank)][site.at.cover as usize][site.quadrant];
            in_turn.push((rank, *turn, site.at.cover, site.quadrant, i));
            *turn += 1;
        }
        in_turn.sort_unstable();
        let mut numbers = [0; 3];
        let row = |(order, (.., i)): (usize, &(u8, usize, Cover, usize, usize))| {
            let site = &drawn[*i];
            let number = &mut numbers[site.at.cover as usize];
            *number += 1;
            let letter = site.at.cover.word()[..1].to_uppercase();
            self.row(format!("{letter}{number:02}"), order + 1, site, drawn)
        };
        in_turn.iter().enumerate().map(row).collect()
    }

    fn row(&self, name: String, order: usize, site: &Site, drawn: &[Site]) -> SiteRow {
        let (horizontal, _) = self.units;
        let at = (site.at.x, site.at.y);
        let length = |um: f64| rounded(horizontal.from_micrometres(um), 3);
        let others = drawn.iter().filter(|other| other.at.cover == site.at.cover && other.at != site.at);
        let nearest = others.map(|other| other.at.from(at)).min_by(f64::total_cmp).map(length);
        let quadrant = QUADRANTS[site.quadrant];
        let class = slope_class(&self.class(site.at.class));
        let fellows = drawn.iter().filter(|other| other.at.cover == site.at.cover);
        let (mut in_quadrant, mut in_class) = (0, 0);
        for other in fellows {
            in_quadrant += usize::from(other.quadrant == site.quadrant);
            in_class += usize::from(other.at.class == site.at.class);
        }
        let mut reason = format!(
            "{}, slope {class}: one of {in_class} such sites, and of {in_quadrant} {} in the {quadrant} quadrant",
            site.at.cover.words(),
            site.at.cover.place()
        );
        match self.need(site.at.cover, site.at.class) {
            Need::Inconclusive(limit) => reason += &format!("; inconclusive in the last run: {limit}"),
            Need::FewComparisons(n) => {
                reason += &format!("; {n} comparisons on ground like it in the last run")
            }
            Need::Known => {}
        }
        SiteRow {
            name,
            order,
            cover: site.at.cover,
            place: self.place(&site.at),
            quadrant,
            nearest_site: nearest,
            reason,
            alternative: site.alternative.map(|other| self.place(&other)),
            alternative_distance: site.alternative.map(|other| length(other.from(at))),
        }
    }

    fn place(&self, one: &Suitable) -> Place {
        let (horizontal, vertical) = self.units;
        let along = |um: i64| rounded(horizontal.from_micrometres(um as f64), 3);
        Place {
            easting: along(one.x),
            northing: along(one.y),
            elevation: rounded(vertical.from_micrometres(one.z as f64), 3),
            slope: rounded(one.slope(), 3),
            roughness: rounded(vertical.from_micrometres(f64::from(one.roughness)), 4),
            ground_points: one.points,
        }
    }

    /// What of a cover is short of what was asked for, or of the standard, and why.
    fn shortcomings(&self, plan: &CoverPlan) -> Vec<String> {
        let mut notes = Vec::new();
        if plan.asked == 0 {
            return notes;
        }
        let place = plan.cover.place();
        let unit = self.units.0;
        let lacking = plan.proposed < plan.asked;
        if lacking {
            let m2 = |area: f64| format!("{} m²", thousands(area.round() as u64));
            let mut reasons: Vec<(f64, &str)> = plan.unsuitable_m2.named().to_vec();
            reasons.retain(|(area, _)| *area > 0.0);
            reasons.sort_by(|a, b| b.0.total_cmp(&a.0));
            let reasons: Vec<String> = reasons
                .iter()
                .map(|(area, why)| format!("{} % {why}", percent(area / plan.ground_m2)))
                .collect();
            let why = match () {
                () if plan.ground_m2 == 0.0 => "the survey has no ground there".to_string(),
                () if plan.suitable_m2 == 0.0 => {
                    format!("of {} there none suits: {}", m2(plan.ground_m2), and_list(&reasons))
                }
                () => format!(
                    "of {} there {} suit, and no more sites fit there without sharing their surroundings; the rest does not suit: {}",
                    m2(plan.ground_m2),
                    m2(plan.suitable_m2),
                    and_list(&reasons)
                ),
            };
            notes.push(format!(
                "Of {} sites asked for {}, {} are proposed: {why}.",
                plan.asked,
                plan.cover.place(),
                plan.proposed
            ));
        }
        if let Some(spacing) = plan.spacing.filter(|_| !plan.spacing_met) {
            let rule = unit.from_micrometres(SPACING_SHARE * diagonal(self.site));
            notes.push(format!(
                "Sites {place} stand {} apart at the least, less than the tenth of the diagonal, {}, that the standard asks for: so many \
                 do not fit farther apart on the ground that suits.",
                distance(spacing, unit),
                distance(rule, unit)
            ));
        }
        if !plan.quadrants_met {
            let least = least_in_quadrant(plan.proposed);
            let all = QUADRANTS.iter().zip(plan.quadrants.all()).filter(|(_, n)| *n < least);
            let short: Vec<String> = all.map(|(name, n)| format!("{name} ({n})")).collect();
            notes.push(format!(
                "Not every quadrant of the survey has a fifth of the sites {place}, for want of ground that suits: {}.",
                and_list(&short)
            ));
        }
        if plan.proposed < MIN_CHECKPOINTS as usize && plan.cover == Cover::Open {
            notes.push(format!(
                "The standard asks for {MIN_CHECKPOINTS} checkpoints on open ground at the least; with {} the report must state the \
                 departure, and no limit gets a verdict from them.",
                plan.proposed
            ));
        }
        notes
    }

    /// What the standard asks for beside.
    fn of_the_standard(&self, covers: &[CoverPlan]) -> Vec<String> {
        let mut notes = Vec::new();
        let ground: f64 = covers.iter().map(|plan| plan.ground_m2).sum();
        let vegetated: f64 = covers[1..].iter().map(|plan| plan.ground_m2).sum();
        let asked: usize = covers[1..].iter().map(|plan| plan.asked).sum();
        if asked < MIN_CHECKPOINTS as usize && vegetated > MUCH * ground {
            notes.push(format!(
                "{} % of the ground lies under low vegetation or canopy, and {asked} sites were asked for there. Where its accuracy (VVA) \
                 is to be reported the standard asks for {MIN_CHECKPOINTS}: --low and --canopy.",
                percent(vegetated / ground)
            ));
        }
        if ground > LARGE_M2 {
            notes.push(
                "The survey is larger than 1,000 km²: the standard asks for more than 30 checkpoints on open ground (citation of its \
                 table not verified); give the number with --open."
                    .to_string(),
            );
        }
        notes
    }
}
