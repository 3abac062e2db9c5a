//! A list of surveyed points against a whole flight gives NVA and VVA with their intervals in one command: sites of known truth
//! made by a generator of their own, in metres and in feet.
//!
//! Open ground in the west is hit once a pulse, ground in the east lies under a canopy that takes the first return. The
//! survey's ground is the true one with an error that varies over the site: a level for each half and a field of waves that
//! are long against the facets, so that the interpolated elevation has the error of its place. The points have errors of
//! their own, as their sigma says.

mod common;

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use common::made::{self, CORNER, Stored};
use common::random::{Normal, Wave, sum_of};
use common::try_run;
use las::Point;
use serde_json::Value;
use tempfile::TempDir;

/// A site.
#[derive(Clone, Copy)]
struct Site {
    seed: u64,
    /// Pulses a square metre.
    density: f64,
    /// Rise over run, eastwards.
    slope: f64,
    /// Survey too high on open ground and under canopy, metres.
    bias: [f64; 2],
    /// SD of the error that varies over the site, metres.
    sd: f64,
    /// Standard deviation of the points, metres.
    sigma: f64,
    /// Points on open ground, and as many under canopy.
    points: usize,
    /// Of the files.
    feet: bool,
}

const SIDE: f64 = 120.0;

/// RMSE of each half, the error of the points in it.
type Truth = [f64; 2];

const BASE: Site = Site {
    seed: 1,
    density: 4.0,
    slope: 0.05,
    bias: [0.015, 0.045],
    sd: 0.020,
    sigma: 0.010,
    points: 20,
    feet: false,
};

impl Site {
    fn metres(self) -> f64 {
        if self.feet { 0.3048 } else { 1.0 }
    }

    fn truth(self, x: f64, y: f64) -> f64 {
        250.0 + self.slope * x + 0.4 * (y / 15.0).sin()
    }

    fn write(self, folder: &Path) -> Truth {
        let mut random = Normal::new(self.seed);
        // Waves of 25 to 60 m.
        let waves: Vec<Wave> = (0..40)
            .map(|_| {
                let k = std::f64::consts::TAU / (25.0 + 35.0 * random.uniform());
                let direction = std::f64::consts::TAU * random.uniform();
                [k * direction.cos(), k * direction.sin(), std::f64::consts::TAU * random.uniform()]
            })
            .collect();
        let error = |x: f64, y: f64| self.bias[usize::from(x > SIDE / 2.0)] + self.sd * sum_of(&waves, x, y);
        let unit = self.metres();
        let mut points: Vec<Point> = Vec::new();
        for _ in 0..(SIDE * SIDE * self.density) as usize {
            let (x, y) = (SIDE * random.uniform(), SIDE * random.uniform());
            let ground = self.truth(x, y) + error(x, y);
            let under = x > SIDE / 2.0;
            let mut echo = |number: u8, of: u8, z: f64| {
                let at = made::in_unit(made::point(x, y, z), unit);
                points.push(Point { return_number: number, number_of_returns: of, ..at });
            };
            if under {
                echo(1, 2, ground + 7.0 + 3.0 * random.uniform());
                echo(2, 2, ground);
            } else {
                echo(1, 1, ground);
            }
        }
        made::write(&folder.join("survey.laz"), &points, &Stored { wkt: None, z_scale: 0.0001 });
        let mut list = "name,easting,northing,elevation,sigma\n".to_string();
        for i in 0..2 * self.points {
            // Well inside each half: cover is that of the neighbourhood.
            let half = (i % 2) as f64 * SIDE / 2.0;
            let (x, y) =
                (half + 6.0 + (SIDE / 2.0 - 12.0) * random.uniform(), 3.0 + (SIDE - 6.0) * random.uniform());
            let z = self.truth(x, y) + self.sigma * random.next();
            let of = |metres: f64| metres / unit;
            let _ = writeln!(
                list,
                "P{i},{:.4},{:.4},{:.5},{:.5}",
                of(CORNER.0 + x),
                of(CORNER.1 + y),
                of(z),
                of(self.sigma)
            );
        }
        fs::write(folder.join("points.csv"), list).unwrap();
        [0.0, 1.0].map(|half| {
            let places = (0..10_000)
                .map(|i| (half * 60.0 + 6.0 + f64::from(i % 100) * 0.48, 3.0 + f64::from(i / 100) * 1.14));
            let errors: Vec<f64> = places.map(|(x, y)| error(x, y)).collect();
            let square = errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64;
            (square + self.sigma * self.sigma).sqrt()
        })
    }

