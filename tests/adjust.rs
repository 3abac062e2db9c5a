//! `echograde adjust`: control networks against scipy, published values, and whatever else people put into the files.

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use common::{describe, echograde, number, refused};
use serde_json::Value;
use tempfile::TempDir;

const NEEDLES: [&str; 3] = ["adjusted.csv", "adjustment.html", "adjustment.json"];

/// A folder with files, and what `adjust` makes of the network in it.
struct Made {
    folder: TempDir,
}

impl Made {
    fn new(files: &[(&str, &str)]) -> Self {
        let folder = TempDir::new().unwrap();
        for (name, text) in files {
            fs::write(folder.path().join(name), text).unwrap();
        }
        Made { folder }
    }

    fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    fn adjust(&self, options: &[&str]) -> Output {
        let mut command = echograde();
        command.arg("adjust").arg(self.folder.path().join("network.yaml")).arg("--out").arg(self.out());
        command.args(options).output().unwrap()
    }

    fn json(&self) -> Value {
        let output = self.adjust(&["--json"]);
        assert!(output.status.success(), "{}", describe(&output));
        let printed = String::from_utf8(output.stdout).unwrap();
        assert_eq!(printed, self.text("adjustment.json"));
        serde_json::from_str(&printed).unwrap()
    }

    fn text(&self, name: &str) -> String {
        fs::read_to_string(self.out().join(name)).unwrap()
    }

    /// What it says of a network that it refuses, and that it leaves nothing.
    fn refused(&self) -> String {
        let said = refused(&self.adjust(&[]), 2);
        assert!(!self.out().exists(), "{said}");
        said
    }
}

fn point<'v>(found: &'v Value, name: &str) -> &'v Value {
    let mut points = found["points"].as_array().unwrap().iter();
    points.find(|point| point["name"] == name).unwrap_or_else(|| panic!("{name}"))
}

fn near(value: f64, expected: f64, within: f64, what: &str) {
    assert!((value - expected).abs() <= within, "{what}: {value} instead of {expected} (±{within})");
}

fn oracle() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/oracle/network_values.json");
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

fn files(network: &Value) -> Vec<(&str, &str)> {
    let files = network["files"].as_object().unwrap();
    files.iter().map(|(name, text)| (name.as_str(), text.as_str().unwrap())).collect()
}

#[test]
fn networks_agree_with_scipy() {
    for (name, network) in oracle().as_object().unwrap() {
        let found = Made::new(&files(network)).json();
        assert_eq!(found["degrees_of_freedom"], network["degrees_of_freedom"], "{name}");
        near(number(&found, "weighted_square_sum"), number(network, "square_sum"), 1e-6, name);
        for (end, bound) in ["lower", "upper"].iter().zip(network["chi_squared"].as_array().unwrap()) {
            near(number(&found["global_test"], end), bound.as_f64().unwrap(), 1e-6, name);
        }
        for (point_name, axes) in network["points"].as_object().unwrap() {
            let row = point(&found, point_name);
            let factor = number(&found, "sigma_factor");
            for (axis, expected) in axes.as_object().unwrap() {
                let at = axis.parse::<usize>().unwrap();
                let what = format!("{name} {point_name} {axis}");
                // A thousandth of a millimetre, in metres or feet; a hundred-thousandth of it for sigmas;
                // a twenty-thousandth of a sigma for residuals.
                near(
                    number(row, ["easting", "northing", "elevation"][at]),
                    expected[0].as_f64().unwrap(),
                    1e-5,
                    &what,
                );
                let sigma = expected[1].as_f64().unwrap() * factor;
                near(number(row, ["sigma_e", "sigma_n", "sigma_v"][at]), sigma, 1e-5 * sigma, &what);
            }
        }
        let rows = found["observations"].as_array().unwrap();
        let expected = network["observations"].as_array().unwrap();
        assert_eq!(rows.len(), expected.len(), "{name}");
        for one in expected {
            // Two positions of one point differ in their values, two directions in their sets.
            let is_it = |row: &&Value| {
                let same = ["kind", "from", "to"].iter().all(|key| row[key] == one[key]);
                let observed = number(row, "residual") / number(row, "sigma");
                same && (observed - number(one, "in_sigmas")).abs() < 5e-5
            };
            let row = rows.iter().find(is_it).unwrap_or_else(|| panic!("{name}: {one} is not in {rows:#?}"));
            near(number(row, "redundancy"), number(one, "redundancy"), 1e-5, name);
            if let Some(w) = one["w"].as_f64() {
                near(number(row, "w"), w, 5e-5, name);
            }
        }
    }
}

