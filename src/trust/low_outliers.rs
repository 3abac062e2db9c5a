//! Low outliers that were taken for ground: where they lie close enough together, the filter takes them for the few returns that
//! reach the ground under trees, and refuses the true ground above them.

use std::collections::BTreeMap;

use crate::results::confidence::{Warning, WarningCode};
use crate::results::format::thousands;
use crate::stages::compared::Compared;
use crate::stages::list::ground_of;
use crate::stats::placed::block_of;
use crate::tile::points::{Cloud, GroundFrom};
use crate::trust::findings::Findings;
use crate::units::Micrometres;

/// Edge of the squares that are judged: where ground is found at all, a square this wide has more of it than one outlier.
const SQUARE: Micrometres = 2_000_000;

/// So many squares must be lost: each stands for a hundred square metres or more whose ground was refused.
const FEWEST: usize = 3;

/// How many squares hold nothing but low outliers; `depth` is the filter's own `low_outlier`.
fn lost_squares(excerpt: &[Compared], depth: Micrometres) -> usize {
    let mut dz: Vec<Micrometres> = excerpt.iter().map(|one| one.dz).collect();
    // The upper part is the ground, even where outliers are many.
    dz.sort_unstable();
    let Some(&level) = dz.get(dz.len() * 9 / 10) else { return 0 };
    let mut only_low: BTreeMap<(i64, i64), bool> = BTreeMap::new();
    for one in excerpt {
        let low = one.dz < level - depth;
        *only_low.entry(block_of(one.x, one.y, SQUARE)).or_insert(true) &= low;
    }
    only_low.values().filter(|low| **low).count()
}

/// The warning, where there is one.
pub fn low_outliers(f: &Findings) -> Vec<Warning> {
    let Some(ground) = ground_of(&f.pipeline.stages, Cloud::Survey) else { return Vec::new() };
    let depth = ground.low_outlier;
    let lost = lost_squares(f.excerpt, depth.micrometres());
    if lost < FEWEST {
        return Vec::new();
    }
    let squares = thousands(lost as u64);
    if ground.from == GroundFrom::Classes {
        let text = format!(
            "Low outliers are delivered as ground (class 2): in {squares} squares of 2 m the only ground lies more than {depth} below \
             that elsewhere. Have them classified as noise (class 7), and the ground around them checked. (Where the ground itself \
             has changed, leave the area out.)"
        );
        return vec![Warning { code: WarningCode::LowOutliers, text }];
    }
    let text = format!(
        "Low outliers were taken for ground: in {squares} squares of 2 m the only ground found lies more than {depth} (`low_outlier`) below \
         that elsewhere. The ground filter refuses the true ground for metres around them. Make `cell` of `ground` smaller, about \
         the spacing of the points, so that fewer of them fall together, or classify them as noise (class 7) first. (Where the \
         ground itself has changed, leave the area out.)"
    );
    vec![Warning { code: WarningCode::LowOutliers, text }]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tile::strata::Strata;

    fn at(x: i64, dz: i64) -> Compared {
        let strata = Strata::default();
        Compared { x: x * 1_000_000, y: 0, dz, headroom: None, gradient: None, local_gradient: None, strata }
    }

    #[test]
    fn squares_of_nothing_but_outliers_are_lost_and_those_with_ground_are_not() {
        // 300 m: in the first 50 m a point in ten metres is 4 m too low and the ground is missing; elsewhere a few are.
        let mut all: Vec<Compared> = (50..300).map(|x| at(x, x % 7 * 10_000)).collect();
        all.extend((50..300).step_by(9).map(|x| at(x, -4_000_000)));
        assert_eq!(lost_squares(&all, 1_000_000), 0);
        all.extend((0..50).step_by(10).map(|x| at(x, -4_000_000 - x * 50_000)));
        assert_eq!(lost_squares(&all, 1_000_000), 5);
        assert_eq!(lost_squares(&[], 1_000_000), 0);
    }
}
