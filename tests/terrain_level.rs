//! The terrain by returns used, on flights whose ground is known: the level of the reference is never taken for the returns',
//! and decides nothing.

mod common;

use std::fs;
use std::path::Path;

use common::flight::{Flight, Scan};
use common::{number, run};
use rand::rngs::SmallRng;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use tempfile::TempDir;

const FLIGHT: Flight = Flight {
    seed: 1,
    side: [90.0, 70.0],
    density: 12.0,
    offset: 0.0,
    noise: [0.010, 0.030, 0.090],
    shared_sd: 0.015,
    shared_range: 8.0,
};

const SCAN: Scan = Scan { share: 0.4, plots: false, level: 0.0, noise: 0.004 };

/// One international foot.
const FOOT: f64 = 0.3048;

/// How a site is run.
#[derive(Clone, Copy)]
struct Setup<'a> {
    unit: f64,
    tile: &'a str,
    offset: &'a str,
}

const METRES: Setup<'_> = Setup { unit: 1.0, tile: "200 m", offset: "" };

/// Runs the survey in `folder` against a scan; summary.json.
fn study(folder: &Path, flight: &Flight, scan: &Scan, setup: &Setup<'_>) -> Value {
    flight.write_scan(&folder.join("reference.laz"), scan, setup.unit);
    let units = if setup.unit == 1.0 { "m" } else { "ft" };
    let text = format!(
        "survey: {{files: [survey.laz], units: {units}}}\n\
         reference: {{files: [reference.laz], units: {units}, uncertainty: 5 mm{}}}\n\
         stages: [read: {{tile: {}}}, ground: {{cell: 1 m, dh_initial: 0.8 m}}, checkpoints: {{per_return: all}}, \
         compare: {{match: nearest, within: 50 mm}}, summarise: {{}}]\n",
        setup.offset, setup.tile
    );
    let pipeline = folder.join("pipeline.yaml");
    fs::write(&pipeline, text).unwrap();
    let summary = run(&pipeline, &[]).summary();
    if std::env::var_os("SHOW").is_some() {
        let returns = summary["returns"].as_array().unwrap();
        let compared: Vec<_> = returns.iter().map(|row| (&row["ground"], &row["compared"])).collect();
        println!("{compared:?} {}", summary["terrain_weights"]);
        for row in rows(&summary) {
            println!("{row}");
        }
    }
    summary
}

/// A flight in a folder of its own.
fn fly(flight: &Flight, unit: f64) -> TempDir {
    let folder = TempDir::new().unwrap();
    flight.write(&folder.path().join("survey.laz"), unit);
    folder
}

fn rows(summary: &Value) -> &Vec<Value> {
    summary["terrain_by_returns"].as_array().unwrap()
}

/// The unweighted and the weighted terrain of a row.
fn estimates(row: &Value) -> [&Value; 2] {
    [row, &row["weighted"]]
}

/// That only levels differ, and by this much; RMSE follows from level and SD.
fn only_the_level_differs(expected: &Value, found: &Value, by: f64) {
    assert_eq!(expected["terrain_weights"], found["terrain_weights"]);
    assert_eq!(rows(expected).len(), rows(found).len());
    for (expected, found) in rows(expected).iter().zip(rows(found)) {
        for key in ["returns_up_to", "ground_per_m2", "coverage", "largest_void_m2"] {
            assert_eq!(expected[key], found[key], "{key}");
        }
        for (expected, found) in estimates(expected).into_iter().zip(estimates(found)) {
            for of in ["", "_common"] {
                // To the last digit.
                let cells = if of.is_empty() { "terrain_cells" } else { "common_cells" };
                assert_eq!(expected[cells], found[cells]);
                assert_eq!(expected[format!("sd_terrain{of}")], found[format!("sd_terrain{of}")]);
                let level = |of_run: &Value| number(of_run, &format!("level_terrain{of}"));
                assert!((level(found) - level(expected) - by).abs() < 1e-9, "{expected} {found}");
                let [rmse, sd] = ["rmse", "sd"].map(|name| number(found, &format!("{name}_terrain{of}")));
                let n = number(found, cells);
                let squares = level(found).powi(2) + sd * sd * (n - 1.0) / n;
                assert!((rmse * rmse / squares - 1.0).abs() < 1e-9);
            }
        }
    }
}

