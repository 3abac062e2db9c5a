//! A whole job in one command, as it comes from the field: a scan in E57 from tilted tripods with their poses, two areas left out,
//! and snow on the scanned ground, against a flight in metres or feet of which the errors are known.

mod common;

use std::fs;
use std::path::Path;

use common::made::{self, CORNER, Stored, in_unit, point};
use common::random::normal;
use common::scans::{Scan, write as write_scans};
use common::{describe, number, try_run};
use e57::{Quaternion, Transform, Translation};
use las::Point;
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use serde_json::json;
use tempfile::TempDir;

const SIDE: [f64; 2] = [120.0, 80.0];
/// What the flight is off, and its noise, metres.
const BIAS: f64 = 0.012;
const SD: f64 = 0.020;
/// Depth of the snow on the scanned ground, metres.
const SNOW: f64 = 0.040;
/// A bridge whose deck the flight saw and the scan did not, and a pond that has fallen since: x and y from the corner.
const BRIDGE: [[f64; 2]; 2] = [[20.0, 35.0], [10.0, 70.0]];
const POND: [[f64; 2]; 2] = [[80.0, 100.0], [20.0, 45.0]];

fn lies_in(area: [[f64; 2]; 2], x: f64, y: f64) -> bool {
    (area[0][0]..area[0][1]).contains(&x) && (area[1][0]..area[1][1]).contains(&y)
}

/// A tripod: axis and angle of its rotation, and where it stood from the corner of the site.
struct Setup {
    axis: [f64; 3],
    angle: f64,
    at: [f64; 3],
}

const SETUPS: [Setup; 2] = [
    Setup { axis: [0.02, -0.01, 1.0], angle: 1.1, at: [31.0, 44.0, 212.0] },
    Setup { axis: [-0.03, 0.02, -1.0], angle: 2.3, at: [88.0, 31.0, 215.0] },
];

impl Setup {
    fn unit(&self) -> [f64; 3] {
        let length = self.axis.iter().map(|v| v * v).sum::<f64>().sqrt();
        self.axis.map(|v| v / length)
    }

    /// A position on the site in the scanner's own frame, by the rotation formula of Rodrigues, turned back.
    fn local(&self, position: [f64; 3]) -> [f64; 3] {
        let (k, v) = (self.unit(), [0, 1, 2].map(|i| position[i] - self.at[i]));
        let (sin, cos) = (-self.angle).sin_cos();
        let cross = [k[1] * v[2] - k[2] * v[1], k[2] * v[0] - k[0] * v[2], k[0] * v[1] - k[1] * v[0]];
        let along = (0..3).map(|i| k[i] * v[i]).sum::<f64>() * (1.0 - cos);
        [0, 1, 2].map(|i| v[i] * cos + cross[i] * sin + k[i] * along)
    }

    fn pose(&self) -> Transform {
        let (sin, w) = (self.angle / 2.0).sin_cos();
        let [x, y, z] = self.unit().map(|v| v * sin);
        let [dx, dy, dz] = self.at;
        let translation = Translation { x: CORNER.0 + dx, y: CORNER.1 + dy, z: dz };
        Transform { rotation: Quaternion { w, x, y, z }, translation }
    }
}

/// What is true of the comparisons that count: how many, and mean and SD of the errors of the flight.
struct Truth {
    compared: u64,
    in_areas: [u64; 2],
    bias: f64,
    sd: f64,
}

/// Writes `survey.laz`, `scan.e57` and the areas; `unit` metres are one unit of the flight, `slope` the rise of the site.
fn write(folder: &Path, seed: u64, density: f64, slope: f64, unit: f64) -> Truth {
    let mut random = SmallRng::seed_from_u64(seed);
    let (mut survey, mut scanned) = (Vec::new(), [Vec::new(), Vec::new()]);
    let (mut errors, mut in_areas) = (Vec::new(), [0, 0]);
    for i in 0..(SIDE[0] * SIDE[1] * density) as usize {
        let [x, y] = SIDE.map(|side| (random.random::<f64>() * side * 1000.0).floor() / 1000.0);
        let ground = 205.0 + slope * x + 0.8 * (x / 27.0).cos() * (y / 33.0).sin();
        let (bridge, pond) = (lies_in(BRIDGE, x, y), lies_in(POND, x, y));
        let error = BIAS + SD * normal(&mut random);
        let z = ground + error + if bridge { 0.25 } else { 0.0 };
        survey.push(in_unit(point(x, y, z), unit));
        let fallen = if pond { 0.30 } else { 0.0 };
        let z = ground + SNOW - fallen + 0.002 * normal(&mut random);
        let setup = usize::from(x > 60.0);
        scanned[setup].push(SETUPS[setup].local([x, y, z]));
        match (bridge, pond) {
            (true, _) => in_areas[0] += 1,
            (_, true) => in_areas[1] += 1,
            _ => errors.push(error),
        }
        // Some points that no scanner saw.
        if i % 5 == 0 {
            let above = in_unit(point(x + 0.013, y, ground + 2.5), unit);
            survey.push(Point { number_of_returns: 2, ..above });
        }
    }
    made::write(&folder.join("survey.laz"), &survey, &Stored::SILENT);
    let scans: Vec<Scan> = scanned
        .into_iter()
        .zip(&SETUPS)
        .map(|(points, setup)| Scan { pose: Some(setup.pose()), ..Scan::of(points) }.named("tripod"))
        .collect();
    write_scans(&folder.join("scan.e57"), &scans, None);
    for (name, [[x0, x1], [y0, y1]]) in [("bridge", BRIDGE), ("pond", POND)] {
        let ring = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
            .map(|(x, y)| json!([(CORNER.0 + x) / unit, (CORNER.1 + y) / unit]));
        let area = json!({"type": "Polygon", "coordinates": [ring]});
        fs::write(folder.join(format!("{name}.geojson")), area.to_string()).unwrap();
    }
    let n = errors.len() as f64;
    let bias = errors.iter().sum::<f64>() / n;
    let squares = errors.iter().map(|error| (error - bias).powi(2)).sum::<f64>();
    let sd = (squares / (n - 1.0) + 0.002 * 0.002).sqrt();
    Truth { compared: errors.len() as u64, in_areas, bias, sd }
}

