//! What matching adds to the residuals, and what the ground filter refuses on slopes, on made ground of which the truth is
//! known. The survey's points lie exactly on the true ground, so that the SD of dz is what matching adds. The full table is an
//! ignored test; its figures stand in `tests/README.md`.

mod common;

use std::path::Path;

use common::made::{self, Stored, point};
use common::{RunResult, number, run};
use las::Point;
use serde_json::Value;
use tempfile::TempDir;

/// Random numbers.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// The true ground: a slope, and relief of three waves in different directions.
#[derive(Clone, Copy, Debug)]
struct Ground {
    /// Rise over run, towards the east-north-east.
    slope: f64,
    /// SD of the relief, m.
    relief: f64,
    /// Its wavelength, m.
    wavelength: f64,
}

impl Ground {
    fn at(self, x: f64, y: f64) -> f64 {
        let wave = |(direction, phase): (f64, f64)| {
            let along = x * f64::cos(direction) + y * f64::sin(direction);
            (std::f64::consts::TAU / self.wavelength * along + phase).cos()
        };
        let waves: f64 = [(0.3, 1.0), (1.6, 2.5), (2.7, 4.0)].into_iter().map(wave).sum();
        300.0
            + self.slope * (x * f64::cos(0.35) + y * f64::sin(0.35))
            + self.relief * (2.0f64 / 3.0).sqrt() * waves
    }
}

/// A square of ground, points strewn at random over it.
struct Site {
    ground: Ground,
    /// Edge of the square, m.
    edge: f64,
    /// Survey points a square metre.
    survey: f64,
    /// Mean spacing of the scan, m, and its noise.
    scan: (f64, f64),
}

impl Site {
    fn strewn(&self, per_m2: f64, noise: f64, random: &mut Random) -> Vec<Point> {
        let count = (per_m2 * self.edge * self.edge) as usize;
        // Whole millimetres, as files hold them: the ground is taken where the point is.
        let mut at = || (random.uniform() * self.edge * 1e3).round() / 1e3;
        let places: Vec<_> = (0..count).map(|_| (at(), at())).collect();
        places.iter().map(|&(x, y)| point(x, y, self.ground.at(x, y) + noise * random.normal())).collect()
    }

    fn write(&self, folder: &Path) {
        let mut random = Random(7);
        let stored = Stored { z_scale: 0.0001, ..Stored::SILENT };
        let (spacing, noise) = self.scan;
        made::write(&folder.join("survey.laz"), &self.strewn(self.survey, 0.0, &mut random), &stored);
        let scan = self.strewn(1.0 / (spacing * spacing), noise, &mut random);
        made::write(&folder.join("reference.laz"), &scan, &stored);
    }
}

/// Runs the clouds in a folder with these options of `ground` and `compare`.
fn compared(folder: &Path, ground: &str, compare: &str) -> RunResult {
    let stages = format!(
        "[read: {{}}, ground: {{{ground}}}, checkpoints: {{}}, compare: {{{compare}}}, summarise: {{}}]"
    );
    run(&made::pipeline(folder, &stages), &[])
}

/// SD of dz, mm.
fn sd(result: &RunResult) -> f64 {
    number(&result.summary()["all"], "sd") * 1e3
}

/// What the result says that matching adds, mm.
fn told(result: &RunResult, what: &str) -> f64 {
    number(&result.summary()["matching"], what) * 1e3
}

fn warns(result: &RunResult, code: &str) -> bool {
    common::warning(&result.summary(), code).is_some()
}

const LEVEL: Ground = Ground { slope: 0.1, relief: 0.0, wavelength: 1.0 };

