//! E57 files that are damaged, hold no points or have not what others have, through the real program: one error that names
//! file, scan and remedy, or a note or a count, and the right figures of the rest.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::made::{self, CORNER, grid, point, slope};
use common::scans::{Scan, write};
use common::{echograde, manifest, number, refused, run, try_run};
use e57::{
    E57Writer, ImageFormat, Record, RecordDataType, RecordName, RecordValue, VisualReferenceImageProperties,
};
use tempfile::TempDir;

/// A survey 20 mm above a slope, and a pipeline that compares it with `scan.e57`.
struct Site {
    folder: TempDir,
}

impl Site {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let survey: Vec<_> = grid(40, 30, 0.5).map(|(x, y)| point(x, y, slope(x, y) + 0.02)).collect();
        made::write_plain(&folder.path().join("survey.laz"), &survey);
        let text = "survey: {files: [survey.laz], units: m}\nreference: {files: [scan.e57]}\n";
        fs::write(folder.path().join("pipeline.yaml"), text).unwrap();
        Site { folder }
    }

    fn scan(&self) -> PathBuf {
        self.folder.path().join("scan.e57")
    }

    fn pipeline(&self) -> PathBuf {
        self.folder.path().join("pipeline.yaml")
    }

    /// What `inspect` and `run` refuse the file with: the same.
    fn refusal(&self) -> String {
        let inspected = refused(&echograde().arg("inspect").arg(self.scan()).output().unwrap(), 1);
        let run = refused(&try_run(&self.pipeline(), &self.folder.path().join("out"), &[]), 1);
        assert_eq!(inspected, run);
        assert!(run.contains("scan.e57: ") && run.trim().lines().count() == 1, "{run}");
        assert!(!self.folder.path().join("out").exists());
        run
    }

    /// All of the survey is compared, 20 mm above; gives the notes and the counts of the reference.
    fn compares(&self, what: &str) -> (String, serde_json::Value) {
        let found = run(&self.pipeline(), &[]);
        let summary = found.summary();
        assert_eq!(summary["all"]["compared"], 1200, "{what}");
        assert!((number(&summary["all"], "bias") - 0.02).abs() < 1e-4, "{what}: {}", summary["all"]);
        assert!(number(&summary["all"], "sd") < 1e-4, "{what}: {}", summary["all"]);
        (manifest(&found.out)["notes"].to_string(), summary["reference"].clone())
    }
}

/// The positions of the survey in a frame of the scanner, without pose.
fn local() -> Scan {
    Scan::of(grid(40, 30, 0.5).map(|(x, y)| [x, y, slope(x, y)])).named("S1")
}

fn posed(scan: Scan) -> Scan {
    scan.posed(0.0, [CORNER.0, CORNER.1, 0.0])
}

/// Writes scans, and changes what describes them.
fn write_changed(path: &Path, scans: &[Scan], change: impl Fn(String) -> String) {
    let mut writer = E57Writer::from_file(path, "file").unwrap();
    for scan in scans {
        let fields = scan.fields.iter().cloned().map(|(name, data_type)| Record { name, data_type });
        let mut points = writer.add_pointcloud("scan", fields.collect()).unwrap();
        points.set_name(scan.name.clone());
        points.set_transform(scan.pose.clone());
        scan.points.iter().for_each(|point| points.add_point(point.clone()).unwrap());
        points.finalize().unwrap();
    }
    writer.finalize_customized_xml(|xml| Ok(change(xml))).unwrap();
}

#[test]
fn a_file_cut_short_says_how_much_is_there() {
    let site = Site::new();
    write(&site.scan(), &[posed(local())], None);
    let whole = fs::read(site.scan()).unwrap();
    for cut in [30, 48, 1000, whole.len() / 2, whole.len() - 1024, whole.len() - 5] {
        fs::write(site.scan(), &whole[..cut]).unwrap();
        let error = site.refusal();
        let there = if cut < 48 {
            "within its header, after 30 bytes".into()
        } else {
            format!("{cut} of the {} bytes", whole.len())
        };
        assert!(error.contains("the file is cut off: ") && error.contains(&there), "{error}");
        assert!(error.contains("Copy or export the file again"), "{error}");
    }
}