    /// The groups of the standard's names, and exit code.
    fn run(self, accept: &str) -> (Truth, Value, i32) {
        let folder = TempDir::new().unwrap();
        let truth = self.write(folder.path());
        let path = folder.path().join("pipeline.yaml");
        let unit = if self.feet { "ft" } else { "m" };
        fs::write(
            &path,
            format!("survey: {{files: [survey.laz], units: {unit}}}\nreference: {{points: points.csv}}\n{accept}\n"),
        )
        .unwrap();
        let output = try_run(&path, &folder.path().join("out"), &[]);
        let code = output.status.code().unwrap();
        assert!([0, 3].contains(&code), "{}", common::describe(&output));
        (truth, common::summary(&folder.path().join("out")), code)
    }
}

fn group<'a>(summary: &'a Value, name: &str) -> &'a Value {
    let groups = summary["standards"]["groups"].as_array().unwrap();
    groups.iter().find(|group| group["name"] == name).unwrap_or_else(|| panic!("{name}"))
}

fn ends(value: &Value, key: &str) -> [f64; 2] {
    [0, 1].map(|i| value[key][i].as_f64().unwrap_or_else(|| panic!("{key} of {value}")))
}

#[test]
fn forty_points_give_nva_and_vva_with_intervals_that_hold() {
    let sites = [
        BASE,
        Site { seed: 2, feet: true, ..BASE },
        Site { seed: 3, density: 9.0, slope: -0.12, bias: [-0.030, 0.010], ..BASE },
        Site { seed: 4, density: 2.0, sd: 0.040, sigma: 0.004, feet: true, ..BASE },
        Site { seed: 5, slope: 0.15, bias: [0.0, 0.080], sd: 0.010, sigma: 0.020, ..BASE },
        Site { seed: 6, density: 6.0, sd: 0.030, feet: true, ..BASE },
    ];
    let (mut held, mut told) = (0, 0);
    for site in sites {
        let (truth, summary, code) = site.run("");
        assert_eq!((code, summary["all"]["compared"].as_u64()), (0, Some(40)), "seed {}", site.seed);
        for (name, rmse) in ["NVA", "VVA"].into_iter().zip(truth) {
            let found = group(&summary, name);
            let metres = |value: f64| value * site.metres();
            assert_eq!(
                (found["compared"].as_u64(), found["enough_checkpoints"].as_bool()),
                (Some(20), Some(false))
            );
            assert!(found["class_cm"].is_null() && found["quality_level"].is_null(), "{found}");
            let v1 = metres(found["rmse_v1"].as_f64().unwrap());
            let v = metres(found["rmse_v"].as_f64().unwrap());
            let v2 = metres(found["rmse_v2"].as_f64().unwrap());
            assert!((v2 - site.sigma).abs() < 1e-4, "{v2}");
            assert!((v - (v1 * v1 + v2 * v2).sqrt()).abs() < 1e-7, "{v} {v1}");
            let [low, high] = ends(found, "rmse_v_ci95").map(metres);
            assert!(low < v && v < high, "{found}");
            let expected = (rmse * rmse + site.sigma * site.sigma).sqrt();
            told += 1;
            held += usize::from(low <= expected && expected <= high);
            // Not far off either: half as much again is beyond four standard errors with 20 points.
            assert!((v / expected).ln().abs() < 0.65, "{name}, seed {}: {v} {expected}", site.seed);
        }
    }
    // 95 % of twelve: fewer than ten come once in fifty times.
    assert!(held >= 10, "{held} of {told}");
}

#[test]
fn thirty_points_each_have_a_class_and_a_verdict_and_feet_say_what_metres_say() {
    let site = Site { seed: 9, bias: [0.010, 0.030], sd: 0.015, sigma: 0.008, points: 32, ..BASE };
    let accept = "accept: [{group: {cover: open}, class: 10 cm}, {group: {cover: canopy}, rmse: 1 cm}]";
    let (_, metres, code) = site.run(accept);
    let (_, feet, of_feet) = Site { feet: true, ..site }.run(accept);
    assert_eq!((code, of_feet), (3, 3));
    for summary in [&metres, &feet] {
        let nva = group(summary, "NVA");
        assert_eq!((nva["compared"].as_u64(), nva["class_cm"].as_f64()), (Some(32), Some(2.5)), "{nva}");
        assert_eq!(summary["accept"][0]["verdict"], "met");
        assert_eq!(summary["accept"][1]["verdict"], "missed");
    }
    for name in ["NVA", "VVA"] {
        let [one, other] = [(&metres, 1.0), (&feet, 0.3048)]
            .map(|(summary, unit)| ends(group(summary, name), "rmse_v_ci95").map(|end| end * unit));
        // Coordinates of the files are thousandths of their unit.
        assert!((0..2).all(|i| (one[i] - other[i]).abs() < 3e-4), "{one:?} {other:?}");
    }
}
