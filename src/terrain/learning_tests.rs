//! Tests of what is learned: differences and scatter of made-up returns, and that the level of the reference is nothing.

use proptest::prelude::*;

use super::*;
use crate::terrain::test_site::Random;

/// A residual: x, y, return, dz.
type Residual = (i64, i64, u8, i64);

fn conclude(residuals: &[Residual], most: usize, gap: i64) -> Lesson {
    let mut learning = Learning { most, ..Learning::default() };
    residuals.iter().for_each(|&(x, y, r, dz)| learning.add(x, y, r, dz));
    learning.conclude(Some(gap), 0)
}

/// Returns 1 to 3 on 120 m by 80 m; the later ones only in the eastern half, where something that all returns share is
/// 50 mm lower, and waves of a few metres besides.
fn residuals(seed: u64, differences: [f64; 3], counts: [usize; 3]) -> Vec<Residual> {
    let mut random = Random(seed);
    let mut all = Vec::new();
    for r in 0..3 {
        for _ in 0..counts[r] {
            let x = if r == 0 { random.below(120_000_000) } else { 60_000_000 + random.below(60_000_000) };
            let y = random.below(80_000_000);
            let shared = if x < 60_000_000 { 0.0 } else { -50e3 };
            let waves = 15e3 * libm::sin(x as f64 * 3e-7) * libm::cos(y as f64 * 2e-7);
            let dz = shared + waves + differences[r] + [20e3, 35e3, 80e3][r] * random.normal();
            all.push((x, y, r as u8 + 1, dz.round() as i64));
        }
    }
    all
}

#[test]
fn what_all_returns_share_at_a_place_is_not_taken_for_a_difference_between_them() {
    let truth = [5e3, -1e3, -15e3];
    let mut squares = [0.0; 3];
    for seed in 0..20 {
        let lesson = conclude(&residuals(seed, truth, [20_000, 6_000, 3_000]), MOST_PLACES, 8_000_000);
        assert_eq!(lesson.dependent, None);
        for (r, sum) in squares.iter_mut().enumerate() {
            let of = lesson.overall[r + 1].unwrap();
            *sum += (of.difference - (truth[r] - truth[0])).powi(2) / 20.0;
            // The waves add little within a few metres.
            let sd = [20e3, 35e3, 80e3][r];
            assert!(of.sd / sd > 0.97 && of.sd / sd < 1.15, "{r} {of:?}");
            assert!(lesson.for_folds.iter().all(|fold| fold[r + 1].is_some()));
        }
    }
    // The means differ by 50 mm more. Standard errors: 0.6 mm and 1.6 mm.
    assert!(squares[1].sqrt() < 1e3 && squares[2].sqrt() < 3e3, "{squares:?}");
    assert_eq!(squares[0], 0.0);
}

#[test]
fn a_difference_lost_in_its_own_error_is_left_alone() {
    let mut taken = [0.0f64; 2];
    for seed in 0..40 {
        // A rare return takes larger cells, in which more of the waves is left, for all of them: return 2 is learned without it.
        let lesson = conclude(&residuals(seed, [0.0; 3], [20_000, 6_000, 0]), MOST_PLACES, 0);
        taken[0] += lesson.overall[2].unwrap().difference.powi(2) / 40.0;
        let lesson = conclude(&residuals(seed, [0.0; 3], [20_000, 6_000, 250]), MOST_PLACES, 0);
        taken[1] += lesson.overall[3].unwrap().difference.powi(2) / 40.0;
    }
    // 250 points of 80 mm: the difference alone would be wrong by 5.1 mm and more, RMS.
    assert!(taken[0].sqrt() < 0.6e3 && taken[1].sqrt() < 4e3, "{taken:?}");
}

#[test]
fn a_return_that_is_rare_in_a_fold_is_not_known_in_either() {
    let lesson = conclude(&residuals(1, [0.0; 3], [20_000, 6_000, 40]), MOST_PLACES, 0);
    assert!(lesson.for_folds.iter().all(|fold| fold[3].is_none() && fold[2].is_some()));
    assert_eq!(conclude(&[], MOST_PLACES, 0).for_folds, [[None; 16]; 2]);
    let weights = lesson.weights(|um| um * 1e-6);
    assert_eq!(weights.returns.iter().map(|of| of.return_number).collect::<Vec<_>>(), [1, 2]);
    assert!(
        weights.returns[0].weight == 1.0
            && (weights.returns[1].weight - (20.0f64 / 35.0).powi(2)).abs() < 0.05
    );
}

#[test]
fn a_site_too_small_for_the_gap_says_so_and_leaves_none() {
    let residuals = residuals(1, [0.0; 3], [5_000, 5_000, 5_000]);
    let (apart, not) =
        (conclude(&residuals, MOST_PLACES, 20_000_000), conclude(&residuals, MOST_PLACES, 90_000_000));
    assert_eq!((apart.dependent, not.dependent), (None, Some(Dependent::TooSmall)));
    assert!(not.for_folds[0][1].is_some());
    assert_eq!((apart.folds.gap, not.folds.gap, not.weights(|um| um).gap), (20_000_000, 0, 90e6));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn the_level_of_the_reference_and_the_order_of_parts_change_nothing(
        seed in 0u64..1000, level in prop_oneof![-60_000i64..60_000, Just(-999_999_937i64), Just(35_000_000_001)],
        parts in 1usize..5, most in prop_oneof![Just(150usize), Just(700), Just(MOST_PLACES)], gap in 0i64..30_000_000,
    ) {
        let residuals = residuals(seed, [0.0, 4e3, -9e3], [4_000, 2_000, 900]);
        let expected = conclude(&residuals, most, gap);
        prop_assert!(most < 200 || expected.for_folds[0][1].is_some());
        let mut merged = Learning { most, ..Learning::default() };
        for part in (0..parts).rev() {
            let mut learning = Learning { most, ..Learning::default() };
            let own = residuals.iter().rev().skip(part).step_by(parts);
            own.for_each(|&(x, y, r, dz)| learning.add(x, y, r, dz - level));
            merged.merge(&learning);
        }
        // To the last bit.
        prop_assert_eq!(merged.conclude(Some(gap), 0), expected);
    }
}
