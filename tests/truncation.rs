//! The truncation correction where errors are not tidy: never worse than the observed figures by more than its interval.
//!
//! The truth is bias and SD of the errors of *all* ground points of the site, before any filter, and it holds for both readings of it:
//! the noise alone, and the noise with the blunders.

mod common;

use std::io::Write;

use common::untidy::{PLAIN, Site, Tail, Truth};
use common::{describe, number, try_run};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use tempfile::TempDir;

/// Observed and corrected figures of all returns together, millimetres.
struct Judged {
    truth: Truth,
    observed: [f64; 2],
    corrected: Option<Corrected>,
    reason: String,
    compared: u64,
}

struct Corrected {
    figures: [f64; 2],
    intervals: [[f64; 2]; 2],
    truncated: f64,
}

fn judge(site: &Site) -> Option<Judged> {
    let folder = TempDir::new().unwrap();
    let truth = site.write(folder.path());
    let out = folder.path().join("out");
    let output = try_run(&site.pipeline(folder.path()), &out, &[]);
    // A drawn site of a hundred points, all of them refused.
    if String::from_utf8_lossy(&output.stderr).contains("nothing was compared") {
        return None;
    }
    assert!(output.status.success(), "{}", describe(&output));
    let summary = common::summary(&out);
    assert_null_has_a_reason(&summary);
    let all = &summary["all"];
    let compared = all["compared"].as_u64().unwrap();
    if compared < 20 {
        return None;
    }
    let mm = if site.feet { 304.8 } else { 1_000.0 };
    let figures = |of: &Value| [mm * number(of, "bias"), mm * number(of, "sd")];
    let found = &all["truncation_corrected"];
    let interval = |key: &str| [0, 1].map(|end| mm * found[key][end].as_f64().unwrap());
    let corrected = (!found["bias"].is_null()).then(|| Corrected {
        figures: figures(found),
        intervals: ["bias_ci95", "sd_ci95"].map(interval),
        truncated: number(found, "truncated"),
    });
    let reason = found["reason"].as_str().unwrap_or_default().to_string();
    let in_mm = |(bias, sd): (f64, f64)| (1_000.0 * bias, 1_000.0 * sd);
    let truth = Truth { noise: in_mm(truth.noise), with_blunders: in_mm(truth.with_blunders) };
    Some(Judged { truth, observed: figures(all), corrected, reason, compared })
}

/// Wherever bias is null SD is too, and `reason` says why; and the other way round.
fn assert_null_has_a_reason(value: &Value) {
    if let Some(found) = value.get("truncation_corrected").filter(|found| !found.is_null()) {
        let figures = ["bias", "bias_ci95", "sd", "sd_ci95", "truncated"].map(|key| found[key].is_null());
        assert_eq!(figures, [!found["reason"].is_null(); 5], "{found}");
    }
    match value {
        Value::Object(map) => map.values().for_each(assert_null_has_a_reason),
        Value::Array(list) => list.iter().for_each(assert_null_has_a_reason),
        _ => {}
    }
}

impl Judged {
    /// Of bias and SD, whether the correction is worse than what was observed by more than its interval, for either truth.
    fn is_worse(&self) -> [bool; 2] {
        let Some(corrected) = &self.corrected else { return [false; 2] };
        [0, 1].map(|i| {
            [self.truth.noise, self.truth.with_blunders].into_iter().any(|(bias, sd)| {
                let truth = [bias, sd][i];
                let [low, high] = corrected.intervals[i];
                (corrected.figures[i] - truth).abs() > (self.observed[i] - truth).abs() + (high - low) / 2.0
            })
        })
    }

    /// Whether the intervals hold the truth of the noise.
    fn holds(&self) -> [bool; 2] {
        let truth = [self.truth.noise.0, self.truth.noise.1];
        let corrected = self.corrected.as_ref();
        [0, 1].map(|i| corrected.is_some_and(|c| (c.intervals[i][0]..=c.intervals[i][1]).contains(&truth[i])))
    }

    fn describe(&self) -> String {
        let corrected = self.corrected.as_ref().map(|c| (c.figures, c.intervals, c.truncated));
        format!("{:?} observed {:?} corrected {corrected:?} {}", self.truth, self.observed, self.reason)
    }
}