#[test]
fn a_page_that_does_not_fit_its_checksum_is_named() {
    let site = Site::new();
    write(&site.scan(), &[posed(local())], None);
    let whole = fs::read(site.scan()).unwrap();
    let last = whole.len() / 1024;
    for (at, says) in [
        (
            100,
            "scan 1 (S1): only 0 of its 1200 points can be found: page 1 (byte 0) does not fit its checksum"
                .to_string(),
        ),
        (
            whole.len() - 700,
            format!(
                "the description of its scans is damaged: page {last} (byte {}) does not fit its checksum",
                (last - 1) * 1024
            ),
        ),
    ] {
        let mut bytes = whole.clone();
        bytes[at] ^= 16;
        fs::write(site.scan(), bytes).unwrap();
        let error = site.refusal();
        assert!(error.contains(&says) && error.contains("Copy or export the file again"), "{error}");
    }
}

#[test]
fn a_file_without_points_says_what_it_holds_instead() {
    let site = Site::new();
    write(&site.scan(), &[], None);
    assert!(site.refusal().contains("the file holds no scan (byte 0). Remove the file from `files:`"));
    let mut writer = E57Writer::from_file(site.scan(), "file").unwrap();
    let mut image = writer.add_image("photo").unwrap();
    let size = VisualReferenceImageProperties { width: 1, height: 1 };
    image.add_visual_reference(ImageFormat::Png, &mut &[1u8, 2, 3][..], size, None).unwrap();
    image.finalize().unwrap();
    writer.finalize().unwrap();
    assert!(site.refusal().contains("the file holds no scan, only images (1)"));
    let empty = || posed(Scan::of([])).named("S2");
    write(&site.scan(), &[empty()], None);
    assert!(site.refusal().contains("the one scan of the file has no points"));
    write(&site.scan(), &[empty(), empty()], None);
    assert!(site.refusal().contains("none of the 2 scans of the file has points"));
    // Beside one with points it is noted.
    write(&site.scan(), &[posed(local()), empty()], None);
    assert!(site.compares("one is empty").0.contains("scan 2 has no points"));
}

#[test]
fn a_scan_without_positions_is_refused_by_its_name() {
    let site = Site::new();
    // An element of an extension stands where z should.
    let scans = [posed(local()), posed(local()).named("S2")];
    write_changed(&site.scan(), &scans, |xml| {
        let (first, second) = xml.split_at(xml.rfind("<prototype").unwrap());
        format!("{first}{}", second.replace("cartesianZ", "depth"))
    });
    let error = site.refusal();
    assert!(error.contains("(S2) has neither x, y and z nor range and angles"), "{error}");
    assert!(error.contains("Export it again with x, y and z, or without this scan"), "{error}");
}

#[test]
fn ranges_and_angles_and_files_that_state_no_box_are_compared_like_others() {
    let site = Site::new();
    let double = RecordDataType::Double { min: None, max: None };
    let names = [RecordName::SphericalRange, RecordName::SphericalAzimuth, RecordName::SphericalElevation];
    let rays = grid(40, 30, 0.5).map(|(x, y)| {
        let [x, y, z] = [x - 9.0, y - 7.0, slope(x, y) - 302.0];
        let range = (x * x + y * y + z * z).sqrt();
        [range, y.atan2(x), (z / range).asin()].map(RecordValue::Double).to_vec()
    });
    let spherical = Scan {
        fields: names.map(|name| (name, double.clone())).to_vec(),
        points: rays.collect(),
        ..Scan::default()
    };
    write(&site.scan(), &[spherical.posed(0.0, [CORNER.0 + 9.0, CORNER.1 + 7.0, 302.0])], None);
    site.compares("range and angles");
    // The box is optional in the standard.
    write_changed(&site.scan(), &[posed(local())], |xml| {
        let (from, to) = (xml.find("<cartesianBounds").unwrap(), xml.find("</cartesianBounds>").unwrap());
        format!("{}{}", &xml[..from], &xml[to + "</cartesianBounds>".len()..])
    });
    site.compares("no box");
    let check = echograde().args(["check", "--json"]).arg(site.pipeline()).output().unwrap();
    let checked: serde_json::Value = serde_json::from_slice(&check.stdout).unwrap();
    let disk = checked["disk_needed"].as_u64().unwrap_or_else(|| panic!("{checked}"));
    assert!(disk < 100 << 20, "{disk}");
}

