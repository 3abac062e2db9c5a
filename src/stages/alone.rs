//! Points without others near them, of which the ground filter can say nothing: it then calls everything ground.

use crate::cloud::point::Point;
use crate::raster::{EMPTY, Extent, Finder, Raster};
use crate::tile::points::Cloud;
use crate::tile::yields::{Sections, YieldError, Yields};

/// Cells on every side of a cell without which it is alone.
const NEAR: usize = 2;

/// Which cells are alone in a tile.
pub struct AloneCells {
    finder: Finder,
    /// By index; empty where none is.
    alone: Vec<bool>,
}

impl AloneCells {
    /// Of the cells of `asked` those that hold points while none of the 24 around them does.
    pub fn of(lowest: &Raster, asked: &Extent) -> Self {
        let asked = lowest.extent.within(asked);
        let (all, (left, below)) = (lowest.extent, lowest.extent.offset_of(&asked));
        let mut alone = Vec::new();
        for index in 0..asked.len() {
            let (column, row) = (left + index % asked.columns, below + index / asked.columns);
            let at = row * all.columns + column;
            // On most clouds the next cell settles it.
            let next = column + 1 < all.columns && lowest.values[at + 1] != EMPTY;
            if lowest.values[at] == EMPTY || next || has_neighbour(lowest, column, row) {
                continue;
            }
            if alone.is_empty() {
                alone.resize(asked.len(), false);
            }
            alone[index] = true;
        }
        AloneCells { finder: asked.finder(), alone }
    }

    /// How many of these points are not labelled noise, and how many of those lie in such a cell.
    pub fn count(&self, points: &[Point]) -> AloneCounts {
        let judged = || points.iter().filter(|point| !point.is_noise());
        let lies = |point: &&Point| self.finder.index_of(point.x, point.y).is_some_and(|i| self.alone[i]);
        let alone = if self.alone.is_empty() { 0 } else { judged().filter(lies).count() };
        AloneCounts { alone: alone as u64, points: judged().count() as u64 }
    }
}

fn has_neighbour(lowest: &Raster, column: usize, row: usize) -> bool {
    let Extent { columns, rows, .. } = lowest.extent;
    let near = |at: usize, end: usize| at.saturating_sub(NEAR)..(at + NEAR + 1).min(end);
    near(row, rows).any(|r| {
        near(column, columns).any(|c| (r, c) != (row, column) && lowest.values[r * columns + c] != EMPTY)
    })
}

/// The section of the counts: three numbers each, the cloud, its points that are alone, all its points.
const SECTION: &str = "alone";

/// Points of a cloud that the ground filter was asked about: those that are not labelled noise.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AloneCounts {
    /// Without others near them.
    pub alone: u64,
    /// In all.
    pub points: u64,
}

impl AloneCounts {
    /// Adds those of others.
    pub fn merge(&mut self, other: &AloneCounts) {
        self.alone += other.alone;
        self.points += other.points;
    }

    /// Gives those of a tile back.
    pub fn give(&self, cloud: Cloud, sections: &mut Sections) {
        for word in [u64::from(cloud == Cloud::Reference), self.alone, self.points] {
            sections.of(SECTION).extend_from_slice(&word.to_le_bytes());
        }
    }

    /// Those of all tiles, of the survey and of the reference.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn conclude(yields: &dyn Yields) -> Result<[AloneCounts; 2], YieldError> {
        let mut all = [AloneCounts::default(); 2];
        yields.for_each(SECTION, &mut |bytes| {
            let (words, rest) = bytes.as_chunks::<8>();
            let (records, odd) = words.as_chunks::<3>();
            for record in records {
                let [cloud, alone, points] = record.map(u64::from_le_bytes);
                all.get_mut(cloud as usize)?.merge(&AloneCounts { alone, points });
            }
            (rest.is_empty() && odd.is_empty()).then_some(())
        })?;
        Ok(all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::given::Given;

    #[test]
    fn a_cell_is_alone_where_none_of_the_24_around_it_holds_a_point() {
        let extent = Extent { cell: 10.0, first_column: 0, first_row: 0, columns: 12, rows: 12 };
        let mut lowest = Raster::empty(extent);
        // Column and row: the second has a neighbour two cells off, in both; the last lies at the edge.
        for (column, row) in [(2, 2), (8, 8), (10, 10), (11, 0)] {
            lowest.values[row * 12 + column] = 5.0;
        }
        let mut points: Vec<Point> = [(25, 25), (29, 20), (85, 85), (105, 105), (115, 5), (50, 50)]
            .map(|(x, y)| Point { x, y, ..Point::default() })
            .into();
        let counts = |alone, points| AloneCounts { alone, points };
        assert_eq!(AloneCells::of(&lowest, &extent).count(&points), counts(3, 6));
        let west = Extent { columns: 5, ..extent };
        assert_eq!(AloneCells::of(&lowest, &west).count(&points), counts(2, 6));
        // Labelled noise, in a cell that is alone and in one that is not, is counted nowhere.
        points.extend([(25, 25, 7), (85, 85, 18)].map(|(x, y, class)| Point {
            x,
            y,
            class,
            ..Point::default()
        }));
        assert_eq!(AloneCells::of(&lowest, &extent).count(&points), counts(3, 6));
        lowest.values.fill(1.0);
        let none = AloneCells::of(&lowest, &extent);
        assert!(none.alone.is_empty());
        assert_eq!(none.count(&points), counts(0, 6));
    }

    #[test]
    fn counts_of_all_tiles_are_added_up_by_cloud() {
        let mut given = Given::default();
        for (cloud, alone, points) in
            [(Cloud::Survey, 1, 10), (Cloud::Reference, 2, 20), (Cloud::Survey, 4, 40)]
        {
            let mut sections = Sections::default();
            AloneCounts { alone, points }.give(cloud, &mut sections);
            given.add(&sections);
        }
        let of = |alone, points| AloneCounts { alone, points };
        assert_eq!(AloneCounts::conclude(&given).unwrap(), [of(5, 50), of(2, 20)]);
    }
}