#[test]
fn the_level_of_the_reference_moves_the_level_alone_whatever_the_tiles() {
    let flight = Flight { offset: 0.02, density: 6.0, side: [70.0, 50.0], ..FLIGHT };
    for unit in [1.0, FOOT] {
        let folder = fly(&flight, unit);
        let setup = Setup { unit, ..METRES };
        let expected = study(folder.path(), &flight, &SCAN, &setup);
        assert_eq!(rows(&expected).len(), 3);
        for (level, tile) in [(0.05, "200 m"), (-0.377, "17 m"), (0.811, "31 m")] {
            // Whole micrometres and thousandths of the unit, so that every elevation moves by the same.
            let level = (level / unit * 200.0_f64).round() / 200.0;
            let scan = Scan { level: level * unit, ..SCAN };
            let found = study(folder.path(), &flight, &scan, &Setup { tile, ..setup });
            only_the_level_differs(&expected, &found, -level);
        }
    }
}

#[test]
fn a_reference_that_is_off_is_not_taken_for_a_flight_that_is() {
    // The issue: a reference 50 mm too high, a flight without bias. Told: 50 mm unweighted, 4 mm weighted.
    let folder = fly(&FLIGHT, 1.0);
    let scan = Scan { level: 0.05, ..SCAN };
    let found = study(folder.path(), &FLIGHT, &scan, &METRES);
    let perfect = study(folder.path(), &FLIGHT, &Scan { level: 0.0, noise: 0.0, ..SCAN }, &METRES);
    for (found, truth) in rows(&found).iter().zip(rows(&perfect)) {
        for (found, truth) in estimates(found).into_iter().zip(estimates(truth)) {
            let level = number(found, "level_terrain") - number(truth, "level_terrain");
            assert!((level + 0.05).abs() < 0.0005, "{found}");
            assert!(number(found, "rmse_terrain") > 0.045, "{found}");
            // The truth is met by 4 mm to 7 mm, and so they are told.
            assert!(
                (number(found, "sd_terrain") / number(truth, "sd_terrain") - 1.0).abs() < 0.05,
                "{found}"
            );
        }
    }
    // Declared, it is taken out of both alike.
    let offset = ", offset: {value: 50 mm, sigma: 5 mm, why: fresh snow}";
    let declared = study(folder.path(), &FLIGHT, &scan, &Setup { offset, ..METRES });
    only_the_level_differs(&found, &declared, 0.05);
    assert!(rows(&declared).iter().all(|row| row["offset_removed"] == true));
    assert!(rows(&found).iter().all(|row| row.get("offset_removed").is_none()));
}

#[test]
fn returns_that_lie_apart_are_brought_together_and_those_that_do_not_are_left() {
    for (offset, level) in [(0.0, -0.05), (0.005, 0.05), (0.02, 0.05)] {
        let flight = Flight { offset, seed: 7, ..FLIGHT };
        let folder = fly(&flight, 1.0);
        let found = study(folder.path(), &flight, &Scan { level, ..SCAN }, &METRES);
        let returns = found["terrain_weights"]["returns"].as_array().unwrap();
        let weights = &found["terrain_weights"];
        // On a site of this size a long correlation may not be excluded: then that is said, and why.
        assert_eq!(
            weights["independent"] == false,
            weights["reason"].is_string(),
            "{offset} {level}: {weights}"
        );
        for (i, truth) in flight.bias().into_iter().enumerate() {
            // Four standard errors of a mean, which the others and the shrinking come to besides.
            let compared = number(&found["returns"][i], "compared");
            let within = 4.0 * flight.noise[i] / compared.sqrt();
            assert!((number(&returns[i], "difference") - truth).abs() < within, "{within} {returns:?}");
        }
        let sd =
            |k: usize, weighted: usize| number(estimates(&rows(&found)[k])[weighted], "sd_terrain_common");
        // No return does harm once it is weighted; unweighted, the third does.
        assert!(sd(2, 1) < sd(2, 0) && sd(2, 1) < sd(0, 0) * 1.02, "{found}");
        // The level is that of the first return, as far as the reference has one.
        let levels = [0, 2].map(|k| number(&rows(&found)[k]["weighted"], "level_terrain_common"));
        assert!((levels[0] - levels[1]).abs() < 0.002, "{levels:?}");
    }
}