#[test]
fn scaled_integers_are_compared_to_their_step() {
    for scale in [1e-4, 1e-3, 5e-3] {
        let site = Site::new();
        let kind = |offset| RecordDataType::ScaledInteger { min: -1_000_000, max: 1_000_000, scale, offset };
        let names = [RecordName::CartesianX, RecordName::CartesianY, RecordName::CartesianZ];
        let offsets = [0.0, 10.0, 300.0];
        let raw =
            |value: f64, offset: f64| RecordValue::ScaledInteger(((value - offset) / scale).round() as i64);
        let points = grid(40, 30, 0.5).map(|(x, y)| {
            let at = [x, y, slope(x, y)];
            [0, 1, 2].map(|axis| raw(at[axis], offsets[axis])).to_vec()
        });
        let scan = Scan {
            fields: names.into_iter().zip(offsets).map(|(name, offset)| (name, kind(offset))).collect(),
            points: points.collect(),
            ..Scan::default()
        };
        write(&site.scan(), &[posed(scan)], None);
        site.compares(&format!("steps of {scale} m"));
    }
}

#[test]
fn a_scan_without_a_pose_is_noted_beside_others_and_named_where_nothing_overlaps() {
    let site = Site::new();
    write(&site.scan(), &[posed(local()), local().named("S2")], None);
    let (notes, counts) = site.compares("one has no pose");
    assert!(
        notes.contains("scan.e57: scan 2 (S2) has no pose, though others of the file have one"),
        "{notes}"
    );
    assert_eq!(counts["read"], 2400);
    write(&site.scan(), &[local()], None);
    let error = refused(&try_run(&site.pipeline(), &site.folder.path().join("out"), &[]), 2);
    assert!(error.contains("survey and reference do not overlap"), "{error}");
    assert!(
        error.contains("scan 1 (S1) of scan.e57 has no pose") && error.contains("export it registered"),
        "{error}"
    );
    // Where all coordinates are the survey's, no pose is needed and none is missed.
    let placed = grid(40, 30, 0.5).map(|(x, y)| [CORNER.0 + x, CORNER.1 + y, slope(x, y)]);
    write(&site.scan(), &[Scan::of(placed)], None);
    assert!(!site.compares("in the system of the survey").0.contains("pose"));
}

#[test]
fn a_pose_that_is_none_and_points_that_are_all_invalid_are_refused() {
    let site = Site::new();
    let mut turned = posed(local());
    turned.pose.as_mut().unwrap().rotation.w = 3.0;
    write(&site.scan(), &[turned], None);
    assert!(site.refusal().contains("scan 1 (S1): its pose is no turn and shift: quaternion [3.0"));
    let mut invalid = posed(local());
    invalid.fields.push((RecordName::CartesianInvalidState, RecordDataType::Integer { min: 0, max: 2 }));
    invalid.points.iter_mut().for_each(|point| point.push(RecordValue::Integer(2)));
    write(&site.scan(), &[invalid], None);
    let error = refused(&try_run(&site.pipeline(), &site.folder.path().join("out"), &[]), 1);
    assert!(error.contains("no point of the reference can be used: 1,200 are flagged withheld"), "{error}");
}
