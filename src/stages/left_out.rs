//! Areas left out (`exclude` of the pipeline file): how many ground points each takes out of the comparisons.
//!
//! The matching itself asks [`LeftOut::first`] of each ground point: none in an area is compared, and none of the
//! reference is compared with. Cells, terrain and counts by status have these points all the same.

use crate::areas::LeftOut;
use crate::raster::Raster;
use crate::stages::stage::{TileStage, Visitor};
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};
use crate::tile::yields::{YieldError, Yields};

/// The section of the counts: for each area the survey's and the reference's.
const SECTION: &str = "left out";

/// Ground points that an area leaves out, of the survey and of the reference.
pub type Taken = [u64; 2];

/// The place of a cloud in [`Taken`].
pub fn place(cloud: Cloud) -> usize {
    match cloud {
        Cloud::Survey => 0,
        Cloud::Reference => 1,
    }
}

/// The stage at work: it counts.
pub struct CountLeftOut {
    /// The areas.
    pub areas: LeftOut,
}

impl TileStage for CountLeftOut {
    fn visitor<'a>(&'a self, _: &mut Tile<'_>, _: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        Some(Box::new(CountVisitor { areas: &self.areas, taken: vec![[0; 2]; self.areas.len()] }))
    }
}

struct CountVisitor<'a> {
    areas: &'a LeftOut,
    taken: Vec<Taken>,
}

impl Visitor for CountVisitor<'_> {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        let cloud = place(cloud);
        let core = piece.points[..piece.core].iter().zip(&piece.statuses);
        for (point, _) in core.filter(|(_, status)| **status == PointStatus::Ground) {
            // Each point counts under the first area that takes it.
            if let Some(area) = self.areas.first(cloud, point) {
                self.taken[area][cloud] += 1;
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        if self.taken.iter().any(|taken| *taken != [0; 2]) {
            let numbers = self.taken.as_flattened().iter().flat_map(|number| number.to_le_bytes());
            tile.sections.of(SECTION).extend(numbers);
        }
    }
}

/// What the tiles counted, for each of so many areas.
///
/// # Errors
/// Where the disk does not give it back.
pub fn conclude(areas: usize, yields: &dyn Yields) -> Result<Vec<Taken>, YieldError> {
    let mut all = vec![[0; 2]; areas];
    if areas == 0 {
        return Ok(all);
    }
    yields.for_each(SECTION, &mut |bytes| {
        let (numbers, rest) = bytes.as_chunks::<8>();
        for numbers in numbers.chunks(2 * areas) {
            if numbers.len() != 2 * areas || !rest.is_empty() {
                return None;
            }
            for (sum, number) in all.as_flattened_mut().iter_mut().zip(numbers) {
                *sum += u64::from_le_bytes(*number);
            }
        }
        Some(())
    })?;
    Ok(all)
}