#[test]
fn a_scan_too_small_for_the_range_of_correlation_is_said_to_be() {
    let flight = Flight { shared_range: 40.0, shared_sd: 0.03, ..FLIGHT };
    let folder = fly(&flight, 1.0);
    let found = study(folder.path(), &flight, &Scan { share: 0.1, ..SCAN }, &METRES);
    let weights = &found["terrain_weights"];
    assert_eq!(weights["independent"], false, "{weights}");
    // Wider than the scan of 28 m by 22 m allows.
    assert!(number(weights, "gap") > 9.0, "{weights}");
}

/// One site of the table.
struct Site {
    flight: Flight,
    scan: Scan,
    unit: f64,
}

impl Site {
    fn draw(seed: u64) -> Self {
        let mut random = SmallRng::seed_from_u64(seed);
        let mut pick = |choices: &[f64]| *choices.choose(&mut random).unwrap();
        let density = pick(&[5.0, 15.0, 60.0, 250.0]);
        let side = if density > 100.0 { [80.0, 60.0] } else { [160.0, 130.0] };
        let offset = pick(&[0.0, 0.005, 0.02]);
        let noise = match pick(&[1.0, 2.0, 3.0]) as u8 {
            1 => [0.010, 0.020, 0.030],
            2 => [0.010, 0.030, 0.090],
            _ => [0.030, 0.060, 0.090],
        };
        let flight = Flight {
            seed,
            side,
            density,
            offset,
            noise,
            shared_sd: 0.015,
            shared_range: pick(&[0.0, 8.0, 40.0]),
        };
        let scan = Scan {
            share: pick(&[0.05, 0.2, 0.6]),
            plots: pick(&[0.0, 1.0]) > 0.5,
            level: pick(&[-0.05, 0.0, 0.05]),
            noise: 0.004,
        };
        let unit = if random.random_bool(0.25) { FOOT } else { 1.0 };
        Site { flight, scan, unit }
    }
}

/// The worst and the RMS of what was found for one choice.
#[derive(Default)]
struct Tally {
    values: Vec<f64>,
}

impl Tally {
    fn add(&mut self, value: f64) {
        self.values.push(value);
    }

    fn text(&self) -> String {
        let worst = self.values.iter().fold(0.0f64, |a, b| if b.abs() > a.abs() { *b } else { a });
        let squares: f64 = self.values.iter().map(|v| v * v).sum();
        format!(
            "RMS {:.2}, worst {:.2}, n {}",
            (squares / self.values.len() as f64).sqrt(),
            worst,
            self.values.len()
        )
    }
}

/// How often the weights are said to be tested independently, and how often the gap is narrower than the range of the
/// shared error then.
#[test]
#[ignore = "a table: some 15 minutes"]
fn table_of_independence() {
    let sites: u64 = std::env::var("SITES").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    for plots in [true, false] {
        for share in [0.05, 0.2, 0.4] {
            for shared_range in [8.0, 40.0, 80.0] {
                let (mut independent, mut wrong, mut gaps) = (0, 0, Vec::new());
                for site in 0..sites {
                    let mut random = SmallRng::seed_from_u64(9_000 + site);
                    let mut pick = |choices: &[f64]| *choices.choose(&mut random).unwrap();
                    let late = pick(&[0.02, 0.06, 0.09]);
                    let flight = Flight {
                        seed: 70_000 + site,
                        side: [160.0, 130.0],
                        density: pick(&[5.0, 10.0, 15.0]),
                        offset: pick(&[0.0, 0.02]),
                        noise: [pick(&[0.01, 0.03]), late, 1.5 * late],
                        shared_sd: pick(&[0.010, 0.015, 0.025]),
                        shared_range,
                    };
                    let folder = fly(&flight, 1.0);
                    let weights = &study(folder.path(), &flight, &Scan { share, plots, ..SCAN }, &METRES)["terrain_weights"];
                    let gap = number(weights, "gap");
                    gaps.push(gap);
                    if weights["independent"] == true {
                        independent += 1;
                        wrong += u64::from(gap < shared_range);
                    }
                }
                gaps.sort_by(f64::total_cmp);
                let at = |share: f64| gaps[(share * (gaps.len() - 1) as f64) as usize];
                println!(
                    "| {} | {share} | {shared_range} | {independent} of {sites} | {wrong} | {:.1} / {:.1} / {:.1} |",
                    if plots { "plots" } else { "block" },
                    at(0.1),
                    at(0.5),
                    at(0.9)
                );
            }
        }
    }
}

