//! Agreement in plan, by the real program on hills whose shift is known. `tests/README.md` has what was measured.

mod common;

use common::hills::{Error, Hills, Where};
use common::{number, run, warning};
use serde_json::Value;
use tempfile::TempDir;

/// `summary.json` of a site.
fn summary(hills: &Hills) -> Value {
    let folder = TempDir::new().unwrap();
    run(&hills.write(folder.path()), &[]).summary()
}

/// A shift and its standard deviations, in metres, of all or of a strip.
fn shift(found: &Value, unit: f64) -> Option<([f64; 2], [f64; 2])> {
    let axis = |name: &str| {
        let ends = &found[format!("{name}_ci95")];
        let [low, high] = [0, 1].map(|i| ends[i].as_f64());
        Some((found[name].as_f64()? * unit, (high? - low?) * unit / 2.0 / 1.96))
    };
    let ((east, of_east), (north, of_north)) = (axis("east")?, axis("north")?);
    Some(([east, north], [of_east, of_north]))
}

fn warned(summary: &Value) -> bool {
    warning(summary, "plan_shift").is_some()
}

/// A shift of this size in a direction that depends on the seed.
fn towards(size: f64, seed: u64) -> [f64; 2] {
    let (sin, cos) = (seed as f64 * 2.4).sin_cos();
    [size * cos, size * sin]
}

fn within_three_sigmas(found: &([f64; 2], [f64; 2]), truth: [f64; 2]) -> bool {
    (0..2).all(|axis| (found.0[axis] - truth[axis]).abs() <= 3.0 * found.1[axis])
}

#[test]
fn an_injected_shift_comes_back_within_three_of_its_sigmas() {
    for (i, (slope, reference)) in
        [(3.0, Where::Everywhere), (10.0, Where::Plots), (20.0, Where::Tripods)].into_iter().enumerate()
    {
        for (j, size) in [0.02, 0.05, 0.20].into_iter().enumerate() {
            let seed = 100 + 10 * i as u64 + j as u64;
            let hills = Hills { seed, slope, reference, shift: towards(size, seed), ..Hills::default() };
            let summary = summary(&hills);
            let found = shift(&summary["plan_shift"], 1.0).unwrap();
            assert!(within_three_sigmas(&found, hills.shift), "{hills:?} {}", summary["plan_shift"]);
            // Told where it is large for its interval.
            if size > 10.0 * found.1[0].max(found.1[1]) {
                assert!(warned(&summary), "{hills:?} {}", summary["plan_shift"]);
            }
            if size == 0.20 {
                let removed = &summary["plan_shift"]["shift_removed"];
                assert!(warned(&summary) && number(removed, "sd") < number(&summary["all"], "sd"));
                assert_eq!(removed["compared"], summary["all"]["compared"]);
            }
        }
    }
}

#[test]
fn nothing_is_claimed_on_flat_ground_or_on_a_plane_whatever_the_shift() {
    for (plane, error) in [(0.0, Error::White), (0.0, Error::Field(0.02, 8.0)), (10.0, Error::Tilt(0.05))] {
        for shift in [[0.0; 2], [0.2, -0.1]] {
            let summary = summary(&Hills { slope: 0.0, plane, error, shift, seed: 7, ..Hills::default() });
            let found = &summary["plan_shift"];
            assert!(
                found["east"].is_null() && found["north_ci95"].is_null() && found["shift_removed"].is_null()
            );
            assert_eq!((&found["enough_slope"], warned(&summary)), (&Value::Bool(false), false));
            let reason = found["reason"].as_str().unwrap();
            let expected =
                if plane == 0.0 { "nearly flat" } else { "cannot be told from a difference in level" };
            assert!(reason.contains(expected), "{reason}");
        }
    }
}

#[test]
fn neither_a_tilt_nor_strips_with_offsets_nor_correlated_errors_are_taken_for_a_shift() {
    for (seed, error) in [
        (31, Error::Tilt(0.10)),
        (32, Error::Strips(0.03)),
        (33, Error::Field(0.02, 8.0)),
        (34, Error::Field(0.02, 40.0)),
        (35, Error::Stripes(0.012, 20.0)),
    ] {
        for reference in [Where::Plots, Where::Block] {
            let hills = Hills { seed, error, reference, ..Hills::default() };
            let summary = summary(&hills);
            assert!(!warned(&summary), "{hills:?} {}", summary["plan_shift"]);
            assert!(shift(&summary["plan_shift"], 1.0).is_some());
        }
    }
}

#[test]
fn one_strip_of_four_that_alone_is_shifted_is_found() {
    for (seed, size) in [(41, 0.20), (42, 0.10)] {
        let truth = towards(size, seed);
        let hills =
            Hills { seed, reference: Where::Everywhere, shift: truth, only: Some(2), ..Hills::default() };
        let summary = summary(&hills);
        let strips = summary["plan_shift"]["strips"].as_array().unwrap();
        let differing: Vec<&Value> = strips.iter().filter(|strip| strip["differs"] == true).collect();
        assert_eq!(differing.iter().map(|one| &one["strip"]).collect::<Vec<_>>(), [103], "{strips:?}");
        assert!(within_three_sigmas(&shift(differing[0], 1.0).unwrap(), truth), "{strips:?}");
        assert!(warning(&summary, "plan_shift").unwrap().contains("strip 103 by"));
    }
}

