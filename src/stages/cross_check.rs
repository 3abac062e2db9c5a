//! `ground: {from: classes, cross_check: true}`: the classes as delivered held against the ground filter, point by point, and
//! both against the reference. Every point counts here, whatever is drawn; results of the run rest on the classes alone.

use std::rc::Rc;

use crate::cloud::point::{Fields, MAX_RETURN, Point};
use crate::raster::Raster;
use crate::results::cross_check::{CrossCheck, CrossRow, CrossSet};
use crate::stages::asked::{Asked, Asking};
use crate::stages::filter_ground::FilterGround;
use crate::stages::ground::Ground;
use crate::stages::ground_limits::{GroundLimits, KeepOrigin};
use crate::stages::kept_limits::KeepLimits;
use crate::stages::later_selects::LaterSelects;
use crate::stages::stage::{Preparing, SurfaceNeed, TileStage, Visitor, Wanted};
use crate::stats::moments::Moments;
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::yields::{Sections, YieldError, Yields};
use crate::units::Unit;

/// The stage at work.
pub struct CrossCheckGround {
    /// The filter that the classes are held against.
    filter: FilterGround,
    /// The conditions that stand after `ground`: what they do not select is not counted here.
    selects: LaterSelects,
    asking: Asking,
}

impl CrossCheckGround {
    /// The stage, where the pipeline asks for it.
    pub fn of(preparing: &Preparing<'_>) -> Option<Self> {
        let all = &preparing.options;
        let asks = |ground: &&Ground| ground.cross_check && ground.cloud.includes(Cloud::Survey);
        let at = all.iter().position(|one| one.downcast::<Ground>().as_ref().is_some_and(asks))?;
        let ground = all[at].downcast::<Ground>()?;
        Some(CrossCheckGround {
            filter: FilterGround {
                options: ground.clone(),
                cloud: Cloud::Survey,
                number: 0,
                keep_origin: KeepOrigin::Never,
                slope_breaks: None,
                keep_limits: KeepLimits::Nowhere,
            },
            selects: LaterSelects::of(&all[at..], Cloud::Survey),
            asking: Asking::of(preparing),
        })
    }
}

impl TileStage for CrossCheckGround {
    fn fields(&self) -> Fields {
        self.selects.fields
    }

    // No halo of its own: `compare` asks for as much of the reference.

    fn surface(&self) -> Option<SurfaceNeed> {
        self.filter.surface()
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let limits = self.filter.opened(tile, surface)?;
        let found = vec![CrossCounts::default(); MAX_RETURN + 1];
        Some(Box::new(CrossVisitor { stage: self, limits, found, asked: Asked::none(&self.asking, tile) }))
    }

    fn wants(&self, tile: &Tile<'_>) -> Wanted {
        self.asking.wants(tile)
    }

    fn bytes_per_point(&self, reference_per_m2: f64) -> f64 {
        self.asking.bytes_per_point::<Sides>(reference_per_m2)
    }
}

/// What classes and filter make of a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sides {
    Both,
    ClassesOnly,
    FilterOnly,
    Neither,
}

/// Points and comparisons of one return, by [`Sides`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct CrossCounts([(u64, Moments); 4]);

impl CrossCounts {
    fn merge(&mut self, other: &CrossCounts) {
        for ((points, dz), (more, others)) in self.0.iter_mut().zip(&other.0) {
            *points += more;
            dz.merge(others);
        }
    }

    /// The row of the results.
    fn row(&self, return_number: Option<u8>, units: Unit) -> CrossRow {
        let set = |sides: &[Sides]| {
            let mut all = (0, Moments::default());
            for (points, dz) in sides.iter().map(|sides| &self.0[*sides as usize]) {
                all.0 += points;
                all.1.merge(dz);
            }
            let length = |um: f64| units.from_micrometres(um);
            let (points, dz) = all;
            CrossSet {
                points,
                compared: dz.n,
                bias: dz.mean().map(length),
                sd: dz.sd().map(length),
                rmse: dz.rmse().map(length),
            }
        };
        CrossRow {
            return_number,
            both: set(&[Sides::Both]),
            classes_only: set(&[Sides::ClassesOnly]),
            filter_only: set(&[Sides::FilterOnly]),
            neither: self.0[Sides::Neither as usize].0,
            classes: set(&[Sides::Both, Sides::ClassesOnly]),
            filter: set(&[Sides::Both, Sides::FilterOnly]),
        }
    }
}

struct CrossVisitor<'a> {
    stage: &'a CrossCheckGround,
    limits: Rc<GroundLimits>,
    /// By return number; 0 holds points without a valid one.
    found: Vec<CrossCounts>,
    asked: Asked<'a, Sides>,
}

/// What both make of a point; nothing of one that is labelled noise or not selected.
#[inline]
fn sides(selects: &LaterSelects, limits: &GroundLimits, point: &Point) -> Option<Sides> {
    if point.is_noise() || !selects.selects(point) {
        return None;
    }
    let by_filter = limits.judge(point.x, point.y, point.z) == PointStatus::Ground;
    Some(match (point.is_ground_class(), by_filter) {
        (true, true) => Sides::Both,
        (true, false) => Sides::ClassesOnly,
        (false, true) => Sides::FilterOnly,
        (false, false) => Sides::Neither,
    })
}

fn counts_of<'a>(found: &'a mut [CrossCounts], point: &Point, sides: Sides) -> &'a mut (u64, Moments) {
    &mut found[usize::from(point.valid_return().unwrap_or(0))].0[sides as usize]
}

