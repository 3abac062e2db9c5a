//! Tests of the account on made-up sites whose truth is known.

use super::*;
use crate::terrain::learning::Learning;
use crate::terrain::test_site::{Answer, EDGE, Made, OPEN, RETURNS, Random, WOODED, rolling, site, work_off};

/// With every reference cell tested: then figures come closest to what they should be.
fn settings() -> Settings {
    Settings {
        returns: 1..=5,
        reference_points: REFERENCE_POINTS,
        reach: 10_000_000,
        square: 1,
        folds: Folds::undivided(),
    }
}

fn of_weighted(row: &TerrainRow) -> &TerrainFigures {
    row.weighted.as_ref().unwrap()
}

fn spread(row: &TerrainFigures) -> f64 {
    row.sd_terrain_common.unwrap()
}

#[test]
fn the_same_account_whatever_the_tiles_and_the_order() {
    let points = site(2);
    // Cells of 1.5 US survey feet: their edges are not whole, and no tile is aligned with them.
    let all = |square, tile, backwards| {
        let settings = Settings { square, ..settings() };
        work_off(&points, rolling, &settings, 457_200.914_4, tile, backwards)
    };
    for square in [1, SQUARE] {
        let whole = all(square, 60_000_000, false);
        assert!(whole.rows[0].terrain.terrain_cells > 10_000);
        for (tile, backwards) in [(20_000_000, true), (13_700_001, false), (7_000_000, true)] {
            let tiled = all(square, tile, backwards);
            assert!(tiled.by_returns == whole.by_returns, "tiles of {tile}");
            assert_eq!((&tiled.rows, &tiled.voids), (&whole.rows, &whole.voids));
        }
    }
}

#[test]
fn a_quarter_of_the_reference_cells_tells_nearly_what_all_tell() {
    let points = site(4);
    let rows = |square| {
        let settings = Settings { square, ..settings() };
        work_off(&points, rolling, &settings, 500_000.0, 20_000_000, false).rows
    };
    let (all, some) = (rows(1), rows(SQUARE));
    // Each tested cell counts for those around it.
    let cells = |rows: &[TerrainRow]| rows[4].terrain.terrain_cells + rows[4].terrain.uncovered_cells;
    assert!(cells(&all) > 13_000 && cells(&all) == cells(&some));
    for (all, some) in all.iter().zip(&some) {
        for (all, some) in [(&all.terrain, &some.terrain), (of_weighted(all), of_weighted(some))] {
            // 3,600 of 14,400 cells: an SD from so many has a standard error of 1.2 % where errors are independent.
            assert!((spread(some) / spread(all) - 1.0).abs() < 0.03, "{all:?} {some:?}");
        }
    }
}

#[test]
fn late_returns_close_voids_and_then_cost_accuracy_unless_they_are_weighted() {
    let points = site(1);
    let Answer { rows, learned, .. } = work_off(&points, rolling, &settings(), 500_000.0, 20_000_000, false);
    // What each return was made with has been learned, against the first.
    for fold in learned {
        for (r, (sd, bias)) in RETURNS.into_iter().enumerate() {
            let (of, truth) = (fold[r + 1].unwrap(), bias - RETURNS[0].1);
            assert!(
                (of.sd / sd - 1.0).abs() < 0.15 && (of.difference - truth).abs() < 0.2 * sd,
                "{r} {of:?}"
            );
        }
    }
    for pair in rows.windows(2) {
        assert!(pair[1].ground_per_m2 > pair[0].ground_per_m2 && pair[1].coverage > pair[0].coverage);
        assert!(pair[1].largest_void_m2 < pair[0].largest_void_m2);
        assert!(pair[1].rmse_points > pair[0].rmse_points);
        assert!(pair[1].terrain.uncovered_cells <= pair[0].terrain.uncovered_cells);
        // Weighted, no return does harm.
        assert!(spread(of_weighted(&pair[1])) < spread(of_weighted(&pair[0])), "{pair:?}");
    }
    let cells = rows[0].terrain.terrain_cells + rows[0].terrain.uncovered_cells;
    assert!(
        rows.iter().all(|row| of_weighted(row).terrain_cells + of_weighted(row).uncovered_cells == cells)
    );
    let common = rows[0].terrain.common_cells;
    assert!(
        rows.iter().all(|row| row.terrain.common_cells == common && of_weighted(row).common_cells == common)
    );
    assert!(rows[0].terrain.uncovered_cells > 100 && rows[4].terrain.uncovered_cells == 0);
    // Kept plainly, the first late returns help (they close gaps) and the last one harms.
    let plain: Vec<f64> = rows.iter().map(|row| spread(&row.terrain)).collect();
    assert!(plain[1] < 0.6 * plain[0] && plain[3] < plain[1] && plain[4] > 1.1 * plain[3], "{plain:?}");
    // Weighted, all five beat dropping any of them and keeping them plainly, by a tenth or more.
    let best = plain.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(spread(of_weighted(&rows[4])) < 0.9 * best, "{plain:?} {rows:?}");
    // The mixture lies low under trees; weighted, all lies on the level of the first return, but for noise and what the
    // planes cut off the hills.
    assert!(rows[4].terrain.level_terrain.unwrap() < -2.5);
    assert!((of_weighted(&rows[4]).level_terrain.unwrap() - RETURNS[0].1 * 1e-3).abs() < 0.75);
    // The points themselves: the RMSE of the mixture that they were made from.
    let (mut n, mut squares) = (0.0, 0.0);
    for (k, (sd, bias)) in RETURNS.into_iter().enumerate() {
        let count = points.iter().filter(|p| usize::from(p.3) == k + 1).count() as f64;
        (n, squares) = (n + count, squares + count * (sd * sd + bias * bias) * 1e-6);
        assert!((rows[k].rmse_points.unwrap() / (squares / n).sqrt() - 1.0).abs() < 0.02);
        assert!((rows[k].ground_per_m2.unwrap() / (n / 3600.0) - 1.0).abs() < 0.01);
        // A cell of a quarter of a square metre is empty with probability exp(-density / 4).
        let empty = |density: [f64; 5]| (-density[..=k].iter().sum::<f64>() / 4.0).exp();
        let filled = 1.0 - (empty(OPEN) + empty(WOODED)) / 2.0;
        assert!((rows[k].coverage.unwrap() - filled).abs() < 0.015, "{} {filled}", rows[k].coverage.unwrap());
    }
}