/// A scan at 6 mm with noise of 10 mm: the plane averages the noise that the nearest point hands on, and the result says how
/// much is left.
#[test]
fn where_the_scan_is_dense_planes_average_its_noise() {
    let folder = TempDir::new().unwrap();
    Site { ground: LEVEL, edge: 2.0, survey: 900.0, scan: (0.006, 0.010) }.write(folder.path());
    let nearest = compared(folder.path(), "", "match: nearest");
    let auto = compared(folder.path(), "", "");
    assert!((9.3..10.9).contains(&sd(&nearest)), "{}", sd(&nearest));
    // 12 to 40 points within 15 or 21 mm.
    assert!((1.5..3.6).contains(&sd(&auto)), "{}", sd(&auto));
    let ratio = told(&auto, "added_sd") / sd(&auto);
    assert!((0.8..1.25).contains(&ratio), "told {} of {}", told(&auto, "added_sd"), sd(&auto));
    let ratio = told(&auto, "residual_sd") / 10.0;
    assert!((0.93..1.07).contains(&ratio), "{ratio}");
    let ratio = told(&auto, "spacing") / 6.0;
    assert!((0.9..1.15).contains(&ratio), "{ratio}");
    let matching = &auto.summary()["matching"];
    assert!(number(matching, "planes") > 0.95 * number(&auto.summary()["all"], "compared"), "{matching}");
    assert!(auto.text("report.html").contains("of matching error"));
    assert_eq!(nearest.summary()["matching"]["planes"], 0);
}

/// A scan at 60 mm over relief that a wide plane smooths: `auto` keeps to the nearest point, and a plane of half a metre is
/// reported.
#[test]
fn where_the_scan_is_coarse_the_nearest_point_is_kept_and_a_wide_plane_is_reported() {
    let folder = TempDir::new().unwrap();
    let ground = Ground { relief: 0.03, wavelength: 0.8, ..LEVEL };
    Site { ground, edge: 12.0, survey: 300.0, scan: (0.06, 0.002) }.write(folder.path());
    let [nearest, auto, wide, ladder] = ["match: nearest", "", "match: plane, within: 0.5 m", "match: plane"]
        .map(|compare| compared(folder.path(), "", compare));
    assert_eq!(auto.summary()["all"], nearest.summary()["all"]);
    assert_eq!(auto.text("checkpoints.csv"), nearest.text("checkpoints.csv"));
    assert!(sd(&auto) < 3.5, "{}", sd(&auto));
    assert!((0.8..1.2).contains(&(told(&auto, "spacing") / 60.0)), "{}", auto.summary()["matching"]);
    assert!((24.0..32.0).contains(&sd(&wide)), "{}", sd(&wide));
    assert!(sd(&ladder) < 8.0, "{}", sd(&ladder));
    assert!(
        (0.7..1.3).contains(&(told(&ladder, "added_sd") / sd(&ladder))),
        "{}",
        ladder.summary()["matching"]
    );
    // What a wide plane leaves out is told in part; its scatter is about as much.
    assert!((0.6..1.2).contains(&(told(&wide, "added_sd") / sd(&wide))), "{}", wide.summary()["matching"]);
    assert!(
        (0.85..1.15).contains(&(told(&wide, "residual_sd") / sd(&wide))),
        "{}",
        wide.summary()["matching"]
    );
    assert!(warns(&wide, "planes_do_not_follow") && !warns(&auto, "planes_do_not_follow"));
}

/// `within` alone is what it was: the nearest point within that distance.
#[test]
fn a_length_alone_asks_for_the_nearest_point() {
    let folder = TempDir::new().unwrap();
    Site { ground: LEVEL, edge: 2.0, survey: 300.0, scan: (0.006, 0.010) }.write(folder.path());
    let alone = compared(folder.path(), "", "within: 15 mm");
    let named = compared(folder.path(), "", "match: nearest, within: 15 mm");
    assert_eq!(alone.same_bytes(), named.same_bytes());
    assert!(alone.text("pipeline.yaml").contains("match: nearest"));
}