#[test]
fn the_order_of_rows_changes_nothing() {
    for (name, network) in oracle().as_object().unwrap() {
        let first = Made::new(&files(network));
        let mut points = vec![first.json()["points"].clone()];
        let turned: Vec<(String, String)> = files(network)
            .into_iter()
            .map(|(file, text)| {
                let lines: Vec<&str> = text.lines().collect();
                let backwards: Vec<&str> =
                    lines[..1].iter().chain(lines[1..].iter().rev()).copied().collect();
                (
                    file.to_string(),
                    if file.ends_with(".csv") { backwards.join("\n") } else { text.to_string() },
                )
            })
            .collect();
        let turned: Vec<(&str, &str)> = turned.iter().map(|(name, text)| (&name[..], &text[..])).collect();
        let second = Made::new(&turned);
        points.push(second.json()["points"].clone());
        assert_eq!(points[0], points[1], "{name}");
        assert_eq!(first.text("adjusted.csv"), second.text("adjusted.csv"), "{name}");
    }
}

/// Example I of a textbook (Ghilani, levelling nets; attribution from memory), weights by length.
const LEVELS: &str = "from,to,dh,length\nX,A,5.10,4\nA,Y,2.34,3\nY,C,-1.25,2\nC,X,-6.13,3\nA,B,-0.68,2\nY,B,-3.00,2\nB,C,1.70,2\n";

#[test]
fn a_textbook_levelling_network_weighted_by_length() {
    let network =
        "fixed: [{name: X, elevation: 100}, {name: Y, elevation: 107.5, sigma: 0}]\nlevels: levels.csv\n";
    let made = Made::new(&[("network.yaml", network), ("levels.csv", LEVELS)]);
    let found = made.json();
    for (name, elevation, sigma) in
        [("A", 105.1504, 0.032756), ("B", 104.4892, 0.029759), ("C", 106.1972, 0.029035)]
    {
        near(number(point(&found, name), "elevation"), elevation, 5e-7, name);
        near(number(&point(&found, name)["scaled"], "sigma_v"), sigma, 5e-7, name);
        assert!(point(&found, name)["easting"].is_null() && point(&found, name)["ellipse"].is_null());
    }
    // The stated 2 mm over 1 km are far too good for it: the sigmas given are those scaled by s0, and it says so.
    assert_eq!((&found["sigmas"], &found["global_test"]["verdict"]), (&"scaled".into(), &"too_large".into()));
    near(number(point(&found, "A"), "sigma_v"), 0.032_756, 5e-7, "A");
    let csv = made.text("adjusted.csv");
    assert!(csv.starts_with("name,easting,northing,elevation,sigma_h,sigma_v,"), "{csv}");
    assert!(csv.contains("\nA,,,105.150400,,0.032756,"), "{csv}");
    assert!(csv.contains("\nX,,,100.000000,,0.000000,") && csv.contains(",elevation\n"), "{csv}");
    let page = made.text("adjustment.html");
    assert!(page.contains("<svg") && page.contains("level X to A (levels.csv line 2)"));
    let addresses = page.matches("http").count();
    assert_eq!(addresses, page.matches("http://www.w3.org/2000/svg").count(), "names the outside");
}

#[test]
fn feet_give_what_metres_give() {
    // Example I with its numbers taken as feet of either kind: the same elevations.
    for unit in ["ft", "ftUS"] {
        let network = format!(
            "units: {unit}\nfixed: [{{name: X, elevation: 100}}, {{name: Y, elevation: 107.5}}]\nlevels: levels.csv\n"
        );
        let found = Made::new(&[("network.yaml", &network), ("levels.csv", LEVELS)]).json();
        assert_eq!(found["units"], unit);
        near(number(point(&found, "B"), "elevation"), 104.4892, 5e-7, unit);
        near(number(point(&found, "B"), "sigma_v"), 0.029_759, 5e-7, unit);
    }
}