#[test]
fn a_surface_that_shares_the_error_of_its_points_is_allowed_for() {
    // Tried by the issue: +10.6/78.1 and +32.5/99.5 mm for true 0/72.1 and 0/84.9.
    for (seed, shared) in [(1, 0.04), (2, 0.06), (3, 0.06)] {
        let found = judge(&Site { seed, shared, ..PLAIN }).unwrap();
        let (bias, sd) = found.truth.noise;
        let [corrected_bias, corrected_sd] = found.corrected.as_ref().unwrap().figures;
        assert!((found.observed[0] - bias).abs() > 25.0, "{}", found.describe());
        assert!((corrected_bias - bias).abs() < 6.0, "{}", found.describe());
        assert!((corrected_sd / sd - 1.0).abs() < 0.04, "{}", found.describe());
        assert_eq!((found.is_worse(), found.holds()), ([false; 2], [true; 2]), "{}", found.describe());
    }
}

#[test]
fn a_few_low_blunders_spoil_nothing_and_many_are_refused() {
    for (seed, low) in [(1, 0.0005), (2, 0.001)] {
        let found = judge(&Site { seed, low, ..PLAIN }).unwrap();
        let corrected = found.corrected.as_ref().unwrap();
        assert!((corrected.figures[0] - found.truth.noise.0).abs() < 6.0, "{}", found.describe());
        assert!((corrected.figures[1] / found.truth.noise.1 - 1.0).abs() < 0.08, "{}", found.describe());
        assert!((0.3..0.45).contains(&corrected.truncated), "{}", found.describe());
        assert_eq!(found.is_worse(), [false; 2], "{}", found.describe());
    }
    for site in [Site { low: 0.01, ..PLAIN }, Site { tail: Tail::T(3), ..PLAIN }] {
        let found = judge(&site).unwrap();
        assert!(found.corrected.is_none() && found.reason.contains("lower tail"), "{}", found.describe());
    }
}

#[test]
fn returns_slopes_tails_and_feet_are_none_the_worse() {
    let sites = [
        Site { returns: 3, noise: 0.04, ..PLAIN },
        Site { slope: 0.3, threshold: 0.1, ..PLAIN },
        Site { tail: Tail::Laplace, ..PLAIN },
        Site { tail: Tail::Laplace, threshold: 0.3, ..PLAIN },
        Site { tail: Tail::T(5), threshold: 0.3, ..PLAIN },
        Site { shared: 0.05, points: 4_000, ..PLAIN },
        Site { feet: true, shared: 0.04, ..PLAIN },
    ];
    let mut missed = Vec::new();
    for site in sites {
        let found = judge(&site).unwrap();
        let corrected = found.corrected.as_ref().unwrap_or_else(|| panic!("{site:?} {}", found.describe()));
        assert_eq!(found.is_worse(), [false; 2], "{site:?} {}", found.describe());
        // Not by saying what was observed.
        missed.extend(found.holds().into_iter().filter(|held| !held).map(|_| found.describe()));
        let gone = |i: usize| (corrected.figures[i] - found.observed[i]).abs();
        assert!(corrected.truncated < 0.05 || gone(0) > 10.0, "{site:?} {}", found.describe());
    }
    // 95 % intervals; and where half of Laplace noise was refused, the bias lies beyond them on every second site (tests/README.md).
    assert!(missed.len() <= 2, "{missed:#?}");
    // Nothing is truncated, and nothing changed.
    let found = judge(&Site { noise: 0.01, threshold: 0.3, ..PLAIN }).unwrap();
    let corrected = found.corrected.as_ref().unwrap();
    assert!((corrected.figures[0] - found.observed[0]).abs() < 0.01, "{}", found.describe());
}

