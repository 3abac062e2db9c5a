//! The gate against nonsense, what headers show: refused before the long run: always with file, place and
//! remedy.

mod common;
#[path = "common/gate.rs"]
mod gate;

use common::made::{CORNER, Stored, grid, point, slope, write};
use common::{contains_all, describe, echograde, flat, refused, try_run};
use gate::{ALL, checked, file, hillside, moved, run_refused, run_with_results, site};
use las::Point;
use las::point::Classification;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

#[test]
fn b3_boxes_that_do_not_overlap_are_refused_before_reading_with_the_cause_that_fits() {
    let hill = hillside();
    let both = |reference: Vec<Point>| {
        let (_folder, pipeline) = site(&hill, &reference, ALL);
        let output = checked(&pipeline);
        assert_eq!(output.status.code(), Some(2), "{}", describe(&output));
        let said = run_refused(&pipeline, 2);
        contains_all(&said, &["survey and reference do not overlap", "500000", "pipeline.yaml:2"]);
        flat(&said)
    };
    let far = both(moved(&hill, |point| point.x += 5000.0));
    assert!(far.contains("one coordinate system") && !far.contains("swapped"), "{far}");
    let swapped = both(moved(&hill, |point| (point.x, point.y) = (point.y, point.x)));
    assert!(swapped.contains("x and y of the reference seem to be swapped"), "{swapped}");
    let feet = both(moved(&hill, |point| (point.x, point.y) = (point.x / 0.3048, point.y / 0.3048)));
    assert!(feet.contains("in feet, the other in metres"), "{feet}");
}

#[test]
fn b3_nothing_compared_is_an_error_with_the_reason_that_fits() {
    let hill = hillside();
    let reason = |survey: Vec<Point>, reference: Vec<Point>, stages: &str| {
        let (_folder, pipeline) = site(&survey, &reference, stages);
        let said = flat(&run_refused(&pipeline, 1));
        assert!(said.contains("nothing was compared: ") && !said.contains("--resume"), "{said}");
        said
    };
    let no_returns = moved(&hill, |point| (point.return_number, point.number_of_returns) = (0, 0));
    let said = reason(no_returns, hill.clone(), ALL);
    assert!(said.contains("every return number of the survey is 0"), "{said}");
    let noise = moved(&hill, |point| point.classification = Classification::LowPoint);
    let said = reason(hill.clone(), noise, ALL);
    assert!(said.contains("no ground was found in the reference: 1,200 points are labelled noise"), "{said}");
    let plane = ALL.replace("compare: {}", "compare: {match: plane, within: 0.6 m}");
    let said = reason(hill.clone(), moved(&hill, |point| point.x += 0.1), &plane);
    assert!(
        said.contains("the 6 reference points within 0.6 m") && said.contains("larger `within`"),
        "{said}"
    );
    let said = reason(hill.clone(), moved(&hill, |point| point.x += 0.1), ALL);
    assert!(said.contains("no survey ground point has reference within 15 mm"), "{said}");
    let (apart, ladder) =
        (moved(&hill, |point| point.x += 0.1), ALL.replace("compare: {}", "compare: {match: plane}"));
    let said = reason(hill.clone(), apart.clone(), &ladder);
    assert!(said.contains("the 12 reference points within 480 mm") && said.contains("`within`"), "{said}");
    let facets = ALL.replace("compare: {}", "compare: {match: triangulated, longest_edge: 0.2 m}");
    let said = reason(hill.clone(), apart, &facets);
    assert!(said.contains("edges up to 0.2 m") && said.contains("larger `longest_edge`"), "{said}");
    assert!(!said.contains("within"), "{said}");
    let strips = ALL.replace("ground: {}", "select: {strips: [9]}, ground: {}");
    let said = reason(hill.clone(), moved(&hill, |point| point.z += 0.01), &strips);
    assert!(
        said.contains("`select`, entry 2 of `stages`, selects none of 1,200 points of the survey"),
        "{said}"
    );
}

#[test]
fn b4_elevations_that_headers_show_to_be_far_apart_are_refused_before_reading() {
    let hill = hillside();
    let said = |change: &dyn Fn(f64) -> f64| {
        let (_folder, pipeline) = site(&moved(&hill, |point| point.z = change(point.z)), &hill, ALL);
        assert_eq!(checked(&pipeline).status.code(), Some(2));
        flat(&run_refused(&pipeline, 2))
    };
    let feet = said(&|z| z / 0.3048);
    assert!(
        feet.contains("the elevations of the survey are about 3.28 times those of the reference"),
        "{feet}"
    );
    let metres = said(&|z| z * 0.3048);
    assert!(
        metres.contains("the elevations of the reference are about 3.28 times those of the survey"),
        "{metres}"
    );
    let geoid = said(&|z| z + 46.0);
    assert!(geoid.contains("above the reference") && geoid.contains("the size of a geoid height"), "{geoid}");
    let hundreds = said(&|z| z - 250.0);
    assert!(hundreds.contains("below the reference") && hundreds.contains("check that both"), "{hundreds}");
}