/// A blunder of 30 mm in one of ten lines, of which each has 1 mm.
const SPOILED: &str = "from;to;dh;sigma;withhold;why\nA;B;1,0002;0,001;;\nB;C;1,9995;0,001;;\nC;D;-0,5006;0,001;;\n\
    D;A;-2,4990;0,001;;\nA;C;3,0301;0,001;;\nB;D;1,4998;0,001;;\nA;D;2,5003;0,001;;\nC;B;-2,0004;0,001;;\n\
    D;B;-1,5001;0,001;;\nD;C;0,4995;0,001;;\n";

#[test]
fn a_blunder_is_named_with_its_line_and_nothing_is_left_out_by_itself() {
    let network = "title: Blunder\nfixed: [{name: A, elevation: 10}]\nlevels: levels.csv\n";
    let made = Made::new(&[("network.yaml", network), ("levels.csv", SPOILED)]);
    let output = made.adjust(&[]);
    assert!(output.status.success(), "{}", describe(&output));
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.contains("One observation is suspected of a blunder"), "{printed}");
    assert!(printed.contains("level A to C (levels.csv line 6): w is −"), "{printed}");
    let found: Value = serde_json::from_str(&made.text("adjustment.json")).unwrap();
    let suggested = found["suggested"].as_array().unwrap();
    assert_eq!((suggested.len(), &suggested[0]["line"]), (1, &6.into()), "{suggested:#?}");
    near(number(&suggested[0], "left_out"), -0.0303, 1e-3, "left out");
    assert_eq!((&found["used"], &found["withheld"]), (&10.into(), &0.into()));

    // Withheld with its reason, it still shows what the others say of it.
    let withheld = SPOILED.replace("A;C;3,0301;0,001;;", "A;C;3,0301;0,001;all;staff misread");
    fs::write(made.folder.path().join("levels.csv"), withheld).unwrap();
    let said = refused(&made.adjust(&[]), 1);
    assert!(said.contains("--replace"), "{said}");
    let output = made.adjust(&["--replace"]);
    assert!(output.status.success(), "{}", describe(&output));
    let again: Value = serde_json::from_str(&made.text("adjustment.json")).unwrap();
    assert_eq!(
        (&again["used"], &again["withheld"], &again["suggested"]),
        (&9.into(), &1.into(), &Value::Array(vec![]))
    );
    assert_eq!(again["global_test"]["verdict"], "passed");
    let row = again["observations"].as_array().unwrap().iter().find(|row| row["used"] == false).unwrap();
    assert_eq!((&row["verdict"], &row["why"]), (&"withheld".into(), &"staff misread".into()));
    near(number(row, "residual"), number(&suggested[0], "left_out"), 1e-9, "withheld");
    assert!(made.text("adjustment.html").contains("withheld: staff misread"));
}

#[test]
fn results_appear_whole_and_replace_nothing_that_is_not_theirs() {
    let network = "fixed: [{name: X, elevation: 100}]\nlevels: levels.csv\n";
    let made = Made::new(&[("network.yaml", network), ("levels.csv", LEVELS)]);
    fs::create_dir(made.out()).unwrap();
    fs::write(made.out().join("mine.txt"), "mine").unwrap();
    let said = refused(&made.adjust(&["--replace"]), 1);
    assert!(said.contains("holds files that no run wrote"), "{said}");
    fs::remove_file(made.out().join("mine.txt")).unwrap();
    made.json();
    let mut names: Vec<String> = fs::read_dir(made.out())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, NEEDLES);
    // Without --out they go where the file says; beside it nothing is left.
    fs::write(made.folder.path().join("network.yaml"), format!("output: there/it\n{network}")).unwrap();
    let output = echograde().arg("adjust").arg(made.folder.path().join("network.yaml")).output().unwrap();
    assert!(output.status.success(), "{}", describe(&output));
    assert!(made.folder.path().join("there/it/adjusted.csv").is_file());
    assert_eq!(fs::read_dir(made.folder.path().join("there")).unwrap().count(), 1);
}