/// The rows of the table.
fn rows() -> Vec<(&'static str, Site)> {
    let row = |name, site: Site| (name, site);
    vec![
        row("white noise", PLAIN),
        row("threshold 0.3 m", Site { threshold: 0.3, ..PLAIN }),
        row("noise 120 mm", Site { noise: 0.12, ..PLAIN }),
        row("noise 120 mm, 0.3 m", Site { noise: 0.12, threshold: 0.3, ..PLAIN }),
        row("noise 20 mm", Site { noise: 0.02, ..PLAIN }),
        row("5 points/m²", Site { density: 5.0, ..PLAIN }),
        row("500 points/m²", Site { density: 500.0, points: 80_000, ..PLAIN }),
        row("shared 40 mm at 8 m", Site { shared: 0.04, ..PLAIN }),
        row("shared 60 mm at 8 m", Site { shared: 0.06, ..PLAIN }),
        row("shared 60 mm at 3 m", Site { shared: 0.06, range: 3.0, ..PLAIN }),
        row("shared 60 mm at 1 m", Site { shared: 0.06, range: 1.0, ..PLAIN }),
        row("shared 60 mm at 20 m", Site { shared: 0.06, range: 20.0, ..PLAIN }),
        row("shared 50 mm, 500/m²", Site { shared: 0.05, density: 500.0, points: 80_000, ..PLAIN }),
        row("low 0.05 %", Site { low: 0.0005, ..PLAIN }),
        row("low 0.1 %", Site { low: 0.001, ..PLAIN }),
        row("low 0.1 %, 0.3 m", Site { low: 0.001, threshold: 0.3, ..PLAIN }),
        row("low 0.3 %", Site { low: 0.003, ..PLAIN }),
        row("low 1 %", Site { low: 0.01, ..PLAIN }),
        row("low 1 %, 0.3 m", Site { low: 0.01, threshold: 0.3, ..PLAIN }),
        row("low 0.5 %, shared 50 mm", Site { low: 0.005, shared: 0.05, ..PLAIN }),
        row("high 1 %", Site { high: 0.01, ..PLAIN }),
        row("high 2 %, 0.5 m", Site { high: 0.02, threshold: 0.5, ..PLAIN }),
        row("t, 3 df", Site { tail: Tail::T(3), ..PLAIN }),
        row("t, 5 df", Site { tail: Tail::T(5), ..PLAIN }),
        row("t, 5 df, 0.3 m", Site { tail: Tail::T(5), threshold: 0.3, ..PLAIN }),
        row("t, 5 df, shared 50 mm", Site { tail: Tail::T(5), shared: 0.05, ..PLAIN }),
        row("Laplace", Site { tail: Tail::Laplace, ..PLAIN }),
        row("Laplace, 0.3 m", Site { tail: Tail::Laplace, threshold: 0.3, ..PLAIN }),
        row("slope 30 %", Site { slope: 0.3, ..PLAIN }),
        row(
            "slope 30 %, 0.1 m, flat filter",
            Site { slope: 0.3, threshold: 0.1, filter_slope: 0.05, ..PLAIN },
        ),
        row("slope 30 %, shared 50 mm", Site { slope: 0.3, shared: 0.05, ..PLAIN }),
        row("relief 0.3 m", Site { relief: 0.3, ..PLAIN }),
        row("three returns", Site { returns: 3, noise: 0.04, ..PLAIN }),
        row("three returns, feet", Site { returns: 3, noise: 0.04, feet: true, ..PLAIN }),
        row("1,000 points", Site { points: 1_000, ..PLAIN }),
        row("1,000 points, shared 50 mm", Site { points: 1_000, shared: 0.05, ..PLAIN }),
        row("300 points", Site { points: 300, ..PLAIN }),
        row("100 points", Site { points: 100, ..PLAIN }),
        row("100 points, 0.3 m", Site { points: 100, threshold: 0.3, ..PLAIN }),
    ]
}

