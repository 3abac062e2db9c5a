//! `summarise`: the statistics of dz, by return and in all.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::agreement::cell::CellRule;
use crate::cloud::point::{Fields, Point};
use crate::raster::Raster;
use crate::stages::agreement::SumStrips;
use crate::stages::auto::Auto;
use crate::stages::cell_attributes::CellAttributes;
use crate::stages::counts::Counts;
use crate::stages::cover::CoverRule;
use crate::stages::relief::SumRelief;
use crate::stages::stage::{Preparing, StageOptions, Step, TileStage, Visitor, Wanted};
use crate::stages::terrain_cells::SumTerrain;
use crate::stats::delivered::Delivered;
use crate::tile::at_work::Tile;
use crate::tile::kinds::KINDS;
use crate::tile::points::{ByStatus, Cloud, PointSet, PointStatus};
use crate::tile::strata::{By, ReturnType, Strata, StratumCounts, class_of};
use crate::units::Length;

/// Computes the statistics of dz by group: bias (mean), SD, RMSE, extremes, median, NMAD and the 95th percentile of
/// |dz|, the share of all points and of all ground points, and 95 % confidence intervals that allow for spatially
/// correlated residuals.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Summarise {
    /// Properties to group by, crossed with each other: `return`, `cover` (open ground, under low vegetation, under
    /// canopy), `slope`, `scan_angle`, `strip`, `return_type` (single, first_of_many, intermediate, last_of_many). The
    /// table by return is always given.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub by: Vec<By>,
    /// A first return higher than this above the ground counts as canopy.
    #[schemars(extend("x-source" = "common practice in forest inventory, no source"))]
    pub canopy_height: Length,
    /// First returns within this horizontal distance of a ground point decide its cover, to the nearest cell of the
    /// ground filter.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub canopy_radius: Length,
    /// A ground point is under canopy where at least this share of those first returns is canopy, from 0 to 1.
    #[schemars(extend("x-source" = "this program's own choice, from sites of known truth (tests/README.md)"))]
    pub canopy_share: f64,
    /// A first return higher than this above the ground, but not in the canopy, counts as low vegetation. Heights are
    /// taken over the sloping ground around a cell. Set it to five times the SD of first returns on hard ground, where
    /// that is more. Vegetation lower than the scanner's range resolution (about 0.3 m) gives one return together with
    /// the ground: such vegetation raises the ground and is in part unseen, whatever is set here.
    #[schemars(extend("x-source" = "this program's own choice, from sites of known truth (tests/README.md); range resolution of drone scanners: citation not verified"))]
    pub low_vegetation_height: Length,
    /// A ground point that is not under canopy is under low vegetation where at least this share of those first returns
    /// is low vegetation, from 0 to 1. A few points under shrubs already raise the figures of open ground.
    #[schemars(extend("x-source" = "this program's own choice, from sites of known truth (tests/README.md)"))]
    pub low_vegetation_share: f64,
    /// Breaks between the slope classes, rise over run, increasing. Slope is that of a plane fitted to 5 × 5 cells of
    /// the opened surface of the ground filter.
    #[schemars(extend("x-source" = "10 % and 20 %: limits for siting checkpoints in earlier guidance (citation not verified); 40 %: this program's own choice"))]
    pub slope_breaks: Vec<f64>,
    /// Breaks between the bands of scan angle, degrees from nadir on either side, increasing.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub scan_angle_breaks: Vec<f64>,
    /// Edge length of the square blocks by which comparisons are counted: of these the tests take one comparison each, and the
    /// halves of the site take turns; blocks are aligned to multiples of it from coordinate zero. `auto` derives it from the
    /// correlation range of dz.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub block: Auto<Length>,
    /// Cell size of the terrain model on which coverage and accuracy by returns used are computed.
    #[schemars(extend("x-source" = "USGS Lidar Base Specification 2025, Table 6 (quality levels 0 and 1)"))]
    pub terrain_cell: Length,
    /// Cell size by which strips are compared with each other, and setups of the reference: open, smooth ground, where both have
    /// at least four single returns in a cell. Surveys of fewer than 10 points/m² a strip need larger cells.
    #[schemars(extend("x-source" = "this program's own choice, by simulation"))]
    pub agreement_cell: Length,
    /// Steepest slope of such a cell, rise over run. On slopes a shift in plan is a difference in elevation too.
    #[schemars(extend("x-source" = "USGS Lidar Base Specification 2025: under 10 degrees; twice that, as a plane is fitted to each cell: this program's own choice"))]
    pub agreement_slope: f64,
}