const SIGHTS: &str = "station,target,direction,zenith,distance,station_height,target_height\n\
    A,B,0,90,100,1.5,1.5\nA,C,90,90,100,1.5,1.5\nB,A,0,90,100,1.5,1.5\nB,C,315,90,141.421,1.5,1.5\n\
    C,A,0,90,100,1.5,1.5\nC,B,45,90,141.421,1.5,1.5\n";

#[test]
fn a_defect_of_datum_is_named_with_its_remedy() {
    let heights = "fixed: [{name: A, easting: 0, northing: 0}, {name: B, easting: 0, northing: 100}]\n";
    let directions = SIGHTS.replace(",100,", ",,").replace(",141.421,", ",,");
    for (network, tables, message) in [
        ("levels: levels.csv\n", LEVELS, "nothing fixes the heights of A, B, C, X and Y: give the elevation"),
        (
            "fixed: [{name: A, elevation: 1}]\nlevels: levels.csv\n",
            "from,to,dh,sigma\nA,B,1,1\nC,D,1,1\n",
            "nothing fixes the heights of C and D",
        ),
        (
            "angles: deg\nfixed: [{name: A, elevation: 1}]\nobservations: levels.csv\n",
            SIGHTS,
            "nothing fixes the position and orientation in plan of A, B and C: give easting and northing of two",
        ),
        (
            "angles: deg\nfixed: [{name: A, easting: 5e5, northing: 4e6, elevation: 1}]\nobservations: levels.csv\n",
            SIGHTS,
            "nothing fixes the orientation in plan of A, B and C: give easting and northing of a second point",
        ),
        (heights, SIGHTS, "nothing fixes the heights of A, B and C"),
        (
            "fixed: [{name: A, elevation: 1, easting: 0, northing: 0}]\napproximate: [{name: B, easting: 0, northing: 100}, \
             {name: C, easting: 100, northing: 0}]\n",
            &directions,
            "nothing fixes the orientation and scale in plan of A, B and C",
        ),
        (
            "fixed: [{name: A, easting: 0, northing: 0, elevation: 1}, {name: B, easting: 0, northing: 100}]\n",
            "station,target,direction\nA,B,0\nA,P,45\n",
            "approximate coordinates cannot be found for P (1 direction)",
        ),
        (
            "fixed: [{name: A, easting: 0, northing: 0, elevation: 1}, {name: B, easting: 0, northing: 100}]\n\
             approximate: [{name: P, easting: 50, northing: 50}]\n",
            "station,target,direction\nA,B,0\nA,P,45\n",
            "leave the easting and northing of P free: observe it from another point",
        ),
    ] {
        let named = if network.contains(".csv") {
            network.to_string()
        } else {
            format!("{network}observations: levels.csv\n")
        };
        let said = Made::new(&[("network.yaml", &named), ("levels.csv", tables)]).refused();
        assert!(said.contains(message), "{named}: {said}");
    }
}

