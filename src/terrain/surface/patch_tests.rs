use super::*;
use crate::terrain::cells::Sums;
use crate::terrain::differences::Learned;

fn facets(returns: &[u8], fill: Micrometres) -> Rule {
    Rule { estimate: Estimate::Facets(returns.iter().fold(0, |all, r| all | 1 << r)), fill }
}

fn weighted(fill: Micrometres) -> Rule {
    let mut learned = [None; 16];
    learned[1] = Some(Learned { difference: 0.0, sd: 11_840.0 });
    learned[2] = Some(Learned { difference: 30_000.0, sd: 23_670.0 });
    let estimate =
        Estimate::Weighted { weights: Box::new(Weights::learned(1..=2, &learned)), sd: 11_840.0, least: 1 };
    Rule { estimate, fill }
}

/// Made ground: hills, noise, a void of 6 m, and second returns that lie 3 cm too high.
fn site(step: i64) -> Vec<GroundPoint> {
    let mut points = Vec::new();
    let mut state = 88_172_645_463_325_252u64;
    let mut random = |below: i64| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as i64 % below
    };
    for i in 0..40_000_000 / step {
        for j in 0..40_000_000 / step {
            let (x, y) = (i * step + random(step), j * step + random(step));
            if (x - 20_000_000).pow(2) + (y - 15_000_000).pow(2) < 3_000_000i64.pow(2) {
                continue;
            }
            let return_number = if random(4) == 0 { 2 } else { 1 };
            let ground = 120e6 + (x as f64 / 9e6).sin() * 2e6 + y as f64 * 0.05;
            let noise = random(41_000) - 20_500;
            let z = ground as i64
                + noise * i64::from(return_number)
                + if return_number == 2 { 30_000 } else { 0 };
            points.push(GroundPoint { x: 501_000_000_000 + x, y: 4_202_000_000_000 + y, z, return_number });
        }
    }
    points
}

fn extent(cell: f64) -> Extent {
    let (x, y) = ((501_000_000_000, 501_040_000_000), (4_202_000_000_000, 4_202_040_000_000));
    Extent::covering(cell, x, y, 0)
}

fn made(extent: Extent, rule: &Rule, points: &[GroundPoint], reference: Option<&Sums>) -> Patch {
    let mut seen = Coverage::new(extent);
    for point in points {
        if let Some(place) = extent.index_of(point.x, point.y) {
            seen.add(place, Some(point.return_number));
        }
    }
    let margin = rule.reach(extent.cell);
    Patch::new(
        extent,
        rule,
        Around { points: points.to_vec(), margin, seen: &seen, reference, surveyed: &[] },
    )
}

/// Wherever a raster is cut into parts, and whatever points lie beyond what a part must see, its cells are the same.
#[test]
fn parts_of_a_raster_cannot_be_seen() {
    let points = site(400_000);
    for (cell, rule) in [
        (500_000.0, facets(&[1, 2], 2_000_000)),
        (304_800.609_601_219_2, facets(&[2], 1_500_000)),
        (500_000.0, weighted(3_000_000)),
    ] {
        let extent = extent(cell);
        let whole = made(extent, &rule, &points, None);
        for (first_column, first_row, columns, rows) in [(0, 0, 31, 50), (31, 7, 20, 23), (17, 40, 9, 1)] {
            let part = Extent {
                first_column: extent.first_column + first_column,
                first_row: extent.first_row + first_row,
                columns,
                rows,
                ..extent
            };
            let (reach, (x, y)) = (rule.reach(cell), part.ground());
            let mut near: Vec<GroundPoint> = points
                .iter()
                .filter(|p| {
                    x.0 - reach <= p.x && p.x < x.1 + reach && y.0 - reach <= p.y && p.y < y.1 + reach
                })
                .copied()
                .collect();
            near.reverse();
            let found = made(part, &rule, &near, None);
            for (place, cell) in found.cells.iter().enumerate() {
                let at = extent.index_from(&part, place).unwrap();
                assert_eq!((cell, found.counts[place]), (&whole.cells[at], whole.counts[at]), "{place}");
            }
        }
    }
}