/// The table of tests/README.md; some 20 minutes.
#[test]
#[ignore = "the full table"]
fn table() {
    let sites: u64 = std::env::var("SITES").ok().and_then(|n| n.parse().ok()).unwrap_or(120);
    let mut tallies = std::collections::BTreeMap::<String, Tally>::new();
    let mut add = |name: String, value: f64| tallies.entry(name).or_default().add(value);
    for seed in 0..sites {
        let Site { flight, scan, unit } = Site::draw(seed);
        let folder = fly(&flight, unit);
        let setup = Setup { unit, ..METRES };
        let found = study(folder.path(), &flight, &scan, &setup);
        // The truth: the same places without error, and the whole ground without error.
        let same = study(folder.path(), &flight, &Scan { level: 0.0, noise: 0.0, ..scan }, &setup);
        let whole =
            study(folder.path(), &flight, &Scan { level: 0.0, noise: 0.0, share: 1.0, plots: false }, &setup);
        let millimetres = |value: f64| value * unit * 1000.0;
        let weights = &found["terrain_weights"];
        let independent = weights["independent"] == true;
        for (of, truth) in weights["returns"].as_array().unwrap().iter().zip(flight.bias()).skip(1) {
            let off = millimetres(number(of, "difference")) - truth * 1000.0;
            add(
                format!("1 difference, mm, offset {:2.0}, share {:.2}", flight.offset * 1000.0, scan.share),
                off,
            );
            add(format!("1 difference, mm, range {:2.0}", flight.shared_range), off);
        }
        add(
            format!("2 independent, range {:2.0}, share {:.2}", flight.shared_range, scan.share),
            f64::from(independent),
        );
        let sd = |summary: &Value, k: usize, estimate: usize| {
            estimates(&rows(summary)[k])[estimate]["sd_terrain_common"].as_f64().map(millimetres)
        };
        for k in 0..rows(&found).len() {
            for (name, estimate) in [("unweighted", 0), ("weighted", 1)] {
                let of = |summary: &Value, key: &str| {
                    estimates(&rows(summary)[k])[estimate][key].as_f64().map(millimetres)
                };
                let figures = |key| of(&found, key).zip(of(&same, key));
                if let Some((found, truth)) = figures("level_terrain") {
                    add(
                        format!("3 level, mm, {name}, level {:3.0}", scan.level * 1000.0),
                        found - truth + scan.level * 1000.0,
                    );
                }
                if let Some((found, truth)) = figures("sd_terrain") {
                    add(format!("4 SD, %, {name}, same places"), 100.0 * (found / truth - 1.0));
                }
            }
        }
        let last = rows(&found).len() - 1;
        if let (Some(plain), Some(weighted), Some(true_plain), Some(true_weighted)) =
            (sd(&found, last, 0), sd(&found, last, 1), sd(&whole, last, 0), sd(&whole, last, 1))
        {
            let (gain, truth) =
                (100.0 * (1.0 - weighted / plain), 100.0 * (1.0 - true_weighted / true_plain));
            add(format!("5 gain less true gain, %, independent {independent}"), gain - truth);
            add(format!("6 weighted worse than plain told, share {:.2}", scan.share), f64::from(gain < 0.0));
            add(format!("6 weighted worse than plain true, share {:.2}", scan.share), f64::from(truth < 0.0));
        }
        // The k of least SD, and how much worse it is over the whole site than the best.
        let least = |summary: &Value| {
            let known = (0..=last).filter_map(|k| Some((k, sd(summary, k, 0)?)));
            known.min_by(|a, b| a.1.total_cmp(&b.1))
        };
        if let Some(((chosen, _), (_, best))) = least(&found).zip(least(&whole)) {
            add(
                "7 regret of the k of least SD, %".to_string(),
                100.0 * (sd(&whole, chosen, 0).unwrap() / best - 1.0),
            );
        }
        println!("{seed} {flight:?} {scan:?} {unit} independent {independent}");
    }
    for (name, tally) in &tallies {
        let n = tally.values.len();
        match name.starts_with(['2', '6']) {
            true => println!("{name}: {} of {n}", tally.values.iter().sum::<f64>()),
            false => println!("{name}: {}", tally.text()),
        }
    }
}