#[test]
fn one_kind_of_observation_alone_makes_a_network() {
    let gnss = "name,easting,northing,elevation,sigma_e,sigma_n,sigma_u\nP,10,20,5,0.01,0.01,0.02\nP,10.01,20,5.02,0.01,0.01,0.02\n\
        Q,50,60,7,0.01,0.02,0.02\n";
    let found = Made::new(&[("network.yaml", "positions: gnss.csv\n"), ("gnss.csv", gnss)]).json();
    near(number(point(&found, "P"), "easting"), 10.005, 1e-9, "P");
    near(number(point(&found, "P"), "sigma_v"), 0.02 / 2f64.sqrt(), 1e-9, "P");
    let unchecked =
        found["observations"].as_array().unwrap().iter().filter(|row| row["verdict"] == "unchecked");
    assert_eq!(unchecked.count(), 3);
    // Distances alone, and without heights: horizontal ones, and that is said.
    let distances = "station,target,distance\nA,P,50\nB,P,50\nC,P,64.0312\nA,B,60\n";
    let network = "fixed: [{name: A, easting: 0, northing: 0}, {name: B, easting: 60, northing: 0}, {name: C, easting: -10, \
                   northing: 90}]\nobservations: distances.csv\n";
    let found = Made::new(&[("network.yaml", network), ("distances.csv", distances)]).json();
    near(number(point(&found, "P"), "northing"), 40.0, 1e-3, "P");
    assert!(found["notes"].to_string().contains("Distances taken as horizontal: 4."), "{}", found["notes"]);
    // Directions alone: a resection, and an intersection.
    let directions = "station,set,target,direction\nP,1,A,0\nP,1,B,90\nP,1,C,180\nP,2,A,10\nP,2,C,190\n";
    let network = "fixed: [{name: A, easting: 0, northing: 100}, {name: B, easting: 100, northing: 0}, {name: C, easting: 0, \
                   northing: -100}]\nobservations: directions.csv\n";
    let found = Made::new(&[("network.yaml", network), ("directions.csv", directions)]).json();
    near(number(point(&found, "P"), "easting"), 0.0, 1e-6, "P");
    assert_eq!(found["orientations"].as_array().unwrap().len(), 2);
    let rays = "station,target,direction\nA,B,0\nA,P,45\nB,A,0\nB,P,315\n";
    let found = Made::new(&[("network.yaml", network), ("directions.csv", rays)]).json();
    near(number(point(&found, "P"), "easting"), 0.0, 1e-3, "P");
}

#[test]
fn a_traverse_between_two_known_points_without_an_azimuth_is_placed() {
    // Neither end sees a known point: the chain is laid out by itself, then turned between its ends.
    let sights = "station,target,direction,distance\nA,S,10,100\nS,A,200,100\nS,T,110,100\nT,S,0,100\nT,B,90,100\nB,T,77,100\n";
    let network = "angles: deg\nfixed: [{name: A, easting: 0, northing: 0}, {name: B, easting: 100, northing: 200}]\nobservations: o.csv\n";
    let found = Made::new(&[("network.yaml", network), ("o.csv", sights)]).json();
    near(number(point(&found, "S"), "easting"), 0.0, 1e-6, "S");
    near(number(point(&found, "S"), "northing"), 100.0, 1e-6, "S");
    near(number(point(&found, "T"), "easting"), 100.0, 1e-6, "T");
}

#[test]
fn all_that_is_wrong_is_said_at_once_with_its_place() {
    let network = "title: Wrong\nunits: yards\nangels: deg\nscale_factor: 3\nfixed:\n  - {name: A, easting: 1}\n  - {name: A, elevation: \
                   1, sigma: -1}\napproximate: [{name: P, northing: 2, elevation: 1}, {name: P, elevation: 2}]\nlevels: [levels.csv, gone.csv]\npositions: gnss.csv\nobservations: {file: ts.csv, columns: {target: \
                   Ziel}}\n";
    let levels = "from,to,dh,length\nA,B,x,1\nA,A,1,1\nA,C,1,\nA,,1,2\nA,D,1\nA,E,1,0\n";
    let gnss = "name,easting,northing,elevation,sigma_e,sigma_n\nP,1,2,3,0.1,0\n";
    let ts = "station,Ziel,direction,zenith,distance,sigma_direction\nA,B,361,90,1,5\nA,B,10,200,1,0.0008\nA,B,,,,\nA,B,1,1,-5,\n";
    let made =
        Made::new(&[("network.yaml", network), ("levels.csv", levels), ("gnss.csv", gnss), ("ts.csv", ts)]);
    let said = made.refused();
    for message in [
        "network.yaml:2:8",
        "network.yaml:3:1",
        "the file has no key `angels`",
        "network.yaml:9:22",
        "there is no file `gone.csv`",
        "levels.csv:2:5",
        "`dh` is `x`, which is not a number",
        "the line goes from A to itself",
        "the height difference has no weight",
        "`to` is empty",
        "the line has 3 fields, but the header has 4",
        "gnss.csv:1:1",
        "there is no column `sigma_u`",
        "`sigma_n` is 0",
        "ts.csv:2:5",
        "the direction 361 is more than a full circle of 360",
        "the zenith angle 200 is not between 0 and 180",
        "better than any instrument",
        "nothing was observed on this line",
        "`distance` is -5",
        "`scale_factor` is 3",
        "A has only one of easting and northing",
        "the point A is fixed twice",
        "a sigma is negative",
        "P has only one of easting and northing",
        "the point P stands twice under `approximate`",
        "write the length of the line, above 0, in the units of the file",
    ] {
        assert!(said.contains(message), "{message} is not in:\n{said}");
    }
    let empty = Made::new(&[("network.yaml", "title: Nothing\n")]).refused();
    assert!(empty.contains("the network has no observations"), "{empty}");
}