/// With points of a narrow margin alone cells are the same wherever they are settled, which is nearly everywhere that is dense.
#[test]
fn what_is_settled_with_fewer_points_does_not_change_with_more() {
    let (points, extent, rule) = (site(250_000), extent(500_000.0), facets(&[1, 2], 5_000_000));
    let (mut settled, mut all) = (0, 0);
    for first_row in 0..6 {
        for first_column in 0..6 {
            let part = Extent {
                first_column: extent.first_column + 10 + first_column * 10,
                first_row: extent.first_row + 10 + first_row * 10,
                columns: 10,
                rows: 10,
                ..extent
            };
            let (x, y) = part.ground();
            let with = |margin: Micrometres| {
                let near = |p: &&GroundPoint| {
                    let within = |at: i64, range: (i64, i64)| range.0 - margin <= at && at < range.1 + margin;
                    within(p.x, x) && within(p.y, y)
                };
                let points = points.iter().filter(near).copied().collect();
                let seen = Coverage::new(part);
                Patch::new(
                    part,
                    &rule,
                    Around { points, margin, seen: &seen, reference: None, surveyed: &[] },
                )
            };
            let (narrow, wide) = (with(1_600_000), with(rule.reach(extent.cell)));
            assert!(wide.settled.iter().all(|settled| *settled));
            all += narrow.cells.len();
            for (place, cell) in narrow.cells.iter().enumerate().filter(|(place, _)| narrow.settled[*place]) {
                settled += 1;
                assert_eq!(*cell, wide.cells[place]);
            }
            // Made again where they are not, they are those of the wide margin.
            let mut mended = narrow;
            if mended.unsettled().is_empty() {
                continue;
            }
            assert_eq!(mended.unsettled(), [part]);
            mended.replace(&wide);
            assert_eq!((&mended.cells, mended.unsettled()), (&wide.cells, Vec::new()));
        }
    }
    // Those of the void of 6 m are not.
    assert!(settled > all / 2 && settled < all, "{settled} of {all}");
}

/// The error of a cell against the ground that the points were made from, in standard errors: about one.
#[test]
fn the_standard_error_is_as_large_as_the_error_is() {
    for (step, rule) in [
        (250_000, facets(&[1, 2], 2_000_000)),
        (500_000, facets(&[1], 2_000_000)),
        (1_000_000, facets(&[1, 2], 4_000_000)),
        (250_000, weighted(2_000_000)),
        (500_000, weighted(3_000_000)),
    ] {
        let points = site(step);
        let extent = extent(500_000.0);
        let patch = made(extent, &rule, &points, None);
        let (mut squares, mut n) = (0.0, 0.0);
        for (place, cell) in patch.cells.iter().enumerate() {
            let (Some(z), Some(error), Some(Void::Ground)) = (cell.z, cell.error, cell.void) else {
                continue;
            };
            let (x, y) = extent.middle(place);
            let (x, y) = (x - 501_000_000_000, y - 4_202_000_000_000);
            let truth = 120e6 + (x as f64 / 9e6).sin() * 2e6 + y as f64 * 0.05;
            // A third of what is off where returns are not brought to one level is their difference.
            squares += ((z as f64 - truth) / error).powi(2);
            n += 1.0;
        }
        let ratio = (squares / n).sqrt();
        // Planes cut off some of the ground's own shape, of which only a part shows in what cells are off them.
        let most = if matches!(rule.estimate, Estimate::Weighted { .. }) { 1.6 } else { 1.35 };
        assert!(n > 1000.0 && (0.75..most).contains(&ratio), "{step} {ratio} {n}");
    }
}