impl Default for Summarise {
    fn default() -> Self {
        Summarise {
            by: vec![By::Return, By::Cover],
            canopy_height: Length::metres(2.0),
            canopy_radius: Length::metres(1.0),
            canopy_share: 0.15,
            low_vegetation_height: Length::metres(0.2),
            low_vegetation_share: 0.02,
            slope_breaks: vec![0.1, 0.2, 0.4],
            scan_angle_breaks: vec![10.0, 20.0, 30.0],
            block: Auto::Auto,
            terrain_cell: Length::metres(0.5),
            agreement_cell: Length::metres(1.0),
            agreement_slope: 0.4,
        }
    }
}

/// Units of the scan angle in a degree: LAS 1.4 counts steps of 0.006 degree.
const ANGLE_UNITS: f64 = 0.006;

impl Summarise {
    /// Point fields that the groups ask for.
    pub fn fields(&self) -> Fields {
        Fields {
            strip: self.by.contains(&By::Strip),
            scan_angle: self.by.contains(&By::ScanAngle),
            ..Fields::default()
        }
    }

    /// How covers are told apart, if that is asked for.
    pub fn cover(&self) -> Option<CoverRule> {
        self.by.contains(&By::Cover).then_some(CoverRule {
            radius: self.canopy_radius,
            canopy_height: self.canopy_height,
            canopy_share: self.canopy_share,
            low_height: self.low_vegetation_height,
            low_share: self.low_vegetation_share,
        })
    }

    /// Whether results depend on what kind of cell a point lies in.
    pub fn is_by_cell(&self) -> bool {
        self.by.contains(&By::Cover) || self.by.contains(&By::Slope)
    }

    /// The strata of a survey point.
    pub fn strata(&self, point: &Point, cells: Option<&CellAttributes>) -> Strata {
        let angle = f64::from(point.scan_angle).abs() * ANGLE_UNITS;
        Strata {
            return_number: point.valid_return().unwrap_or(0),
            scan_angle: self.by.contains(&By::ScanAngle).then(|| class_of(angle, &self.scan_angle_breaks)),
            strip: Some(point.strip),
            return_type: ReturnType::of(point),
            ..cells.map_or_else(Strata::default, |cells| cells.at(point.x, point.y))
        }
    }
}

impl StageOptions for Summarise {
    fn step(&self) -> Step {
        Step::Summarise
    }

    fn prepare(&self, _: usize, preparing: &mut Preparing<'_>) {
        let filtered = preparing.survey_is_classified();
        if filtered {
            preparing.terrain_cell = Some(self.terrain_cell);
            preparing
                .tiles
                .push(Box::new(SumTerrain { cell: self.terrain_cell, left_out: preparing.left_out.clone() }));
        }
        preparing.tiles.push(Box::new(SumRelief));
        let by_cell = filtered && self.is_by_cell();
        preparing.tiles.push(Box::new(CountTile { options: self.clone(), by_cell }));
        let rule = CellRule { cell: self.agreement_cell.exact_micrometres(), slope: self.agreement_slope };
        preparing.agreement = Some(rule);
        let left_out = preparing.left_out.clone();
        preparing.tiles.push(Box::new(SumStrips { rule, setups: preparing.setups.overlap, left_out }));
    }
}

