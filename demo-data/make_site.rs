//! Makes an invented site: an airborne survey and a terrestrial scan of it, with the truth that they were made from.
//!
//! The same seed and size give the same bytes, whatever the threads.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Instant;

use clap::Parser;
use rayon::prelude::*;
use serde_json::json;

#[path = "make_site/output.rs"]
mod output;
#[path = "make_site/random.rs"]
mod random;
#[path = "make_site/scan.rs"]
mod scan;
#[path = "make_site/survey.rs"]
mod survey;
#[path = "make_site/terrain.rs"]
mod terrain;

use output::Unit;
use survey::Counts;
use terrain::{PLOT, Plot};

/// The name of the invented site.
const NAME: &str = "Quillhanger Fold";
/// Echoes of a pulse, about.
const POINTS_PER_PULSE: f64 = 1.5;

/// Makes an invented site: a survey, a reference and the truth behind both.
#[derive(Parser)]
#[command(name = "make-site")]
struct Arguments {
    /// Folder to write `survey/`, `reference/` and `truth.json` into.
    out: PathBuf,
    /// Seed of the random numbers.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Extent from west to east, metres.
    #[arg(long, default_value_t = PLOT[0])]
    width: f64,
    /// Extent from south to north, metres.
    #[arg(long, default_value_t = PLOT[1])]
    height: f64,
    /// Pulses a square metre of one strip.
    #[arg(long, default_value_t = 25.0)]
    density: f64,
    /// Survey points to make, about, in place of an extent: the site grows to fit.
    #[arg(long, conflicts_with_all = ["width", "height"])]
    points: Option<f64>,
    /// Unit of coordinates and elevations.
    #[arg(long, value_enum, default_value = "m")]
    units: Unit,
    /// Plots of 120 × 90 m to scan for the reference, about 1.1 million points each, spread over the site from the
    /// south-west on.
    #[arg(long, default_value_t = 1)]
    scans: usize,
}

/// The site that is being made.
struct Site {
    seed: u64,
    width: f64,
    height: f64,
    density: f64,
    unit: Unit,
    columns: usize,
    plots: Vec<Plot>,
}

impl Site {
    fn new(arguments: &Arguments) -> Self {
        let Arguments { seed, mut width, mut height, density, units, .. } = *arguments;
        if let Some(points) = arguments.points {
            let scale = scale_for(points / density / POINTS_PER_PULSE);
            (width, height) = (PLOT[0] * scale, PLOT[1] * scale);
        }
        let columns = (width / PLOT[0]).ceil() as usize;
        let rows = (height / PLOT[1]).ceil() as usize;
        let plots = (0..columns * rows).map(|i| Plot::new(seed, i % columns, i / columns)).collect();
        Site { seed, width, height, density, unit: units, columns, plots }
    }

    /// The plots to scan: as many as asked for of those that lie whole on the site, spread evenly over it.
    fn scanned(&self, scans: usize) -> Vec<usize> {
        let whole = |count: usize, length: f64, of: f64| count.min((length / of) as usize).max(1);
        let rows = whole(self.plots.len() / self.columns, self.height, PLOT[1]);
        let columns = whole(self.columns, self.width, PLOT[0]);
        let count = scans.min(rows * columns);
        (0..count)
            .map(|i| i * rows * columns / count)
            .map(|place| place / columns * self.columns + place % columns)
            .collect()
    }

    /// The plot that a place belongs to.
    fn plot(&self, x: f64, y: f64) -> &Plot {
        let column = (x / PLOT[0]) as usize;
        let row = (y / PLOT[1]) as usize;
        &self.plots[(row * self.columns + column).min(self.plots.len() - 1)]
    }
}

/// How many times as wide and high as the plot a site must be for its strips to cover so many square metres, counted
/// each time they do. Strips overlap, the more the more of them there are: found by halving.
fn scale_for(flown: f64) -> f64 {
    let (mut low, mut high) = (0.0, (flown / PLOT[0] / PLOT[1]).sqrt());
    for _ in 0..60 {
        let scale = (low + high) / 2.0;
        let (width, height) = (PLOT[0] * scale, PLOT[1] * scale);
        if width * height * survey::flown_over(height) < flown { low = scale } else { high = scale }
    }
    high
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments = Arguments::parse();
    let positive = [arguments.width, arguments.height, arguments.density, arguments.points.unwrap_or(1.0)];
    if positive.iter().any(|value| !(value.is_finite() && *value > 0.0)) {
        return Err("width, height, density and points must be above zero".into());
    }
    let site = Site::new(&arguments);
    let strips = survey::strips(site.height);
    if strips > 60_000 {
        return Err("too many strips to number: make the site less high".into());
    }
    let survey_folder = arguments.out.join("survey");
    let reference_folder = arguments.out.join("reference");
    let strips: Vec<String> = (0..strips).map(|strip| format!("strip-{}.laz", 101 + strip)).collect();
    let scanned = site.scanned(arguments.scans);
    let scans: Vec<String> = (1..=scanned.len())
        .map(|i| if i == 1 { "scan.laz".to_string() } else { format!("scan-{i}.laz") })
        .collect();
    folder_for(&survey_folder, &strips)?;
    folder_for(&reference_folder, &scans)?;

    let start = Instant::now();
    let counts = strips
        .par_iter()
        .enumerate()
        .map(|(strip, name)| survey::fly(&site, strip, &survey_folder.join(name)))
        .try_reduce(Counts::default, |a, b| Ok(a.add(&b)))?;
    let survey_seconds = start.elapsed().as_secs_f64();
    let reference_points: u64 = scans
        .par_iter()
        .zip(scanned)
        .map(|(name, plot)| scan::scan(&site, plot, &reference_folder.join(name)))
        .try_reduce(|| 0, |a, b| Ok(a + b))?;

    let truth = json!({
        "site": NAME,
        "seed": site.seed,
        "units": site.unit.symbol(),
        "width_m": site.width,
        "height_m": site.height,
        "pulses_per_m2_of_one_strip": site.density,
        "strips": strips.len(),
        "survey": {
            "bias_by_return_m": survey::BIAS,
            "sd_by_return_m": survey::SD,
            "counts": counts,
        },
        "reference": { "offset_m": scan::OFFSET, "sd_m": scan::SD, "points": reference_points },
    });
    fs::write(arguments.out.join("truth.json"), serde_json::to_string_pretty(&truth)? + "\n")?;
    eprintln!(
        "{} survey points in {survey_seconds:.1} s ({:.0} points/s), {reference_points} reference points",
        counts.points,
        counts.points as f64 / survey_seconds
    );
    Ok(())
}

/// Makes a folder; stops where it holds point files other than those to be written, which would be read along
/// with them.
fn folder_for(folder: &Path, names: &[String]) -> Result<(), Box<dyn std::error::Error>> {
    fs::create_dir_all(folder)?;
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let ours = names.iter().any(|name| path.ends_with(name));
        if !ours && path.extension().is_some_and(|extension| extension == "laz") {
            return Err(format!("{}: is not part of this site; move it away first", path.display()).into());
        }
    }
    Ok(())
}