fn pipeline(folder: &Path, unit: &str, cell: &str, offset: &str) -> std::path::PathBuf {
    let path = folder.join("job.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: {unit}}}\nreference:\n  files: [scan.e57]\n  uncertainty: 2 mm\n{offset}\
         exclude:\n  - {{area: bridge.geojson, why: bridge deck, system: same}}\n  \
         - {{area: pond.geojson, why: water level, system: same, cloud: reference}}\n\
         units: m\naccept: [{{class: 5 cm, bias: 2 cm}}]\nstages:\n  - read: {{tile: 40 m}}\n  \
         - ground: {{cell: {cell}, dh_initial: 0.7 m, local_slope: true}}\n  - checkpoints: {{}}\n  \
         - compare: {{match: nearest, within: 1 mm}}\n  - summarise: {{}}\n"
    );
    fs::write(&path, text).unwrap();
    path
}

const OFFSET: &str = "  offset: {value: 40 mm, sigma: 2 mm, why: fresh snow on the scanned ground}\n";

#[test]
fn a_scan_with_poses_two_areas_and_snow_run_in_one_command_in_metres_and_feet() {
    for (seed, density, slope, name, unit) in [
        (1, 2.0, 0.05, "m", 1.0),
        (2, 2.0, 0.05, "ftUS", 1200.0 / 3937.0),
        (3, 0.8, 0.04, "ft", 0.3048),
        (4, 6.0, 0.01, "m", 1.0),
    ] {
        let what = format!("seed {seed}, {name}");
        let cell = if density < 1.0 { "2 m" } else { "1 m" };
        let folder = TempDir::new().unwrap();
        let truth = write(folder.path(), seed, density, slope, unit);
        let out = folder.path().join("out");
        let output = try_run(&pipeline(folder.path(), name, cell, OFFSET), &out, &[]);
        assert!(output.status.success(), "{what}: {}", describe(&output));
        let summary = common::summary(&out);
        // The bridge is left out of both clouds. The pond of the reference alone: what is left there finds nothing near.
        let [bridge, pond] = truth.in_areas;
        let excluded = json!([
            {"area": "bridge.geojson", "why": "bridge deck", "survey": bridge, "reference": bridge},
            {"area": "pond.geojson", "why": "water level", "survey": 0, "reference": pond},
        ]);
        assert_eq!(summary["excluded"], excluded, "{what}");
        assert!(bridge > 300 && pond > 200, "{what}");
        let all = &summary["all"];
        assert_eq!(all["compared"], truth.compared, "{what}: {} {}", summary["survey"], summary["reference"]);
        // A thousandth of a foot, of rounding in plan on the slope, and the reference's noise over so many.
        assert!((number(all, "bias") - (truth.bias - SNOW)).abs() < 2e-4, "{what}: {all} {}", truth.bias);
        assert!((number(all, "sd") / truth.sd - 1.0).abs() < 0.01, "{what}: {all} {}", truth.sd);
        let removed = &summary["standards"]["groups"][0]["offset_removed"];
        assert!((number(removed, "bias") - truth.bias).abs() < 2e-4, "{what}: {removed}");
        assert_eq!(summary["accept"].as_array().unwrap().len(), 2, "{what}");
        assert!(
            summary["accept"].as_array().unwrap().iter().all(|limit| limit["verdict"] == "met"),
            "{what}"
        );
        // The terrain is not tested in the areas, where it lies 0.25 m too high and the pond 0.30 m too low; beside them,
        // cells are made of points within.
        let terrain = &summary["terrain_by_returns"][0];
        if density >= 1.0 {
            assert!(number(terrain, "sd_terrain") < 0.03, "{what}: {terrain}");
            assert!((number(terrain, "level_terrain") - BIAS).abs() < 0.01, "{what}: {terrain}");
        }
        // Every point of both scans is read, and counted once.
        assert_eq!(summary["reference"]["read"], truth.compared + bridge + pond, "{what}");
        let page = fs::read_to_string(out.join("report.html")).unwrap();
        for word in ["bridge deck", "water level", "fresh snow"] {
            assert!(page.contains(word), "{what}: {word}");
        }
        // Were the snow not known, the limit on the bias would be missed.
        let output = try_run(&pipeline(folder.path(), name, cell, ""), &folder.path().join("raw"), &[]);
        assert_eq!(output.status.code(), Some(3), "{what}: {}", describe(&output));
    }
}