/// Neither tiles nor memory show, whatever finds the reference and wherever the filter follows the slope.
#[test]
fn tiles_cannot_be_told() {
    let folder = TempDir::new().unwrap();
    let ground = Ground { slope: 0.5, relief: 0.03, wavelength: 3.0 };
    Site { ground, edge: 24.0, survey: 30.0, scan: (0.06, 0.01) }.write(folder.path());
    // In one corner far denser, so that planes and nearest points both occur.
    let dense = Site { ground, edge: 4.0, survey: 0.0, scan: (0.005, 0.01) };
    let dense = dense.strewn(20_000.0, 0.01, &mut Random(3));
    made::write(&folder.path().join("reference2.laz"), &dense, &Stored { z_scale: 0.0001, ..Stored::SILENT });
    for (checkpoints, compare) in [("", ""), ("", "match: plane"), ("per_return: 300, spacing: 0.3 m", "")] {
        let mut first = None;
        for (tile, memory) in [("100 m", "512M"), ("7 m", "512M"), ("11 m", "20M")] {
            let file = folder.path().join("tiles.yaml");
            let text = format!(
                "title: same\nsurvey: {{files: [survey.laz], units: m}}\nreference: {{files: ['reference*.laz'], units: m}}\n\
                 stages: [read: {{tile: {tile}}}, ground: {{local_slope: true}}, checkpoints: {{{checkpoints}}}, \
                 compare: {{{compare}}}, summarise: {{}}]\n"
            );
            std::fs::write(&file, text).unwrap();
            let found = run(&file, &["--memory", memory]);
            let expected = first.get_or_insert_with(|| found.same_bytes());
            assert!(*expected == found.same_bytes(), "{checkpoints} {compare}: tiles of {tile}, {memory}");
            let matching = &found.summary()["matching"];
            assert!(number(matching, "planes") > 20.0, "{matching}");
            assert!(compare == "match: plane" || number(matching, "nearest") > 20.0, "{matching}");
        }
    }
}

/// The row of the steepest slope class of the reference, and the share of it that the filter refuses.
fn steepest(result: &RunResult) -> (Value, f64) {
    let summary = result.summary();
    let row = summary["reference"]["by_slope"].as_array().unwrap().last().unwrap().clone();
    let refused = number(&row, "slope_refused");
    (row.clone(), refused / (number(&row, "ground") + refused))
}

/// A plane of 40° across the axes: the first window refuses a quarter of it, whatever `slope`; with the local slope next to nothing.
/// The share is counted, shown and warned of.
#[test]
fn what_the_filter_refuses_of_a_slope_is_reported() {
    let folder = TempDir::new().unwrap();
    let ground = Ground { slope: 40f64.to_radians().tan(), ..LEVEL };
    let site = Site { ground, edge: 60.0, survey: 20.0, scan: (0.1, 0.005) };
    site.write(folder.path());
    let plain = compared(folder.path(), "", "");
    let (row, share) = steepest(&plain);
    assert_eq!(row["slope"], ">=0.4");
    // Eastwards and northwards the ground of a cell rises by 394 and 144 mm: 42 % of it by more than 300 mm over its corner, and
    // 26.8 % over the lowest of 25 points strewn in it (simulated with numpy), as this scan has.
    assert!((0.25..0.31).contains(&share), "{row}");
    assert!(warns(&plain, "slope_refused") && plain.text("report.html").contains("Ground filter on slopes"));
    assert!(plain.stdout.contains("refuses ground of the reference for its slope alone"));
    let other = compared(folder.path(), "slope: 1.5", "");
    assert!((steepest(&other).1 - share).abs() < 0.02, "{}", steepest(&other).0);
    let local = compared(folder.path(), "local_slope: true", "");
    // What is left lies at the uphill edge, where every opening lowers the surface.
    assert!(steepest(&local).1 < 0.035, "{}", steepest(&local).0);
    assert!(!warns(&local, "slope_refused"));
}

/// On gentle ground nothing is refused, and what stands on it is not taken for ground that was.
#[test]
fn what_stands_on_the_ground_is_not_taken_for_a_slope() {
    let folder = TempDir::new().unwrap();
    let ground = Ground { slope: 0.15, ..LEVEL };
    let site = Site { ground, edge: 30.0, survey: 60.0, scan: (0.08, 0.005) };
    site.write(folder.path());
    let mut random = Random(9);
    let mut scan = site.strewn(150.0, 0.005, &mut random);
    scan.extend(site.strewn(100.0, 0.005, &mut random).into_iter().map(|p| {
        let z = p.z + 0.6 + 4.0 * random.uniform();
        Point { z, ..p }
    }));
    made::write(&folder.path().join("reference.laz"), &scan, &Stored { z_scale: 0.0001, ..Stored::SILENT });
    let result = compared(folder.path(), "", "");
    let (row, share) = steepest(&result);
    assert_eq!(row["slope"], "0.1-0.2");
    assert!(number(&row, "above_ground") > 50_000.0 && share < 0.01, "{row}");
    assert!(!warns(&result, "slope_refused"));
}

