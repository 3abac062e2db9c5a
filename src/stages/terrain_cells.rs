//! What each tile gives towards the terrain: its coverage by cell, and sums of its ground points where there is
//! reference to test the terrain with.
//!
//! Each tile sums the cells that the terrain may use around the reference points in its own box and its neighbours'.
//! Coverage is counted everywhere. A cell that the edge of a tile cuts belongs to the tile in the south-west, which may have
//! no point and so no terrain of its own: its cells are taken in all the same.

use crate::areas::LeftOut;
use crate::cloud::bounds::{Bounds, Range, overlap, widened};
use crate::cloud::point::Point;
use crate::raster::{Extent, Raster};
use crate::stages::left_out;
use crate::stages::stage::{TileStage, Visitor};
use crate::terrain::cells::CellSums;
use crate::terrain::model::farthest;
use crate::tile::at_work::{Surroundings, Tile};
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::units::{Length, Micrometres};

/// Farthest that the terrain model looks for ground, micrometres: beyond, it is a void. This program's own choice.
pub const REACH: Micrometres = 10_000_000;

/// The section of the cells' coverage, of each part of a tile.
pub const COVERAGE: &str = "coverage";

/// The section of the cells' sums, of each part of a tile where terrain is tested.
pub const SUMS: &str = "terrain";

/// The stage at work, after all that decides what is ground.
pub struct SumTerrain {
    /// Edge of a terrain cell.
    pub cell: Length,
    /// Areas in which the terrain is not tested: neither cloud's points are compared there.
    pub left_out: LeftOut,
}

impl TileStage for SumTerrain {
    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let cell = self.cell.exact_micrometres();
        let TerrainGround { covered, tested } = terrain_ground(tile.core, tile.around, cell)?;
        let extent = |(x, y): (Range, Range)| Extent::covering(cell, x, y, 0);
        let sums = CellSums::new(extent(covered), tested.map(extent));
        Some(Box::new(TerrainVisitor { sums, left_out: &self.left_out }))
    }
}

struct TerrainVisitor<'a> {
    sums: CellSums,
    left_out: &'a LeftOut,
}

/// Whether the terrain is tested at a point of the reference.
#[inline]
fn tests_at(left_out: &LeftOut, point: &Point) -> bool {
    let clouds = [Cloud::Survey, Cloud::Reference];
    clouds.into_iter().all(|cloud| left_out.first(left_out::place(cloud), point).is_none())
}

impl Visitor for TerrainVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let core = piece.points.iter().zip(&piece.statuses).take(piece.core);
        let core = core.map(|(point, status)| (point, *status == PointStatus::Ground));
        match cloud {
            Cloud::Survey => core.for_each(|(point, is_ground)| {
                let return_number = point.valid_return().unwrap_or(0);
                self.sums.add_survey(point.x, point.y, point.z, return_number, is_ground);
            }),
            Cloud::Reference => {
                let TerrainVisitor { sums, left_out } = self;
                let tested = core.filter(|(point, is_ground)| *is_ground && tests_at(left_out, point));
                sums.add_references(tested.map(|(point, _)| (point.x, point.y, point.z)));
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        self.sums.encode_coverage(tile.sections.of(COVERAGE));
        if let Some(sums) = self.sums.sums() {
            sums.encode(tile.sections.of(SUMS));
        }
    }
}

/// Where terrain cells are summed up.
#[derive(Clone, Copy, Debug, PartialEq)]
struct TerrainGround {
    /// The part of the core that the survey may cover.
    covered: (Range, Range),
    /// The ground within reach of the reference.
    tested: Option<(Range, Range)>,
}

/// The terrain cells of a tile that the survey may cover, `cell` micrometres wide.
pub fn covered_cells(tile: &Tile<'_>, cell: f64) -> Option<Extent> {
    let TerrainGround { covered: (x, y), .. } = terrain_ground(tile.core, tile.around, cell)?;
    Some(Extent::covering(cell, x, y, 0))
}