#[test]
fn b4_a_bias_beyond_anything_plausible_is_said_first_with_no_class_and_no_limit_passed() {
    let limits = "accept: [{rmse: 900 m}, {coverage: 0.1}]\n";
    for (shift, cause) in
        [(20.0, "the size of a geoid height"), (700.0, "check that both"), (-4.0, "check that both")]
    {
        // A mast in the reference as high as the survey lies, and a hole in the survey as deep: the boxes overlap.
        let hill: Vec<Point> = grid(80, 60, 0.5).map(|(x, y)| point(x, y, slope(x, y))).collect();
        let survey = moved(&hill, |point| point.z += shift);
        let mast = hill[900].clone();
        let reference = [hill, vec![Point { z: mast.z + shift, ..mast }]].concat();
        let (folder, pipeline) = site(&survey, &reference, &format!("{limits}{ALL}"));
        let out = folder.path().join("out");
        let output = try_run(&pipeline, &out, &[]);
        assert_eq!(output.status.code(), Some(1), "{}", describe(&output));
        let said = flat(&String::from_utf8_lossy(&output.stderr));
        assert!(
            said.contains("error: The bias of all returns is ") && said.to_lowercase().contains(cause),
            "{said}"
        );
        let summary = common::summary(&out);
        assert_eq!(summary["warnings"][0]["code"], "implausible_bias", "{}", summary["warnings"]);
        assert!((summary["all"]["median"].as_f64().unwrap() - shift).abs() < 0.01);
        for group in summary["standards"]["groups"].as_array().unwrap() {
            assert!(group["class_cm"].is_null() && group["quality_level"].is_null(), "{group}");
        }
        assert!(summary["accept"].as_array().unwrap().iter().all(|limit| limit["verdict"] != "met"));
        let stdout = flat(&String::from_utf8_lossy(&output.stdout));
        let first = stdout.find("WARNING: The bias of all returns").expect(&stdout);
        assert!(stdout.find("Warning: ").is_none_or(|other| first < other), "{stdout}");
        let page = fs::read_to_string(out.join("report.html")).unwrap();
        for text in [&stdout, &page] {
            assert!(!text.contains("-cm class"), "{text}");
        }
        assert!(!stdout.contains("PASS ") && !page.contains("<strong>PASS"), "{stdout}");
        assert!(page.find("The bias of all returns").unwrap() < page.find("<table").unwrap());
    }
}

#[test]
fn b5_a_missing_vertical_unit_is_asked_for_with_what_each_would_make_of_the_elevations() {
    let survey = moved(&hillside(), |point| point.z *= 3.2808);
    let (folder, _) = site(&survey, &hillside(), ALL);
    let text = format!(
        "survey: {{files: [survey.laz], units: {{horizontal: m}}}}\nreference: {{files: [reference.laz], units: m}}\n{ALL}"
    );
    let said = run_refused(&file(folder.path(), &text), 2);
    contains_all(
        &said,
        &[
            "survey.laz does not state its vertical unit",
            "`units: {vertical: …}`",
            "m, ft or ftUS",
            "between 983.3 and 986.8 m if they are in metres, between 299.7 and 300.8 m if in feet",
            "those of the reference lie between 299.7 and 300.8 m",
        ],
    );
    assert!(!said.contains("vertical: ft") && !said.contains("vertical: m}"), "{said}");
    // Of many files it is asked for once.
    for name in ["east.laz", "west.laz"] {
        fs::copy(folder.path().join("survey.laz"), folder.path().join(name)).unwrap();
    }
    let text = text.replace("[survey.laz]", "[east.laz, survey.laz, west.laz]");
    let said = run_refused(&file(folder.path(), &text), 2);
    let asked = "east.laz does not state its vertical unit (as is true of 2 other files)";
    assert!(said.contains(asked) && said.matches("does not state").count() == 1, "{said}");
    let inspected = echograde().arg("inspect").arg(folder.path().join("survey.laz")).output().unwrap();
    let text = flat(&String::from_utf8_lossy(&inspected.stdout));
    assert!(text.contains("with m, ft or ftUS") && !text.contains("vertical: ft"), "{text}");
}

#[test]
fn b7_keys_and_values_are_named_as_what_they_are() {
    let (folder, _) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let said = |more: &str| {
        let text = format!(
            "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{more}"
        );
        flat(&run_refused(&file(folder.path(), &text), 2))
    };
    let class = said("accept: [{class: 0 m}]\n");
    assert!(class.contains("`class` of entry 1 of `accept` is `0 m`") && !class.contains("stage"), "{class}");
    for number in [0, 16] {
        let said = said(&format!("accept: [{{group: {{return: {number}}}, rmse: 5 cm}}]\n"));
        assert!(said.contains("expected a return number from 1 to 15"), "{said}");
    }
    let twice = said(&ALL.replace("summarise: {}", "summarise: {by: [return, return]}"));
    assert!(twice.contains("`by` of stage `summarise` names `return` twice"), "{twice}");
}

