//! What each tile gives towards the choice of sites for checkpoints (`echograde plan`): the ground that suits, judged cell by cell from
//! the ground points and the cover around. No stage of the pipeline file asks for it.
//!
//! A site is the middle of a cell, and belongs to the part of a tile that holds that position; all that it is judged by lies in the
//! halo, so nothing is put together across tiles.

use std::sync::Arc;

use crate::areas::LeftOut;
use crate::raster::Extent;
use crate::siting::rules::{FROM_CONTROL, GROUND_SHARE, NOISE, ROOF, Rules};
use crate::siting::suitable::{Found, Suitable, Unsuitable};
use crate::stages::cell_attributes::CellAttributes;
use crate::stages::plane_sums::PlaneSums;
use crate::stages::stage::{Places, TileStage};
use crate::stages::summarise::Summarise;
use crate::tile::at_work::{Halo, Tile};
use crate::tile::points::{PointSet, PointStatus};
use crate::tile::strata::{Cover, class_of};
use crate::tile::yields::{YieldError, Yields};
use crate::units::Micrometres;

/// The section of what suits.
const SITES: &str = "sites";

/// What sites are looked for by.
#[derive(Clone, Debug)]
pub struct SiteSearch {
    /// What is asked of the ground.
    pub rules: Rules,
    /// How covers and classes of slope are told apart.
    pub covers: Summarise,
    /// Edge of the cells by which cover is known, micrometres.
    pub cover_cell: f64,
    /// Control, and points that have been surveyed.
    pub avoid: Places,
}

/// The search at work, after all that decides what is ground.
pub struct FindSites {
    /// What is looked for.
    pub search: Arc<SiteSearch>,
    /// Areas left out.
    pub left_out: LeftOut,
}

impl TileStage for FindSites {
    fn halo(&self) -> Halo {
        Halo { survey: self.search.rules.reach(), reference: 0 }
    }

    fn run(&self, tile: &mut Tile<'_>) {
        let Some(attributes) = tile.shared.get::<CellAttributes>() else { return };
        let rules = &self.search.rules;
        let reach = rules.reach();
        let within = |at: Micrometres, range: (Micrometres, Micrometres)| {
            range.0 - FROM_CONTROL <= at && at < range.1 + FROM_CONTROL
        };
        let near = |at: &&(i64, i64)| within(at.0, tile.core.0) && within(at.1, tile.core.1);
        let avoid: Vec<_> = self.search.avoid.iter().filter(near).copied().collect();
        let ((x0, x1), (y0, y1)) = tile.core;
        let extent =
            Extent::covering(rules.cell as f64, (x0 - reach, x1 + reach), (y0 - reach, y1 + reach), 0);
        let cells = Cells::of(extent, rules, &tile.survey, attributes, self.search.cover_cell);
        let mut found = Found::default();
        for place in 0..extent.len() {
            let (x, y) = cells.extent.middle(place);
            let inside = x0 <= x && x < x1 && y0 <= y && y < y1;
            let Some(cover) = attributes.classes_at(x, y).0.filter(|_| inside && cells.has_ground(place))
            else {
                continue;
            };
            let off = |at: &(i64, i64)| libm::hypot((x - at.0) as f64, (y - at.1) as f64);
            let judged = if self.left_out.is_near(x, y, rules.radius) {
                Err(Unsuitable::LeftOut)
            } else if avoid.iter().any(|at| off(at) < FROM_CONTROL as f64) {
                Err(Unsuitable::Control)
            } else {
                cells.judge(place, cover)
            };
            match judged {
                Ok(one) => found.add(one, rules.block, rules.seed),
                Err(why) => found.refuse(cover, why),
            }
        }
        found.encode(tile.sections.of(SITES));
    }
}

/// What all tiles found.
///
/// # Errors
/// Where the disk does not give it back.
pub fn conclude(yields: &dyn Yields, rules: &Rules) -> Result<Found, YieldError> {
    let mut found = Found::default();
    yields.for_each(SITES, &mut |bytes| found.merge_encoded(bytes, rules.block, rules.seed))?;
    Ok(found)
}