#[test]
fn the_default_options_give_it_too() {
    let stages = "[read: {}, ground: {}, checkpoints: {}, compare: {}, summarise: {}]";
    for (seed, slope) in [(71, 3.0), (72, 8.0)] {
        let truth = towards(0.20, seed);
        let reference = Where::Everywhere;
        let hills = Hills { seed, slope, reference, shift: truth, density: 8.0, stages, ..Hills::default() };
        let summary = summary(&hills);
        let found = shift(&summary["plan_shift"], 1.0).unwrap();
        assert!(within_three_sigmas(&found, truth), "{slope} {found:?} {truth:?}");
        assert!(warned(&summary) && found.1.iter().all(|sigma| *sigma < 0.01), "{slope} {found:?}");
    }
}

#[test]
fn feet_give_the_shift_of_metres() {
    let hills = Hills { seed: 51, shift: [0.05, 0.0], ..Hills::default() };
    let metres = summary(&hills);
    let feet = summary(&Hills { unit: 0.3048, ..hills });
    let (one, other) =
        (shift(&metres["plan_shift"], 1.0).unwrap(), shift(&feet["plan_shift"], 0.3048).unwrap());
    assert_eq!((&feet["units"], warned(&feet)), (&Value::from("ft"), true));
    // Coordinates in thousandths of another unit, and cells at other places.
    for axis in 0..2 {
        assert!((one.0[axis] - other.0[axis]).abs() < one.1[axis] + other.1[axis], "{one:?} {other:?}");
    }
}

#[test]
fn tiles_threads_and_memory_cannot_be_told_from_the_shift() {
    let folder = TempDir::new().unwrap();
    let hills = Hills { seed: 61, shift: [0.05, -0.10], density: 6.0, ..Hills::default() };
    let file = hills.write(folder.path());
    let text = std::fs::read_to_string(&file).unwrap();
    let with_tiles = |metres: u32, options: &[&str]| {
        std::fs::write(&file, text.replace("read: {}", &format!("read: {{tile: {metres} m}}"))).unwrap();
        run(&file, options)
    };
    let expected = with_tiles(200, &["--threads", "1"]);
    assert!(warned(&expected.summary()));
    for (metres, options) in
        [(17, ["--threads", "3", "--memory", "512M"]), (60, ["--threads", "2", "--memory", "24M"])]
    {
        let found = with_tiles(metres, &options);
        for name in ["summary.json", "report.html", "checkpoints.csv"] {
            assert!(
                found.text(name) == expected.text(name),
                "{name} differs: tiles of {metres} m, {options:?}"
            );
        }
    }
}

/// The table of `tests/README.md`: `SITES=4 cargo test --release --test plan_shift -- --ignored --nocapture`. `ONLY=0.00` runs the
/// rows without a shift alone, `FIRST=20000` takes other seeds.
#[test]
#[ignore = "takes long: a table for people"]
fn table() {
    let sites: u64 = std::env::var("SITES").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let wanted = std::env::var("ONLY").unwrap_or_default();
    let first: u64 = std::env::var("FIRST").ok().and_then(|n| n.parse().ok()).unwrap_or(10_000);
    println!(
        "| reference | error | slope | shift, cm | none | mean error, mm | RMS error, mm | sigma, mm | in 95 % | in 3 sigma | warned |"
    );
    for reference in [Where::Plots, Where::Block, Where::Everywhere, Where::Tripods] {
        for error in [
            Error::White,
            Error::Field(0.02, 8.0),
            Error::Field(0.02, 40.0),
            Error::Stripes(0.012, 20.0),
            Error::Strips(0.015),
        ] {
            for (slope, size) in [
                (3.0, 0.0),
                (3.0, 0.02),
                (3.0, 0.05),
                (3.0, 0.20),
                (10.0, 0.0),
                (10.0, 0.05),
                (20.0, 0.0),
                (20.0, 0.02),
                (20.0, 0.20),
            ] {
                let name = format!("{reference:?} {error:?} {slope} {size:.2}");
                if !name.contains(&wanted) {
                    continue;
                }
                let (mut along, mut squares, mut sigmas) = (0.0, 0.0, 0.0);
                let (mut n, mut held, mut three, mut claims) = (0.0, 0.0, 0.0, 0);
                for seed in 0..sites {
                    let seed = first + seed;
                    let hills = Hills {
                        seed,
                        slope,
                        reference,
                        error,
                        shift: towards(size, seed),
                        ..Hills::default()
                    };
                    let summary = summary(&hills);
                    claims += usize::from(warned(&summary));
                    let Some((found, sigma)) = shift(&summary["plan_shift"], 1.0) else { continue };
                    for axis in 0..2 {
                        let off = found[axis] - hills.shift[axis];
                        // Towards the shift: a negative mean is a shift drawn towards zero.
                        along += if size > 0.0 { off * hills.shift[axis] / size } else { 0.0 };
                        (squares, sigmas, n) = (squares + off * off, sigmas + sigma[axis], n + 1.0);
                        held += f64::from(u8::from(off.abs() <= 1.96 * sigma[axis]));
                        three += f64::from(u8::from(off.abs() <= 3.0 * sigma[axis]));
                    }
                }
                println!(
                    "| {reference:?} | {error:?} | {slope} | {:.0} | {} | {:.1} | {:.1} | {:.1} | {:.0} % | {:.0} % | {claims} of {sites} |",
                    size * 100.0,
                    sites as f64 - n / 2.0,
                    along / (n / 2.0) * 1e3,
                    (squares / n).sqrt() * 1e3,
                    sigmas / n * 1e3,
                    held / n * 100.0,
                    three / n * 100.0
                );
            }
        }
    }
}