#[cfg(unix)]
#[test]
fn b7_file_names_that_are_not_utf8_and_brackets_in_names_are_handled() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let (folder, _) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let odd = |start: &[u8]| folder.path().join(OsStr::from_bytes(&[start, b"\xff"].concat()));
    let text = |survey: &str| {
        format!(
            "survey: {{files: ['{survey}'], units: m}}\nreference: {{files: [reference.laz], units: m}}\n{ALL}"
        )
    };
    // A name that no pattern asks for is no matter; one that a pattern asks for is named.
    fs::copy(folder.path().join("survey.laz"), odd(b"other.laz")).unwrap();
    run_with_results(&file(folder.path(), &text("survey*.laz")), 0);
    fs::copy(folder.path().join("survey.laz"), odd(b"survey-2.laz")).unwrap();
    let output = checked(&file(folder.path(), &text("survey*")));
    let said = refused(&output, 2);
    contains_all(&said, &["the name `survey-2.laz", "is not UTF-8", "rename it"]);
    // Folders of such a name work.
    let inner = odd(b"folder");
    fs::create_dir(&inner).unwrap();
    for name in ["survey.laz", "reference.laz"] {
        fs::copy(folder.path().join(name), inner.join(name)).unwrap();
    }
    let (summary, _) = run_with_results(&file(&inner, &text("surv*.laz")), 0);
    assert_eq!(summary["all"]["compared"], 1200);
    // A bracket.
    let bracket = folder.path().join("flight [2024]");
    fs::create_dir(&bracket).unwrap();
    fs::copy(folder.path().join("survey.laz"), bracket.join("survey.laz")).unwrap();
    let said = refused(&checked(&file(folder.path(), &text("flight [2024]/*.laz"))), 2);
    contains_all(
        &said,
        &["no file matches", "`[` begins a set of characters", "write `flight [[]2024]/*.laz`"],
    );
    let right = file(folder.path(), &text("flight [[]2024]/*.laz"));
    assert!(checked(&right).status.success(), "{}", describe(&checked(&right)));
}

#[cfg(target_os = "linux")]
#[test]
fn b7_a_place_where_no_folder_can_be_made_is_said_to_be_that() {
    let (_folder, pipeline) = site(&hillside(), &moved(&hillside(), |point| point.z += 0.01), ALL);
    let said = refused(&try_run(&pipeline, Path::new("/proc/x"), &[]), 1);
    contains_all(&said, &["/proc/x: no folder can be made there", "--out"]);
    assert!(!said.contains("when the run began"), "{said}");
}

#[test]
fn b7_inspect_says_what_is_odd_about_scale_times_and_systems() {
    let folder = TempDir::new().unwrap();
    let inspect = |points: &[Point], stored: &Stored, change: &dyn Fn(&mut Vec<u8>)| {
        let path = folder.path().join("cloud.las");
        write(&path, points, stored);
        let mut bytes = fs::read(&path).unwrap();
        change(&mut bytes);
        fs::write(&path, bytes).unwrap();
        let output = echograde().arg("inspect").arg(&path).output().unwrap();
        assert!(output.status.success(), "{}", describe(&output));
        flat(&String::from_utf8_lossy(&output.stdout))
    };
    let hill = hillside();
    let nothing: &dyn Fn(&mut Vec<u8>) = &|_| ();
    let said = inspect(&hill, &Stored { z_scale: 1.0, ..Stored::SILENT }, nothing);
    assert!(said.contains("the scale factor of z is 1: coordinates are rounded"), "{said}");
    let odd = moved(&hill, |point| {
        point.gps_time = Some(if point.x < CORNER.0 + 0.5 { f64::NAN } else { 300_000_000.0 });
    });
    // The header's flag of adjusted standard time is taken away.
    let said = inspect(&odd, &Stored::SILENT, &|bytes| bytes[6] &= !1);
    assert!(said.contains("GPS time is not a number: 30 points"), "{said}");
    assert!(said.contains("seconds of the week (0 to 604,800"), "{said}");
    let quiet = inspect(&hill, &Stored::SILENT, nothing);
    for word in ["scale factor", "GPS time is not", "seconds of the week"] {
        assert!(!quiet.contains(word), "{word}: {quiet}");
    }
    // WKT without a code, flagged, beside keys with one.
    let mut stored = Stored::with_system_of("metre.wkt");
    let wkt = stored.wkt.take().unwrap();
    let without = wkt.replace(",\nAUTHORITY[\"EPSG\",\"25832\"]", "");
    assert!(without.len() < wkt.len());
    let path = folder.path().join("keys.las");
    gate::write_with_keys(&path, &hill, &without, 25832);
    let output = echograde().arg("inspect").arg(&path).output().unwrap();
    let said = flat(&String::from_utf8_lossy(&output.stdout));
    assert!(said.contains("the EPSG code 25832 comes from GeoTIFF keys"), "{said}");
}