/// What lies over a cell.
#[derive(Clone, Copy, Default)]
struct Over {
    /// The tallest cover in it, as one more than its place among all; 0 where none is known.
    cover: u8,
    /// Points above the ground, and those of them that are the only returns of their pulses.
    above: u32,
    single: u32,
}

/// The cells of a part of a tile and of what lies around.
struct Cells<'a> {
    extent: Extent,
    rules: &'a Rules,
    disc: Vec<(i64, i64)>,
    /// Ground points, from the south-western corner of each cell.
    ground: Vec<PlaneSums>,
    over: Vec<Over>,
}

impl<'a> Cells<'a> {
    fn of(
        extent: Extent,
        rules: &'a Rules,
        survey: &PointSet,
        attributes: &CellAttributes,
        cover_cell: f64,
    ) -> Self {
        let mut ground = vec![PlaneSums::default(); extent.len()];
        let mut over = vec![Over::default(); extent.len()];
        let (cell, finder) = (rules.cell, extent.finder());
        for (point, status) in survey.points.iter().zip(&survey.statuses) {
            let Some(place) = finder.index_of(point.x, point.y) else { continue };
            match status {
                PointStatus::Ground => {
                    let (x, y) = (point.x.rem_euclid(cell), point.y.rem_euclid(cell));
                    ground[place].add(x, y, point.z);
                }
                PointStatus::AboveGround | PointStatus::OtherClass => {
                    over[place].above += 1;
                    over[place].single += u32::from(point.number_of_returns == 1);
                }
                _ => {}
            }
        }
        let mut cells = Cells { extent, rules, disc: rules.disc(), ground, over };
        // Cover is known by cells of another size: it is asked for in the middle of so many parts of each.
        let parts = (cell as f64 / cover_cell).ceil().clamp(1.0, 8.0) as i64;
        let middles: Vec<Micrometres> = (0..parts).map(|i| (2 * i + 1) * cell / (2 * parts)).collect();
        for place in 0..extent.len() {
            let (x, y) = cells.corner(place);
            let code = |(east, north): (&i64, &i64)| {
                attributes.classes_at(x + east, y + north).0.map_or(0, |cover| cover as u8 + 1)
            };
            let all = middles.iter().flat_map(|north| middles.iter().map(move |east| (east, north)));
            cells.over[place].cover = all.map(code).max().unwrap_or(0);
        }
        cells
    }

    fn corner(&self, place: usize) -> (Micrometres, Micrometres) {
        let (x, y) = self.extent.middle(place);
        (x - self.rules.cell / 2, y - self.rules.cell / 2)
    }

    fn has_ground(&self, place: usize) -> bool {
        self.ground[place].points() > 0
    }