/// Points of two returns everywhere on a sloping plane, and a reference without error.
fn two_returns(sds: [f64; 2], density: f64) -> Vec<Made> {
    let mut random = Random(9);
    let count = (density * 3600.0) as usize;
    let mut points = Vec::new();
    for (r, sd) in [(0, 0.0), (1, sds[0]), (2, sds[1])] {
        for _ in 0..if r == 0 { 100_000 } else { count } {
            let (x, y) = (random.below(EDGE), random.below(EDGE));
            points.push((x, y, (slope(x, y) + sd * random.normal()).round() as i64, r));
        }
    }
    points
}

fn slope(x: i64, y: i64) -> f64 {
    7e8 + 0.2 * x as f64 - 0.1 * y as f64
}

#[test]
fn on_even_ground_the_noise_of_each_estimate_is_what_theory_says() {
    // n points of SD s1 and n of s2 in each window: variance s1²/n from the first return alone, (s1² + s2²)/(4 n)
    // from both alike, 1/(n/s1² + n/s2²) weighted. So the first is beaten by plain keeping while s2 < √3 s1.
    for (s1, s2) in [(20e3, 90e3), (20e3, 28e3)] {
        let settings = Settings { returns: 1..=2, ..settings() };
        let points = two_returns([s1, s2], 40.0);
        let Answer { rows, .. } = work_off(&points, slope, &settings, 500_000.0, 20_000_000, false);
        let first = spread(&rows[0].terrain);
        let (plain, weighted) = (spread(&rows[1].terrain) / first, spread(of_weighted(&rows[1])) / first);
        let ratio: f64 = s2 / s1;
        // Ten points of each a cell, so the windows hold nearly equal numbers: within 4 %.
        assert!((plain / ((1.0 + ratio * ratio) / 4.0).sqrt() - 1.0).abs() < 0.04, "{s2}: {plain}");
        assert!(
            (weighted / (1.0 / (1.0 + 1.0 / (ratio * ratio))).sqrt() - 1.0).abs() < 0.04,
            "{s2}: {weighted}"
        );
    }
}

#[test]
fn what_does_not_exist_is_null_and_the_names_are_those_of_the_summary() {
    let by_returns = TerrainByReturns::new(&Settings { returns: 1..=1, ..settings() });
    let rows = by_returns.rows(500_000.0, &Voids::default(), &[0; 16], &[Moments::default(); 16], None);
    let terrain = r#""rmse_terrain":null,"level_terrain":null,"sd_terrain":null,"terrain_cells":0,"uncovered_cells":0,"rmse_terrain_common":null,"level_terrain_common":null,"sd_terrain_common":null,"common_cells":0"#;
    let points =
        r#""returns_up_to":1,"ground_per_m2":null,"coverage":null,"largest_void_m2":null,"rmse_points":null"#;
    let expected = format!(r#"[{{{points},{terrain},"weighted":{{{terrain}}}}}]"#);
    assert_eq!(serde_json::to_string(&rows).unwrap(), expected);
}

#[test]
fn a_first_return_too_rare_to_learn_from_does_not_empty_the_common_cells() {
    let mut points = site(3);
    let mut seen = 0;
    points.retain(|p| {
        p.3 != 1 || {
            seen += 1;
            seen <= 20
        }
    });
    let settings = Settings { returns: 1..=2, ..settings() };
    let Answer { rows, learned, .. } = work_off(&points, rolling, &settings, 500_000.0, 20_000_000, false);
    assert!(learned.iter().all(|fold| fold[1].is_none() && fold[2].is_some()));
    assert_eq!((of_weighted(&rows[0]).terrain_cells, of_weighted(&rows[0]).common_cells), (0, 0));
    assert!(rows[1].terrain.common_cells > 5000);
    assert_eq!(rows[1].terrain.common_cells, of_weighted(&rows[1]).common_cells);
}

#[test]
fn reference_cells_need_enough_points() {
    let core = ((0, 1_000_000), (0, 1_000_000));
    let mut near = Neighbourhood::new(&Extent::covering(500_000.0, core.0, core.1, 0), core, 1_000_000);
    for i in 0..4 {
        near.sums.add_references([(100 + i, 200, 5 * i)]);
        near.sums.add_references([(-100 - i, 200, 5 * i)]);
        if i < 3 {
            near.sums.add_references([(600_000, 200, 5 * i)]);
        }
    }
    let places = near.places(&Settings { reach: 1_000_000, ..settings() });
    assert_eq!(places.len(), 1, "one has three points, one belongs to the tile in the west");
    // Halves are rounded up.
    assert_eq!((places[0].x, places[0].y, places[0].z), (102, 200, 8));
    assert_eq!(Learning::default().conclude(Some(5), 0).for_folds, [[None; 16]; 2]);
}