#[test]
fn angles_in_gon_and_in_degrees_minutes_and_seconds() {
    let fixed = "fixed: [{name: A, easting: 0, northing: 0, elevation: 0}, {name: B, easting: 0, northing: 100}]\nobservations: o.csv\n";
    let head = "station,target,direction,zenith,distance\n";
    let tables = [
        ("deg", "A,B,0,90,100\nA,P,45.51,91.2525,200\n"),
        ("gon", "A,B,0,100,100\nA,P,50.566667,101.391667,200\n"),
        ("dms", "A,B,0 0 0,90 0 0,100\nA,P,45-30-36,91°15'09\",200\n"),
    ];
    let found = tables.map(|(angles, rows)| {
        let network = format!("angles: {angles}\n{fixed}");
        let found = Made::new(&[("network.yaml", &network), ("o.csv", &format!("{head}{rows}"))]).json();
        ["easting", "northing", "elevation"].map(|key| number(point(&found, "P"), key))
    });
    for other in &found[1..] {
        (0..3).for_each(|axis| near(other[axis], found[0][axis], 1e-4, "P"));
    }
    // The leg in plan that the slope and the difference in height leave.
    let leg = (200.0f64.powi(2) - found[0][2].powi(2)).sqrt();
    near(found[0][0], leg * 45.51f64.to_radians().sin(), 1e-6, "easting");
    // 200 m of slope at 91.25°, lifted by the curvature of the earth.
    near(
        found[0][2],
        200.0 * 91.2525f64.to_radians().cos() + 0.87 * 4e4 / (2.0 * 6_371_000.0),
        1e-4,
        "elevation",
    );
}

#[test]
fn a_withheld_elevation_leaves_the_other_coordinates_tested() {
    let gnss = "name,easting,northing,elevation,sigma_e,sigma_n,sigma_u,withhold\nP,10,20,5,0.01,0.01,0.02,elevation\n\
        P,10.004,20.003,5,0.01,0.01,0.02,elevation\nP,11.5,19.998,5,0.01,0.01,0.02,elevation\n\
        P,9.998,20.001,5,0.01,0.01,0.02,elevation\n";
    let found = Made::new(&[("network.yaml", "positions: gnss.csv\n"), ("gnss.csv", gnss)]).json();
    let suggested = found["suggested"].as_array().unwrap();
    assert_eq!(
        (suggested.len(), &suggested[0]["kind"], &suggested[0]["line"]),
        (1, &"easting".into(), &4.into())
    );
    for row in found["observations"].as_array().unwrap() {
        assert_eq!(row["w"].is_number(), row["kind"] != "elevation", "{row}");
    }
}

#[test]
fn what_is_withheld_does_not_place_a_point() {
    // A resection whose only position is 90 km off and withheld; and one whose stated coordinates are better than a position
    // that is used but, with its sigma, has no say.
    let network = "fixed: [{name: A, easting: 0, northing: 0}, {name: B, easting: 100, northing: 0}, {name: C, easting: 100, northing: \
                   100}]\napproximate: [{name: P, easting: 51, northing: 49}]\nobservations: o.csv\npositions: gnss.csv\n";
    let sights = "station,target,direction\nP,A,225\nP,B,135\nP,C,45\n";
    let head = "name,easting,northing,sigma_e,sigma_n,withhold\n";
    for gnss in ["P,500,-90000,0.01,0.01,all\n", "P,500,-90000,1e7,1e7,\n"] {
        let table = format!("{head}{gnss}");
        let files = [("network.yaml", network), ("o.csv", sights), ("gnss.csv", &table)];
        let found = Made::new(&files).json();
        near(number(point(&found, "P"), "easting"), 50.0, 1e-3, gnss);
        near(number(point(&found, "P"), "northing"), 50.0, 1e-3, gnss);
    }
}

