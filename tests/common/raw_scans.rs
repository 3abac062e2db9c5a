//! Raw scans of two setups with targets and control, and a survey of the same ground, of which the truth is known.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use las::Point;

use super::made::{self, CORNER, Stored, grid, point, slope};
use super::random::Normal;
use super::scans::{Scan, write};

pub const FOOT: f64 = 0.3048;

/// A setup: its name, how it was turned about the vertical, and where it stood, counted from the corner of the site.
pub const SETUPS: [(&str, f64, [f64; 3]); 2] =
    [("S1", 0.7, [5.0, 4.0, 301.0]), ("S2", -2.1, [14.0, 11.0, 302.0])];

/// Control points, counted from the corner, around the site.
pub const CONTROL: [(&str, [f64; 3]); 5] = [
    ("C1", [-3.0, -2.0, 301.5]),
    ("C2", [23.0, -4.0, 302.0]),
    ("C3", [25.0, 18.0, 300.5]),
    ("C4", [-2.0, 17.0, 303.0]),
    ("C5", [10.0, 20.0, 301.0]),
];

/// Control on the ground of the site, counted from its corner: what the survey is fitted to.
pub const ON_GROUND: [(&str, f64, f64); 6] = [
    ("K1", 2.1, 2.2),
    ("K2", 17.8, 2.4),
    ("K3", 17.9, 12.6),
    ("K4", 2.3, 12.7),
    ("K5", 9.9, 7.4),
    ("K6", 6.2, 4.3),
];

/// Writes the list of that control, `flight.csv`, in a unit of so many metres; with errors where a seed is given.
pub fn write_flight(folder: &Path, unit: f64, sigma: f64, seed: Option<u64>) {
    let mut random = seed.map(Normal::new);
    let mut list = "name,easting,northing,elevation,sigma\n".to_string();
    for (name, x, y) in ON_GROUND {
        let z = slope(x, y) + random.as_mut().map_or(0.0, |random| sigma * random.next());
        let [x, y, z, sigma] = [CORNER.0 + x, CORNER.1 + y, z, sigma].map(|v| v / unit);
        writeln!(list, "{name},{x:.6},{y:.6},{z:.7},{sigma}").unwrap();
    }
    fs::write(folder.join("flight.csv"), list).unwrap();
}

/// A place counted from the corner in the frame of a setup.
pub fn own(at: [f64; 3], (_, turn, stood): (&str, f64, [f64; 3])) -> [f64; 3] {
    let (sin, cos) = turn.sin_cos();
    let (dx, dy) = (at[0] - stood[0], at[1] - stood[1]);
    [cos * dx + sin * dy, cos * dy - sin * dx, at[2] - stood[2]]
}

/// What differs between the sites of the tests.
pub struct Site {
    /// Unit of the scans, metres.
    pub unit: f64,
    /// Standard deviations of targets and of control, metres, and the seed of their errors.
    pub errors: Option<(f64, f64, u64)>,
    /// Whether the second scan is an E57 file with a pose that is not its own.
    pub e57: bool,
}

pub const EXACT: Site = Site { unit: 1.0, errors: None, e57: false };

impl Site {
    /// A survey 20 mm above the slope, and its halves as two raw scans, which overlap, with the lists to register them.
    pub fn write(&self, folder: &Path) {
        let survey: Vec<_> = grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + 0.02)).collect();
        made::write_plain(&folder.join("survey.laz"), &survey);
        for (setup, (from, to)) in SETUPS.into_iter().zip([(0.0, 11.0), (9.0, 20.0)]) {
            let half = grid(40, 30, 0.5).filter(|(x, _)| (from..to).contains(x));
            let local = half.map(|(x, y)| own([x, y, slope(x, y)], setup));
            let scaled = local.map(|at| at.map(|v| v / self.unit));
            if self.e57 && setup.0 == "S2" {
                let scan = Scan::of(scaled).named("east").posed(1.0, [7.0, 8.0, 9.0]);
                write(&folder.join("s2.e57"), &[scan], None);
            } else {
                let to_point = |[x, y, z]: [f64; 3]| Point { x, y, z, ..point(0.0, 0.0, 0.0) };
                let stored = Stored { z_scale: 1e-6, ..Stored::SILENT };
                let name = format!("{}.laz", setup.0.to_lowercase());
                made::write(&folder.join(name), &scaled.map(to_point).collect::<Vec<_>>(), &stored);
            }
        }
        self.write_lists(folder);
    }

    pub fn write_lists(&self, folder: &Path) {
        let (of_target, of_control, seed) = self.errors.unwrap_or((0.0, 0.0, 1));
        let mut random = Normal::new(seed);
        let stated = |sigma: f64, otherwise: f64| if sigma > 0.0 { sigma } else { otherwise };
        let mut targets = "setup,name,x,y,z,sigma\n".to_string();
        for setup in SETUPS {
            for (name, at) in CONTROL {
                let at = own(at, setup).map(|v| (v + of_target * random.next()) / self.unit);
                let sigma = stated(of_target, 0.002) / self.unit;
                writeln!(targets, "{},{name},{:.7},{:.7},{:.7},{sigma}", setup.0, at[0], at[1], at[2])
                    .unwrap();
            }
        }
        fs::write(folder.join("targets.csv"), targets).unwrap();
        let mut control = "name,easting,northing,elevation,sigma_h,sigma_v,note\n".to_string();
        for (name, [x, y, z]) in CONTROL {
            let [x, y, z] = [CORNER.0 + x, CORNER.1 + y, z].map(|v| v + of_control * random.next());
            let sigma = stated(of_control, 0.003);
            // In plan the length of both coordinates.
            let in_plan = sigma * std::f64::consts::SQRT_2;
            writeln!(control, "{name},{x:.6},{y:.6},{z:.6},{in_plan},{sigma},nail").unwrap();
        }
        fs::write(folder.join("control.csv"), control).unwrap();
    }

    pub fn reference(&self, more: &str) -> String {
        let second = if self.e57 { "s2.e57" } else { "s2.laz" };
        let units = if self.unit == FOOT { "ft" } else { "m" };
        format!(
            "{{scans: [{{name: S1, files: [s1.laz]}}, {{name: S2, files: [{second}]}}], units: {units}, \
             register: {{targets: targets.csv, control: control.csv{more}}}}}"
        )
    }
}

pub fn pipeline(folder: &Path, reference: &str, stages: &str) -> PathBuf {
    let path = folder.join("pipeline.yaml");
    let text =
        format!("survey: {{files: [survey.laz], units: m}}\nreference: {reference}\nstages: {stages}\n");
    fs::write(&path, text).unwrap();
    path
}

/// Adds so many units to the elevation of a point in a list, the first whose name begins like that.
pub fn spoil(list: &Path, name: &str, by: f64) {
    let text = fs::read_to_string(list).unwrap();
    let line = text.lines().find(|line| line.starts_with(name)).unwrap().to_string();
    let mut fields: Vec<String> = line.split(',').map(str::to_string).collect();
    fields[3] = format!("{:.6}", fields[3].parse::<f64>().unwrap() + by);
    fs::write(list, text.replace(&line, &fields.join(","))).unwrap();
}