/// Where terrain cells are summed up in a core: those that the box around the survey touches, and for testing those around
/// the reference that the terrain may use.
fn terrain_ground(core: (Range, Range), around: &dyn Surroundings, cell: f64) -> Option<TerrainGround> {
    let (x, y) = around.bounds(Cloud::Survey).ranges()?;
    let covered = overlap(core, Extent::covering(cell, x, y, 0).ground())?;
    let mut tested = Bounds::default();
    let reach = farthest(REACH, cell);
    let ground = (widened(core.0, reach), widened(core.1, reach));
    for near in around.boxes_on(Cloud::Reference, ground) {
        let Some((x, y)) = near.ranges() else { continue };
        if let Some(both) = overlap(covered, (widened(x, reach), widened(y, reach))) {
            tested.merge(&Bounds::over(both));
        }
    }
    Some(TerrainGround { covered, tested: tested.ranges() })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::terrain::model::margin;
    use crate::tile::tiling::Tiling;

    /// Both clouds as lists of positions, with a box for each tile of the reference.
    struct Positions {
        survey: Bounds,
        reference: Vec<(Micrometres, Micrometres)>,
        tiling: Tiling,
    }

    impl Surroundings for Positions {
        fn bounds(&self, _: Cloud) -> Bounds {
            self.survey
        }

        fn boxes_on(&self, _: Cloud, ground: (Range, Range)) -> Vec<Bounds> {
            let of_tile = |key| {
                let mut bounds = Bounds::default();
                let there = |at: &&(Micrometres, Micrometres)| self.tiling.key_of(at.0, at.1) == key;
                self.reference.iter().filter(there).for_each(|at| bounds.add(*at));
                bounds
            };
            self.tiling.touching(ground.0, ground.1).map(of_tile).collect()
        }
    }

    proptest! {
        #[test]
        fn terrain_is_summed_up_wherever_the_test_at_a_reference_point_may_look(
            edge in 3_000_000i64..150_000_000,
            cell in prop_oneof![Just(500_000.0), Just(457_200.914_4), Just(700_000.0), Just(12_000_000.0)],
            reference in proptest::collection::vec((-200_000_000i64..200_000_000, -200_000_000i64..200_000_000), 1..9),
            looks in proptest::collection::vec((-1.0..=1.0f64, -1.0..=1.0f64), 40),
        ) {
            let tiling = Tiling { edge };
            let survey = Bounds::new((-205_000_000, -200_000_000), (210_000_000, 190_000_000));
            let clouds = Positions { survey, reference: reference.clone(), tiling };
            let (survey_x, survey_y) = survey.ranges().unwrap();
            let within = |at: Micrometres, range: Range| range.0 <= at && at < range.1;
            // All cells that the terrain at a position may use: so many on every side of its own.
            let margin = margin(REACH, cell);
            for (at, look) in reference.iter().flat_map(|at| looks.iter().map(move |look| (at, look))) {
                let seen = Extent::covering(cell, (at.0, at.0 + 1), (at.1, at.1 + 1), margin).ground();
                let along = |range: Range, part: f64| {
                    range.0 + (((part + 1.0) / 2.0 * (range.1 - range.0) as f64) as i64).min(range.1 - range.0 - 1)
                };
                let (x, y) = (along(seen.0, look.0), along(seen.1, look.1));
                if within(x, survey_x) && within(y, survey_y) {
                    let core = tiling.ground(tiling.key_of(x, y), 0);
                    let ground = terrain_ground(core, &clouds, cell).unwrap();
                    let (tested_x, tested_y) = ground.tested.unwrap();
                    prop_assert!(within(x, tested_x) && within(y, tested_y));
                }
            }
            // Far from all reference nothing is summed up.
            let far = tiling.ground(tiling.key_of(900_000_000, 900_000_000), 0);
            prop_assert!(terrain_ground(far, &clouds, cell).is_none_or(|ground| ground.tested.is_none()));
        }
    }
}