impl Visitor for CrossVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        match cloud {
            Cloud::Survey => {
                for point in &piece.points[..piece.core] {
                    if let Some(sides) = sides(&self.stage.selects, &self.limits, point) {
                        counts_of(&mut self.found, point, sides).0 += 1;
                    }
                }
            }
            Cloud::Reference => self.asked.offer(piece, |_, status| status == PointStatus::Ground),
        }
    }

    fn survey_visited(&mut self, tile: &mut Tile<'_>) {
        let (selects, limits) = (&self.stage.selects, &self.limits);
        let chooses = |point: &Point, _| sides(selects, limits, point).filter(|one| *one != Sides::Neither);
        self.asked.ask(tile, chooses);
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        let CrossVisitor { mut found, asked, .. } = *self;
        asked.found(&tile.survey, |sides, point, reference| {
            counts_of(&mut found, point, sides).1.add(point.z - reference.elevation);
        });
        give(&found, &mut tile.sections);
        asked.done(tile);
    }
}

/// The section of the counts: for each return that has points its number, and four times points and sums.
const SECTION: &str = "cross check";

/// Bytes of a return.
const RECORD: usize = 1 + 4 * (8 + Moments::ENCODED);

fn give(found: &[CrossCounts], sections: &mut Sections) {
    for (number, counts) in (0u8..).zip(found).filter(|(_, counts)| **counts != CrossCounts::default()) {
        let bytes = sections.of(SECTION);
        bytes.push(number);
        for (points, dz) in &counts.0 {
            bytes.extend_from_slice(&points.to_le_bytes());
            bytes.extend_from_slice(&dz.encode());
        }
    }
}

/// What all tiles found, in the unit of the report.
///
/// # Errors
/// Where the disk does not give it back.
pub fn conclude(yields: &dyn Yields, units: Unit) -> Result<CrossCheck, YieldError> {
    let mut found = vec![CrossCounts::default(); MAX_RETURN + 1];
    yields.for_each(SECTION, &mut |bytes| {
        let (records, rest) = bytes.as_chunks::<RECORD>();
        for record in records {
            let (fields, _) = record[1..].as_chunks::<{ 8 + Moments::ENCODED }>();
            let one = |field: &[u8; 8 + Moments::ENCODED]| {
                let (points, dz) = field.split_first_chunk::<8>()?;
                Some((u64::from_le_bytes(*points), Moments::decode(dz.try_into().ok()?)))
            };
            let mut counts = CrossCounts::default();
            for (to, field) in counts.0.iter_mut().zip(fields) {
                *to = one(field)?;
            }
            found.get_mut(usize::from(record[0]))?.merge(&counts);
        }
        rest.is_empty().then_some(())
    })?;
    let mut all = CrossCounts::default();
    found.iter().for_each(|counts| all.merge(counts));
    let of_returns = (0u8..).zip(&found).skip(1).filter(|(_, counts)| **counts != CrossCounts::default());
    let returns = of_returns.map(|(number, counts)| counts.row(Some(number), units)).collect();
    Ok(CrossCheck { returns, all: all.row(None, units) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;

    fn counts(points: [u64; 4], dz: [&[i64]; 4]) -> CrossCounts {
        let mut counts = CrossCounts::default();
        for ((to, points), dz) in counts.0.iter_mut().zip(points).zip(dz) {
            to.0 = points;
            dz.iter().for_each(|dz| to.1.add(*dz));
        }
        counts
    }

    #[test]
    fn counts_of_all_tiles_are_added_up_by_return_and_sets_by_side() {
        let mut given = Given::default();
        for (number, counts) in [
            (1, counts([10, 2, 3, 40], [&[1_000, 3_000], &[80_000], &[], &[]])),
            (2, counts([1, 0, 0, 0], [&[], &[], &[], &[]])),
            (1, counts([5, 0, 1, 0], [&[2_000], &[], &[-9_000, -11_000], &[]])),
            (0, counts([7, 0, 0, 0], [&[], &[], &[], &[]])),
        ] {
            let mut found = vec![CrossCounts::default(); MAX_RETURN + 1];
            found[number] = counts;
            let mut sections = Sections::default();
            give(&found, &mut sections);
            given.add(&sections);
        }
        let CrossCheck { returns, all } = conclude(&given, Unit::Metre).unwrap();
        assert_eq!(returns.iter().map(|row| row.return_number).collect::<Vec<_>>(), [Some(1), Some(2)]);
        let first = &returns[0];
        let of = |set: &CrossSet| (set.points, set.compared, set.bias.map(|m| (m * 1e6).round() as i64));
        assert_eq!(of(&first.both), (15, 3, Some(2_000)));
        assert_eq!(of(&first.classes_only), (2, 1, Some(80_000)));
        assert_eq!(of(&first.filter_only), (4, 2, Some(-10_000)));
        assert_eq!(of(&first.classes), (17, 4, Some(21_500)));
        assert_eq!(of(&first.filter), (19, 5, Some(-2_800)));
        assert_eq!((first.neither, first.classes_only.sd), (40, None));
        // Those without a valid return are in the sum alone.
        assert_eq!((all.both.points, all.return_number), (23, None));
        let mut damaged = Sections::default();
        damaged.of(SECTION).push(1);
        given.add(&damaged);
        assert!(conclude(&given, Unit::Metre).is_err());
    }
}