/// The stage at work: counts what became of the core points.
pub struct CountTile {
    /// The options.
    pub options: Summarise,
    /// Whether the groups of the survey's points depend on the cells that they lie in, of which enough is known only after
    /// all points have been visited.
    pub by_cell: bool,
}

impl TileStage for CountTile {
    fn fields(&self) -> Fields {
        self.options.fields()
    }

    fn visitor<'a>(&'a self, _: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        Some(Box::new(CountVisitor { stage: self, counts: Counts::default() }))
    }

    fn wants(&self, _: &Tile<'_>) -> Wanted {
        if self.by_cell { Wanted::All } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        if self.by_cell {
            let mut counts = Counts::default();
            self.count_survey(&tile.survey, tile.shared.get(), &mut counts);
            counts.give(&mut tile.sections);
        }
    }
}

impl CountTile {
    /// Counts the survey's core points, all together and by the groups asked for.
    fn count_survey(&self, set: &PointSet, cells: Option<&CellAttributes>, counts: &mut Counts) {
        let by_angle = self.options.by.contains(&By::ScanAngle);
        let alike = |a: &Point, b: &Point| {
            a.strip == b.strip
                && Delivered::is_one_square((a.x, a.y), (b.x, b.y))
                && (!by_angle || a.scan_angle == b.scan_angle)
        };
        let by = [&self.options.by[..], &KINDS].concat();
        let mask = Strata::mask(&by);
        let mut all: BTreeMap<u64, (Strata, StratumCounts)> = BTreeMap::new();
        let classes = |point: &Point| cells.map(|cells| cells.classes_at(point.x, point.y));
        count_runs(set, classes, alike, |first, statuses| {
            counts.survey.add(first, statuses);
            let ground = statuses[PointStatus::Ground as usize];
            counts.delivered.add(first.x, first.y, first.strip, ground);
            let strata = self.options.strata(first, cells);
            let new = || (strata.only(&by), StratumCounts::default());
            all.entry(strata.code() & mask).or_insert_with(new).1.add(statuses);
        });
        for (strata, found) in all.into_values() {
            counts.ground_by_kind.add(&strata, found.ground);
            counts.strata.entry(strata.only(&self.options.by)).or_default().merge(&found);
        }
    }
}

struct CountVisitor<'a> {
    stage: &'a CountTile,
    counts: Counts,
}

impl Visitor for CountVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        match cloud {
            Cloud::Reference => {
                let counts = &mut self.counts.reference;
                count_runs(piece, |_| (), |_, _| true, |first, statuses| counts.add(first, statuses));
            }
            Cloud::Survey if self.stage.by_cell => {}
            Cloud::Survey => self.stage.count_survey(piece, None, &mut self.counts),
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        self.counts.give(&mut tile.sections);
    }
}

/// Counts the core points of a set by status, and calls `add` with the counts of points that are alike, are of one class and
/// have the same returns, and the first of them. Points of the same returns often agree otherwise too: for each kind of return there is one run at a
/// time. What became of a point is counted without a branch, which under trees would be guessed wrong.
fn count_runs<C: PartialEq + Clone>(
    set: &PointSet,
    class: impl Fn(&Point) -> C,
    alike: impl Fn(&Point, &Point) -> bool,
    mut add: impl FnMut(&Point, &ByStatus),
) {
    let mut runs: Vec<Option<(Point, C, ByStatus)>> = vec![None; 256];
    for (point, status) in set.points.iter().zip(&set.statuses).take(set.core) {
        let run = &mut runs[usize::from(point.returns())];
        let own = class(point);
        if let Some((first, _, counts)) =
            run.take_if(|(first, class, _)| *class != own || !alike(first, point))
        {
            add(&first, &counts);
        }
        let (.., counts) = run.get_or_insert_with(|| (*point, own, ByStatus::default()));
        counts[*status as usize] += 1;
    }
    runs.iter().flatten().for_each(|(first, _, counts)| add(first, counts));
}
