//! Made-up pictures for the tests of the page.

use crate::results::pictures::{ComparedFile, Echo, MapCell, Profile, Relief, ResidualMap};
use crate::results::sample::{self, Sample};
use crate::units::Unit;

/// A whole page: a map of `side` by `side` cells of 2 m, the ground under it, two strips, an area left out, four profiles.
pub fn mapped(side: i64) -> Sample {
    let (summary, mut pictures) = sample::decided();
    let dz = |row: i64, column: i64| 0.04 * (((row * 7 + column * 13) % 21 - 10) as f64 / 10.0);
    let cell = |row, column| MapCell {
        row,
        column,
        returns: vec![(1, 10, dz(row, column)), (2, 3, 1.5 * dz(column, row))],
    };
    let cells = (0..side).flat_map(|row| (0..side).map(move |column| (row, column)));
    let squares: Vec<(i64, i64)> =
        (0..side / 3).flat_map(|row| (0..side / 3).map(move |column| (row, column))).collect();
    pictures.map = Some(ResidualMap {
        cell: 2_000_000,
        cells: cells.map(|(row, column)| cell(row, column)).collect(),
        ground: (8_388_608, squares.clone()),
    });
    let (columns, rows) = (2 * side as usize, 2 * side as usize);
    let height = |at: usize| {
        let (x, y) = ((at % columns) as f64, (at / columns) as f64);
        (!at.is_multiple_of(41)).then_some(100e6 + 3e6 * (x / 9.0).sin() + 2e6 * (y / 7.0).cos())
    };
    pictures.relief = Some(Relief {
        cell: 1_048_576,
        first: (0, 0),
        columns,
        rows,
        heights: (0..columns * rows).map(height).collect(),
        reference: (0..columns * rows).map(|at| at % columns > columns / 4).collect(),
    });
    pictures.strips = (8_388_608, vec![(101, squares.clone()), (102, squares[..squares.len() / 2].to_vec())]);
    let ring = vec![(4_000_000, 4_000_000), (14_000_000, 5_000_000), (9_000_000, 12_000_000)];
    pictures.left_out = vec![("a shed & its <yard>".to_string(), vec![ring])];
    pictures.profiles = (0..4).map(|i| profile(i < 2)).collect();
    pictures.files = vec![ComparedFile {
        cloud: "survey",
        name: "strip-101.laz".to_string(),
        points: 1_000_000,
        sha256: "0123456789abcdef".repeat(4),
        made_on: Some("2026-10-15".to_string()),
        measured_on: Some(["2026-10-14", "2026-10-14"].map(String::from)),
        crs: "made-up grid".to_string(),
        units: (Unit::Metre, Unit::Metre),
    }];
    (summary, pictures)
}

/// A band on a slope of 20 %, under bushes here and there.
fn profile(is_worst: bool) -> Profile {
    let ground = |i: i64| Echo {
        return_number: 1 + (i % 3) as u8,
        is_ground: true,
        along: i * 100_000,
        z: 150_000_000 + i * 20_000 + (i * 7919 % 100 - 50) * 600,
    };
    let canopy =
        |i: i64| Echo { return_number: 1, is_ground: false, z: ground(i).z + 6_000_000, ..ground(i) };
    Profile {
        is_worst,
        square: (41, if is_worst { -0.093 } else { -0.004 }, 4_000_000),
        middle: (400_050_000_000, 6_100_040_000_000),
        size: (20_000_000, 500_000),
        survey: (200, 40),
        reference: 1_000,
        echoes: (0..200).map(ground).chain((0..40).map(|i| canopy(i * 4))).collect(),
        reference_points: (0..400).map(|i| (i * 50_000, 150_000_000 + i * 10_000)).collect(),
    }
}