/// The table of `tests/README.md`: what each method adds, and what it says that it adds.
#[test]
#[ignore = "the full table: some minutes"]
fn table_of_matching() {
    println!(
        "| spacing, mm | noise, mm | relief, mm at m | slope | nearest | auto | plane, auto | plane, 0.5 m | told: auto | plane, auto | plane, 0.5 m |"
    );
    println!("| ---: | ---: | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |");
    let mut squares = [0.0; 4];
    for (spacing, edge, survey) in [
        (0.002, 0.6, 3000.0),
        (0.008, 2.0, 600.0),
        (0.03, 4.0, 1000.0),
        (0.1, 10.0, 1500.0),
        (0.5, 40.0, 300.0),
    ] {
        for noise in [0.001, 0.005, 0.02, 0.05] {
            for (relief, wavelength, slope) in [
                (0.0, 1.0, 0.0),
                (0.0, 1.0, 0.6),
                (0.02, 0.3, 0.2),
                (0.02, 0.8, 0.2),
                (0.05, 0.8, 0.2),
                (0.05, 3.0, 0.2),
            ] {
                let folder = TempDir::new().unwrap();
                let ground = Ground { slope, relief, wavelength };
                Site { ground, edge, survey, scan: (spacing, noise) }.write(folder.path());
                let results = ["match: nearest", "", "match: plane", "match: plane, within: 0.5 m"]
                    .map(|compare| compared(folder.path(), "local_slope: true", compare));
                let added = results.each_ref().map(sd);
                squares
                    .iter_mut()
                    .zip(added)
                    .for_each(|(sum, added)| *sum += (0.9 + added * added / 1e3).sqrt() - 0.9f64.sqrt());
                let told = results[1..].iter().map(|result| {
                    let told = result.summary()["matching"]["added_sd"].as_f64();
                    told.map_or("–".to_string(), |told| format!("{:.1}", told * 1e3))
                });
                let told: Vec<String> = told.collect();
                let [spacing, noise, relief] = [spacing, noise, relief].map(|length: f64| length * 1e3);
                println!(
                    "| {spacing} | {noise} | {relief} at {wavelength} | {slope} | {} | {} |",
                    added.map(|added| format!("{added:.1}")).join(" | "),
                    told.join(" | ")
                );
            }
        }
    }
    // Beside the noise of a survey of 30 mm.
    let rows = 5.0 * 4.0 * 6.0;
    let means = squares.map(|sum| format!("{:.2}", sum * 1e3f64.sqrt() / rows));
    println!("\nMean added to an SD of 30 mm: nearest, auto, plane auto, plane 0.5 m: {}", means.join(", "));
}

/// The table of `tests/README.md`: the share of true ground that the filter refuses by slope.
#[test]
#[ignore = "the full table"]
fn table_of_slopes() {
    println!("| slope, ° | relief, mm | refused, % | reported, % | with `local_slope` | reported |");
    for degrees in [0.0, 10.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0f64] {
        for relief in [0.0, 0.05] {
            let folder = TempDir::new().unwrap();
            let ground = Ground { slope: degrees.to_radians().tan(), relief, wavelength: 3.0 };
            Site { ground, edge: 80.0, survey: 10.0, scan: (0.1, 0.005) }.write(folder.path());
            let shares = ["", "local_slope: true"].map(|options| {
                let result = compared(folder.path(), options, "");
                let summary = result.summary();
                let reference = &summary["reference"];
                let refused = 1.0 - number(reference, "ground") / number(reference, "read");
                let rows = reference["by_slope"].as_array().unwrap().clone();
                let sum = |key: &str| rows.iter().map(|row| number(row, key)).sum::<f64>();
                let told = sum("slope_refused") / (sum("ground") + sum("slope_refused"));
                format!("{:.1} | {:.1}", refused * 100.0, told * 100.0)
            });
            println!("| {degrees} | {} | {} |", relief * 1e3, shares.join(" | "));
        }
    }
}