#[test]
fn an_observation_that_cannot_be_computed_is_named() {
    // Nothing has a direction from B to C, which stand at one place.
    let network = "fixed: [{name: A, easting: 0, northing: 0}]\nobservations: o.csv\npositions: gnss.csv\n";
    let gnss = "name,easting,northing,sigma_e,sigma_n\nB,50,50,0.01,0.01\nC,50,50,0.01,0.01\n";
    let sights = "station,target,direction\nB,A,225\nB,C,10\n";
    let made = Made::new(&[("network.yaml", network), ("o.csv", sights), ("gnss.csv", gnss)]);
    let said = refused(&made.adjust(&[]), 1);
    assert!(said.contains("direction B to C (o.csv line 3)"), "{said}");
}

#[test]
fn what_files_say_cannot_steer_the_terminal() {
    let network = "title: \"Dam\\e[2J crest\"\nfixed: [{name: A, elevation: 1}]\nlevels: levels.csv\n";
    let levels = "from,to,dh,sigma,note\nA,B\u{1b}]0;x\u{7},1,0.001,1\nA,B\u{1b}]0;x\u{7},1.001,0.001,2\nA,B\u{1b}]0;x\u{7},1.05,0.001,3\n\
        A,B\u{1b}]0;x\u{7},1.0,0.001,4\n";
    let made = Made::new(&[("network.yaml", network), ("levels.csv", levels)]);
    let output = made.adjust(&[]);
    assert!(output.status.success(), "{}", describe(&output));
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.starts_with("Dam [2J crest\n"), "{printed}");
    assert!(printed.contains("- level A to B ]0;x (levels.csv line 4): w is"), "{printed}");
    assert!(printed.chars().all(|c| c == '\n' || !c.is_control()), "{printed:?}");
    let lines = printed.lines().filter(|line| !line.starts_with("results in"));
    assert!(lines.map(|line| line.chars().count()).all(|length| length <= 100), "{printed}");
    // What is wrong with the network names points too.
    let loose = network.replace("name: A", "name: C");
    let said = Made::new(&[("network.yaml", &loose), ("levels.csv", levels)]).refused();
    assert!(said.contains("nothing fixes the heights of A and B ]0;x "), "{said}");
    assert!(said.chars().all(|c| c == '\n' || !c.is_control()), "{said:?}");
}

#[test]
fn approximate_coordinates_that_nothing_uses_are_noted() {
    let network = "fixed: [{name: X, elevation: 100}]\napproximate: [{name: A, elevation: 105}, {name: Q, elevation: 7}]\nlevels: \
                   levels.csv\n";
    let found = Made::new(&[("network.yaml", network), ("levels.csv", LEVELS)]).json();
    let notes = found["notes"].to_string();
    assert!(notes.contains("coordinates of Q, which no table names"), "{notes}");
}

#[test]
fn a_network_file_and_a_pipeline_file_are_not_taken_for_each_other() {
    let pipeline = "survey: {files: [a.laz]}\nreference: {files: [b.laz]}\n";
    let said = Made::new(&[("network.yaml", pipeline)]).refused();
    assert!(
        said.contains("this is a pipeline file") && said.contains("`echograde run FILE` runs it"),
        "{said}"
    );
    let network = "fixed: [{name: X, elevation: 100}]\nlevels: levels.csv\n";
    let made = Made::new(&[("network.yaml", network), ("levels.csv", LEVELS)]);
    for command in ["run", "check"] {
        let file = made.folder.path().join("network.yaml");
        let other = refused(&echograde().arg(command).arg(file).output().unwrap(), 2);
        let says =
            other.contains("this is a network file") && other.contains("`echograde adjust FILE` adjusts it");
        assert!(says && other.contains("network.yaml:2:1"), "{other}");
        assert_eq!([said.matches("error").count(), other.matches("error").count()], [1, 1], "{said}{other}");
    }
}