#[test]
fn cells_say_which_return_decided_them_and_which_are_voids() {
    let points = site(400_000);
    let extent = extent(500_000.0);
    let patch = made(extent, &facets(&[1, 2], 1_000_000), &points, None);
    let first = made(extent, &facets(&[1], 1_000_000), &points, None);
    let mut found = [0; 4];
    for (cell, counts) in patch.cells.iter().zip(&patch.counts) {
        let has_ground = counts[1] + counts[2] > 0;
        let expected = match (cell.z.is_some(), has_ground) {
            (true, true) => Some(Void::Ground),
            (true, false) => Some(Void::Filled),
            // All points of the site are ground: what it saw has some.
            (false, true) => Some(Void::Open),
            (false, false) => None,
        };
        assert_eq!(cell.void, expected);
        found[cell.void.map_or(3, |void| void as usize)] += 1;
    }
    assert!(found[0] > 3000 && found.iter().all(|n| *n > 0), "{found:?}");
    // In the void of 6 m nothing is farther than 1 m from the ground.
    let middle_of_void = extent.index_of(501_020_000_000, 4_202_015_000_000).unwrap();
    assert_eq!(patch.cells[middle_of_void], ModelCell::default());
    assert!(first.cells.iter().all(|cell| cell.decided_by.is_none_or(|r| r == 1)));
    let second = patch.cells.iter().filter(|cell| cell.decided_by == Some(2)).count() as f64;
    let share = second / patch.cells.iter().filter(|cell| cell.z.is_some()).count() as f64;
    // A fourth of the points are second returns.
    assert!((0.2..0.3).contains(&share), "{share}");
    let counted: u32 = patch.counts.iter().flatten().sum();
    assert_eq!(counted as usize, points.len());
}

#[test]
fn terrain_minus_reference_is_taken_at_the_centroid_of_enough_reference() {
    let plane = |x: i64, y: i64| 100_000_000 + (x - 501_000_000_000) / 10 + (y - 4_202_000_000_000) / 5;
    let mut points = Vec::new();
    for i in 0..80 {
        for j in 0..80 {
            let (x, y) = (501_000_000_000 + i * 500_000 + 77_000, 4_202_000_000_000 + j * 500_000 + 33_000);
            points.push(GroundPoint { x, y, z: plane(x, y), return_number: 1 });
        }
    }
    let extent = extent(500_000.0);
    let mut sums = Sums::new(extent);
    for i in 0..REFERENCE_POINTS as i64 {
        let (x, y) = (501_010_010_000 + i * 70_000, 4_202_010_020_000 + i * 10_000);
        sums.add_references([(x, y, plane(x, y) - 12_000)]);
    }
    sums.add_references([(501_012_000_000, 4_202_012_000_000, 0)]);
    let patch = made(extent, &facets(&[1], 2_000_000), &points, Some(&sums));
    let with: Vec<i64> = patch.cells.iter().filter_map(|cell| cell.dz).collect();
    assert_eq!(with.len(), 1);
    assert!((with[0] - 12_000).abs() <= 2, "{with:?}");
}

/// `tests/oracle/surface_values.py` interpolated these with scipy.interpolate.LinearNDInterpolator.
#[test]
fn inside_the_hull_it_is_what_a_general_library_interpolates() {
    let all: serde_json::Value =
        serde_json::from_str(include_str!("../../../tests/oracle/surface_values.json")).unwrap();
    let whole = |value: &serde_json::Value| value.as_i64().unwrap();
    for case in all["cases"].as_array().unwrap() {
        let points: Vec<GroundPoint> = case["points"]
            .as_array()
            .unwrap()
            .iter()
            .map(|p| GroundPoint { x: whole(&p[0]), y: whole(&p[1]), z: whole(&p[2]), return_number: 1 })
            .collect();
        let number = |key: &str| whole(&case[key]);
        let extent = Extent {
            cell: case["cell"].as_f64().unwrap(),
            first_column: number("first_column"),
            first_row: number("first_row"),
            columns: number("columns") as usize,
            rows: number("rows") as usize,
        };
        let patch = made(extent, &facets(&[1], 1_000_000_000), &points, None);
        let values = case["elevations"].as_array().unwrap();
        assert_eq!(values.len(), patch.cells.len());
        let inside = values.iter().filter(|value| !value.is_null()).count();
        assert!(inside > values.len() / 2);
        for (value, cell) in values.iter().zip(&patch.cells) {
            assert_eq!(value.is_null(), cell.z.is_none());
            if let (Some(value), Some(z)) = (value.as_f64(), cell.z) {
                assert!((value - z as f64).abs() <= 3.0, "{value} {z}");
            }
        }
    }
}