/// A site drawn from the whole range.
fn drawn(seed: u64) -> Site {
    let mut random = SmallRng::seed_from_u64(77_000 + seed);
    let mut within = |low: f64, high: f64| low + (high - low) * random.random::<f64>();
    let mut between = |low: f64, high: f64| within(low.ln(), high.ln()).exp();
    let (points, noise, density, range) =
        (between(100.0, 1e5) as usize, between(0.01, 0.12), between(5.0, 500.0), between(1.0, 20.0));
    let shared = if within(0.0, 1.0) < 0.6 { within(0.0, 0.8) } else { 0.0 };
    let mut blunders = || if within(0.0, 1.0) < 0.3 { within(0.0, 0.02) } else { 0.0 };
    let (low, high) = (blunders(), blunders());
    let tails = [Tail::Normal, Tail::Normal, Tail::Normal, Tail::T(3), Tail::T(5), Tail::Laplace];
    Site {
        seed,
        points,
        density,
        noise: noise * (1.0 - shared).sqrt(),
        tail: tails[within(0.0, 6.0) as usize],
        shared: noise * shared.sqrt(),
        range,
        low,
        high,
        slope: within(0.0, 0.3),
        relief: if within(0.0, 1.0) < 0.5 { 0.3 } else { 0.0 },
        returns: if within(0.0, 1.0) < 0.3 { 3 } else { 1 },
        threshold: within(0.1, 0.5),
        filter_slope: 0.3,
        feet: within(0.0, 1.0) < 0.2,
    }
}

/// What many sites found.
#[derive(Default)]
struct Table {
    sites: usize,
    corrected: usize,
    observed: [f64; 2],
    error: [f64; 2],
    width: [f64; 2],
    held: [usize; 2],
    worse: [usize; 2],
}

impl Table {
    fn add(&mut self, found: &Judged) {
        self.sites += 1;
        let Some(corrected) = &found.corrected else { return };
        self.corrected += 1;
        let truth = [found.truth.noise.0, found.truth.noise.1];
        let (worse, held) = (found.is_worse(), found.holds());
        for i in 0..2 {
            self.observed[i] += found.observed[i] - truth[i];
            self.error[i] += corrected.figures[i] - truth[i];
            self.width[i] += (corrected.intervals[i][1] - corrected.intervals[i][0]) / 2.0;
            self.held[i] += usize::from(held[i]);
            self.worse[i] += usize::from(worse[i]);
        }
    }

    fn line(&self, name: &str) -> String {
        let n = self.corrected.max(1) as f64;
        let pair = |of: &[f64; 2]| format!("{:+.1} / {:+.1}", of[0] / n, of[1] / n);
        let width = format!("{:.1} / {:.1}", self.width[0] / n, self.width[1] / n);
        let share =
            |of: &[usize; 2]| format!("{:.0} / {:.0}", 100.0 * of[0] as f64 / n, 100.0 * of[1] as f64 / n);
        let figures = if self.corrected == 0 {
            ["–"; 5].map(String::from)
        } else {
            [pair(&self.observed), pair(&self.error), width, share(&self.held), share(&self.worse)]
        };
        format!("| {name} | {} of {} | {} |", self.corrected, self.sites, figures.join(" | "))
    }
}

#[test]
#[ignore = "some minutes: makes the table of tests/README.md"]
fn table_of_sites() {
    let mut worse = Vec::new();
    let mut all = Vec::new();
    for (name, site) in rows() {
        let mut table = Table::default();
        for seed in 100..112 {
            let Some(found) = judge(&Site { seed, ..site }) else { continue };
            table.add(&found);
            if found.is_worse() != [false; 2] {
                worse.push(format!("{name}, {seed}: {}", found.describe()));
            }
        }
        let line = table.line(name);
        println!("{line}");
        std::io::stdout().flush().unwrap();
        all.push(line);
    }
    assert!(worse.is_empty(), "{}", worse.join("\n"));
}

#[test]
#[ignore = "some minutes: the last line of the table of tests/README.md"]
fn sites_drawn_from_the_whole_range() {
    let (mut tidy, mut other, mut worse) = (Table::default(), Table::default(), Vec::new());
    for seed in 0..200 {
        let site = drawn(seed);
        let Some(found) = judge(&site) else { continue };
        let is_tidy = site.tail == Tail::Normal && site.low + site.high == 0.0;
        (if is_tidy { &mut tidy } else { &mut other }).add(&found);
        if found.is_worse() != [false; 2] {
            worse.push(format!("{site:?}, {} compared: {}", found.compared, found.describe()));
        }
    }
    println!("{}\n{}", tidy.line("drawn, normal"), other.line("drawn, other"));
    assert!(worse.is_empty(), "{}", worse.join("\n"));
}
