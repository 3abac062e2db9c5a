//! `checkpoints`: the draw of the points where survey and reference are compared.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use twox_hash::XxHash3_64;

use crate::cloud::buckets::BucketGrid;
use crate::cloud::point::{MAX_RETURN, Point};
use crate::stages::auto::Count;
use crate::stages::compare::Compare;
use crate::stages::{Halo, TileStage, Wanted};
use crate::tile::points::{Candidate, Cloud, Tile};
use crate::units::Length;

/// Draws the checkpoints at random, for each return by itself.
///
/// A ground point of the survey is a candidate where the `compare` stage finds reference ground within reach. Each
/// candidate has a seeded hash. Of candidates of one return closer together than `spacing`, only the one with the
/// smallest hash remains (Matérn's second hard-core rule); of those that remain, the `per_return` smallest hashes are
/// drawn. The draw is uniform, depends only on the data and `seed`, and repeats with them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Checkpoints {
    /// Number of checkpoints to draw for each return, or `all`: every candidate is compared, however close to
    /// others, and the draw decides only which of them `checkpoints.csv` lists.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub per_return: Count,
    /// Smallest horizontal distance between two checkpoints of one return.
    #[schemars(extend("x-source" = "Matérn 1960 (second hard-core process); value: this program's own choice"))]
    pub spacing: Length,
    /// Number of checkpoints of each return that `checkpoints.csv` lists, or `all`. They are listed in the order drawn,
    /// so that the first rows are a smaller random draw.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub list: Count,
}

impl Default for Checkpoints {
    fn default() -> Self {
        Checkpoints { per_return: Count::All, spacing: Length::metres(1.0), list: Count::AtMost(5000) }
    }
}

/// The seeded hash of a point: of its position and its returns, and of nothing that depends on files or tiles.
pub fn hash(seed: u64, point: &Point) -> u64 {
    let mut bytes = [0u8; 26];
    bytes[0..8].copy_from_slice(&point.x.to_le_bytes());
    bytes[8..16].copy_from_slice(&point.y.to_le_bytes());
    bytes[16..24].copy_from_slice(&point.z.to_le_bytes());
    bytes[24] = point.return_number;
    bytes[25] = point.number_of_returns;
    XxHash3_64::oneshot_with_seed(seed, &bytes)
}

/// The stage at work.
pub struct DrawCheckpoints {
    /// The options.
    pub options: Checkpoints,
    /// How the reference within reach is found.
    pub compare: Compare,
    /// The seed of the draw.
    pub seed: u64,
}

impl TileStage for DrawCheckpoints {
    fn halo(&self) -> Halo {
        // A candidate may give way to one that far off, which must have reference within its own reach.
        let spacing = self.options.spacing.micrometres();
        Halo { survey: spacing, reference: spacing }
    }

    fn wants(&self, _: Cloud, tile: &Tile) -> Wanted {
        if tile.is_compared() { Wanted::NearReference } else { Wanted::Nothing }
    }

    fn run(&self, tile: &mut Tile) {
        if tile.reference_ground.is_empty() {
            return;
        }
        tile.reference_ground.sort(&self.compare);
        let (ground, method) = (&tile.reference_ground, self.compare.method);
        let (mut counted, mut candidates) = (Vec::new(), Vec::new());
        for index in tile.survey.ground() {
            let point = &tile.survey.points[index];
            let Some(number) = point.valid_return() else { continue };
            let counts = self.options.per_return == Count::All && index < tile.survey.core;
            let key = hash(self.seed, point);
            let may_be_drawn = key <= tile.draw_up_to[number as usize];
            if !counts && !may_be_drawn {
                continue;
            }
            let Some(reference) = ground.find(method, self.seed, point.x, point.y) else { continue };
            if counts {
                counted.push((index as u32, reference.elevation));
            }
            if may_be_drawn {
                candidates.push(Candidate { index, key, reference });
            }
        }
        (tile.counted, tile.candidates) = (counted, candidates);
        for number in 1..=MAX_RETURN {
            let spaced = self.space_out(tile, number as u8);
            tile.spaced.extend(spaced);
        }
    }
}

impl DrawCheckpoints {
    /// Core candidates of one return that have no candidate of smaller hash closer than the spacing.
    fn space_out(&self, tile: &Tile, number: u8) -> Vec<usize> {
        let mut ranked: Vec<usize> = (0..tile.candidates.len())
            .filter(|&i| {
                let candidate = &tile.candidates[i];
                tile.survey.points[candidate.index].return_number == number
            })
            .collect();
        let point = |i: usize| &tile.survey.points[tile.candidates[i].index];
        // Two points that agree in everything have one hash: the first in this order stands for both.
        ranked.sort_unstable_by_key(|&i| (tile.candidates[i].key, point(i), tile.candidates[i].index));
        let spacing = self.options.spacing.micrometres();
        let mut near = BucketGrid::default();
        ranked.iter().enumerate().for_each(|(rank, &i)| near.add(point(i).x, point(i).y, rank as u32));
        near.sort(spacing);
        (0..ranked.len())
            .filter(|&rank| {
                let p = point(ranked[rank]);
                let mut first = true;
                near.for_each(p.x, p.y, |other, offset| {
                    let other = other as usize;
                    first &= other >= rank
                        || offset.squared >= spacing * spacing && !same_place(p, point(ranked[other]));
                });
                first && tile.candidates[ranked[rank]].index < tile.survey.core
            })
            .map(|rank| ranked[rank])
            .collect()
    }
}

/// Points that agree in everything that is drawn are one checkpoint, even where no spacing is asked for.
fn same_place(a: &Point, b: &Point) -> bool {
    (a.x, a.y, a.z, a.number_of_returns) == (b.x, b.y, b.z, b.number_of_returns)
}