    /// The cells around one, with how many columns and rows each lies off. All are there: the extent reaches that far around the core.
    fn around(&self, place: usize) -> impl Iterator<Item = (usize, (i64, i64))> + '_ {
        let columns = self.extent.columns as i64;
        self.disc
            .iter()
            .map(move |&(column, row)| ((place as i64 + row * columns + column) as usize, (column, row)))
    }

    /// Whether the ground around a cell under some cover suits.
    fn judge(&self, place: usize, cover: Cover) -> Result<Suitable, Unsuitable> {
        let is_open = cover == Cover::Open;
        let without: Vec<(usize, (i64, i64))> =
            self.around(place).filter(|(one, _)| !self.has_ground(*one)).collect();
        let most = (1.0 - GROUND_SHARE[usize::from(!is_open)]) * self.disc.len() as f64;
        // Where points are few a cell may have none by chance; two side by side are a gap. Under vegetation the ground may be hidden,
        // but not all that stands on it.
        let mut gap = without.clone();
        gap.retain(|(one, _)| is_open || self.over[*one].above == 0);
        let side_by_side = |(_, a): &(usize, (i64, i64))| {
            gap.iter().any(|(_, b)| (a.0 - b.0).abs() + (a.1 - b.1).abs() == 1)
        };
        if without.len() as f64 > most || gap.iter().any(side_by_side) {
            return Err(Unsuitable::Gaps);
        }
        let own = cover as u8 + 1;
        let is_roof = |one: usize| {
            let Over { above, single, .. } = self.over[one];
            !self.has_ground(one) && above >= ROOF.0 && f64::from(single) >= ROOF.1 * f64::from(above)
        };
        let disturbs = |(one, (column, row)): (usize, (i64, i64))| {
            let known = self.over[one].cover;
            // Vegetation is to be around a site under it, and nowhere near one on open ground.
            let other =
                if is_open { known > own } else { column.abs() <= 1 && row.abs() <= 1 && known != own };
            other || is_roof(one)
        };
        if self.around(place).any(disturbs) {
            return Err(Unsuitable::Objects);
        }
        let mut sums = PlaneSums::default();
        let half = self.rules.cell / 2;
        let corner =
            |(column, row): (i64, i64)| (column * self.rules.cell - half, row * self.rules.cell - half);
        for (one, off) in self.around(place) {
            let (east, north) = corner(off);
            sums.add_shifted(&self.ground[one], east, north);
        }
        let plane = sums.solve().ok_or(Unsuitable::Gaps)?;
        let [a, b] = plane.gradient;
        let slope = (a * a + b * b).sqrt();
        if slope > self.rules.slope_max {
            return Err(Unsuitable::Steep);
        }
        // What is left within cells once their means are taken out is noise.
        let means: Vec<(f64, f64)> = self
            .around(place)
            .filter_map(|(one, off)| {
                let (east, north) = corner(off);
                let mean = self.ground[one].mean_residual(&plane, east, north)?;
                Some((f64::from(self.ground[one].points()), mean))
            })
            .collect();
        let between: f64 = means.iter().map(|(n, mean)| n * mean * mean).sum();
        let n = f64::from(sums.points());
        let free = (n - means.len() as f64).max(1.0);
        let noise = ((plane.squares - between).max(0.0) / free).sqrt();
        let departs = |(n, mean): &(f64, f64)| mean.abs() - NOISE * noise / n.sqrt() > self.rules.departure();
        let roughness = (plane.squares / (n - 3.0)).sqrt();
        // Under vegetation late returns are noisier than the ground is rough.
        let roughest = self.rules.required as f64 * if is_open { 1.0 } else { 2.0 };
        if means.iter().any(departs) || roughness > roughest {
            return Err(Unsuitable::Rough);
        }
        let (x, y) = self.extent.middle(place);
        Ok(Suitable {
            x,
            y,
            z: plane.height,
            slope: (slope * 1e4).round() as u16,
            roughness: roughness.round() as u32,
            points: sums.points(),
            cover,
            class: class_of(slope, &self.rules.slope_breaks),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point::Point;

    /// 40 m × 40 m with a ground point every 0.25 m at what is given for a position.
    fn judged(
        z: impl Fn(i64, i64) -> Option<i64>,
        cover: impl Fn(i64, i64) -> Cover,
    ) -> Vec<(i64, i64, Result<Suitable, Unsuitable>)> {
        let rules = Rules::new(16.0, 1600.0, 0.176, 100_000, &[0.1, 0.2], 1);
        let mut survey = PointSet::default();
        for i in 0..160 * 160 {
            let (x, y) = ((i % 160) * 250_000 + 125_000, (i / 160) * 250_000 + 125_000);
            if let Some(z) = z(x, y) {
                survey.add(Point { x, y, z, return_number: 1, number_of_returns: 1, ..Point::default() });
            }
        }
        let all = Extent::covering(5e5, (0, 40_000_000), (0, 40_000_000), 0);
        let attributes = CellAttributes::made(all, |x, y| Some(cover(x, y)));
        let extent = Extent::covering(1e6, (0, 40_000_000), (0, 40_000_000), 0);
        let cells = Cells::of(extent, &rules, &survey, &attributes, 5e5);
        let margin = 4;
        let places = (0..extent.len()).filter(|place| {
            [place % extent.columns, place / extent.columns]
                .iter()
                .all(|at| (margin..40 - margin).contains(at))
        });
        let places = places.filter(|place| cells.has_ground(*place));
        places
            .map(|place| {
                let (x, y) = cells.extent.middle(place);
                (x, y, cells.judge(place, cover(x, y)))
            })
            .collect()
    }

    #[test]
    fn a_plane_suits_up_to_the_slope_and_its_height_and_slope_are_found() {
        for (slope, suits) in [(0.0, true), (0.05, true), (0.17, true), (0.18, false)] {
            for (x, y, found) in judged(
                |x, y| Some(90_000_000 + (slope * (x + y) as f64 / 2f64.sqrt()) as i64),
                |_, _| Cover::Open,
            ) {
                assert_eq!(found.is_ok(), suits, "{slope}: {found:?}");
                let Ok(one) = found else { continue };
                let expected = 90_000_000 + (slope * (x + y) as f64 / 2f64.sqrt()) as i64;
                assert!((one.z - expected).abs() <= 2 && (one.slope() - slope).abs() < 1e-4, "{one:?}");
                assert_eq!(one.class, u8::from(slope > 0.1));
            }
        }
    }

    #[test]
    fn sites_keep_their_distance_from_a_step_a_gap_and_vegetation() {
        // A kerb of 0.12 m along x = 20 m; a pond of 8 m; trees north of y = 30 m.
        let step = |x: i64, _| Some(if x < 20_000_000 { 0 } else { 120_000 });
        let pond = |x: i64, y: i64| {
            (libm::hypot((x - 20_000_000) as f64, (y - 20_000_000) as f64) > 4e6).then_some(0)
        };
        let trees = |_: i64, y: i64| if y < 30_000_000 { Cover::Open } else { Cover::Canopy };
        let open = |_: i64, _: i64| Cover::Open;
        let mut suit = [0; 3];
        for (x, _, found) in judged(step, open) {
            let off = (x - 20_000_000).abs() as f64;
            suit[0] += u32::from(found.is_ok());
            assert_eq!(found.is_ok(), off > 3e6, "{x}: {found:?}");
        }
        for (x, y, found) in judged(pond, open) {
            let off = libm::hypot((x - 20_000_000) as f64, (y - 20_000_000) as f64) - 4e6;
            suit[1] += u32::from(found.is_ok());
            // A single cell may lie nearer.
            assert!(found.is_err() || off > 2.2e6, "{x} {y}");
            assert!(found.is_ok() || off < 3.6e6, "{x} {y}");
        }
        for (x, y, found) in judged(|_, _| Some(0), trees) {
            let off = (y - 30_000_000).abs() as f64;
            suit[2] += u32::from(found.is_ok());
            assert_eq!(
                found.is_ok(),
                if y < 30_000_000 { off > 3e6 } else { off > 1e6 },
                "{x} {y}: {found:?}"
            );
        }
        assert!(suit.iter().all(|n| *n > 200), "{suit:?}");
    }

    #[test]
    fn noise_alone_makes_no_ground_rough_but_waves_do() {
        let noisy = |x: i64, y: i64| {
            let hash = Point { x, y, ..Point::default() }.seeded_hash(3);
            Some((hash % 160_000) as i64 - 80_000)
        };
        let found = judged(noisy, |_, _| Cover::Open);
        assert!(found.iter().filter(|one| one.2.is_ok()).count() * 100 > 97 * found.len());
        let wavy = |x: i64, _| Some((100_000.0 * (x as f64 / 6e6 * std::f64::consts::TAU).sin()) as i64);
        assert!(judged(wavy, |_, _| Cover::Open).iter().all(|one| one.2 == Err(Unsuitable::Rough)));
    }
}
