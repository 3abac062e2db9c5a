use e57::{CartesianCoordinate, E57Reader, RecordDataType, RecordName, RecordValue};
use proptest::prelude::*;

use super::*;
use crate::cloud::e57::testing::{Scan, write};

/// A folder with the file, and its scans.
fn opened(scans: &[Scan], metadata: Option<&str>) -> (tempfile::TempDir, Vec<E57Scan>) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scans.e57");
    write(&path, scans, metadata);
    let opened = E57Scan::open(&path, false).unwrap();
    (folder, opened)
}

/// All points of a scan, its blocks in this order.
fn decoded(scan: &E57Scan, backwards: bool) -> Vec<Decoded> {
    let mut decoder = E57Decoder::new(scan, Unit::Metre, Unit::Metre).unwrap();
    let mut blocks: Vec<&Block> = scan.blocks().iter().collect();
    if backwards {
        blocks.reverse();
    }
    let mut parts: Vec<(u64, Vec<Decoded>)> = Vec::new();
    for block in blocks {
        if block.number % 2 == 0 {
            assert_eq!(decoder.load(block).unwrap().len() as u64, block.bytes);
        }
        let mut points = Vec::new();
        decoder.for_each_batch(block, |batch| points.extend_from_slice(batch)).unwrap();
        assert_eq!(points.len() as u64, block.points);
        parts.push((block.first_point, points));
    }
    parts.sort_by_key(|(first, _)| *first);
    parts.into_iter().flat_map(|(_, points)| points).collect()
}

/// Positions in micrometres as the reader of the crate has them, in the order of the file; none where invalid.
fn by_the_crate(scan: &E57Scan) -> Vec<Option<[i64; 3]>> {
    let mut reader = E57Reader::from_file(scan.location.path()).unwrap();
    let cloud = reader.pointclouds()[scan.number.0 - 1].clone();
    let position = |point: e57::Result<e57::Point>| match point.unwrap().cartesian {
        CartesianCoordinate::Valid { x, y, z } => Some([x, y, z].map(|v| (v * 1e6).round() as i64)),
        _ => None,
    };
    reader.pointcloud_simple(&cloud).unwrap().map(position).collect()
}

/// Compares with the crate's reader to the micrometre.
fn check(scan: &E57Scan, backwards: bool) {
    let (ours, theirs) = (decoded(scan, backwards), by_the_crate(scan));
    assert_eq!(ours.len(), theirs.len());
    for (ours, theirs) in ours.iter().zip(theirs) {
        assert_eq!(ours.withheld, theirs.is_none());
        if let Some(theirs) = theirs {
            let ours = [ours.point.x, ours.point.y, ours.point.z];
            assert!(ours.iter().zip(theirs).all(|(a, b)| (a - b).abs() <= 1), "{ours:?} {theirs:?}");
        }
    }
}

fn whole(min: i64, max: i64) -> RecordDataType {
    RecordDataType::Integer { min, max }
}

/// A scan of so many points with fields of odd widths, among them states and returns.
fn mixed(points: usize) -> Scan {
    let scaled = RecordDataType::ScaledInteger { min: -5_000_000, max: 7_000_000, scale: 1e-4, offset: 0.5 };
    let fields = vec![
        (RecordName::Intensity, whole(0, 1000)),
        (RecordName::CartesianX, scaled),
        (RecordName::CartesianY, RecordDataType::Single { min: None, max: None }),
        (RecordName::CartesianInvalidState, whole(0, 2)),
        (RecordName::CartesianZ, RecordDataType::Double { min: None, max: None }),
        (RecordName::ReturnIndex, whole(0, 6)),
        (RecordName::ReturnCount, whole(1, 7)),
        (RecordName::RowIndex, whole(3, 3)),
    ];
    let point = |i: usize| {
        let i = i as i64;
        vec![
            RecordValue::Integer(i % 1001),
            RecordValue::ScaledInteger(i * 7919 % 12_000_000 - 5_000_000),
            RecordValue::Single((i % 777) as f32 * 0.37),
            RecordValue::Integer(if i % 11 == 3 { 2 } else { 0 }),
            RecordValue::Double(i as f64 * 0.001 + 0.000_123),
            RecordValue::Integer(i % 3),
            RecordValue::Integer(3),
            RecordValue::Integer(3),
        ]
    };
    Scan { fields, points: (0..points).map(point).collect(), ..Scan::default() }
}

#[test]
fn points_are_those_of_the_crates_reader_in_blocks_of_bounded_size() {
    let scans = [mixed(170_000).posed(1.1, [500_000.0, 4_200_000.0, 300.0]), mixed(7).named("S2")];
    let (_folder, opened) = opened(&scans, None);
    assert_eq!(opened.len(), 2);
    assert!(opened[0].blocks().len() >= 3, "{}", opened[0].blocks().len());
    assert_eq!((opened[1].named(), opened[1].points), ("scan 2 (S2)".to_string(), 7));
    for backwards in [false, true] {
        opened.iter().for_each(|scan| check(scan, backwards));
    }
    let first = decoded(&opened[0], false);
    assert_eq!((first[1].point.return_number, first[1].point.number_of_returns), (2, 3));
    assert!(first[3].withheld && !first[4].withheld);
    // Together the blocks hold each byte of the packets once.
    for pair in opened[0].blocks().windows(2) {
        assert_eq!(pair[0].offset + pair[0].bytes, pair[1].offset);
    }
}

#[test]
fn ranges_and_angles_become_positions() {
    let double = RecordDataType::Double { min: None, max: None };
    let names = [RecordName::SphericalRange, RecordName::SphericalAzimuth, RecordName::SphericalElevation];
    let rays = [[10.0, 0.0, 0.0], [10.0, std::f64::consts::FRAC_PI_2, 0.0], [5.0, -2.0, -0.4]];
    let scan = Scan {
        fields: names.map(|name| (name, double.clone())).to_vec(),
        points: rays.map(|ray| ray.map(RecordValue::Double).to_vec()).to_vec(),
        ..Scan::default()
    };
    let (_folder, opened) = opened(&[scan.posed(0.0, [100.0, 200.0, 50.0])], None);
    check(&opened[0], false);
    let points = decoded(&opened[0], false);
    assert_eq!(
        (points[0].point.x, points[0].point.y, points[0].point.z),
        (110_000_000, 200_000_000, 50_000_000)
    );
    assert_eq!((points[1].point.x, points[1].point.y), (100_000_000, 210_000_000));
    assert_eq!((points[0].point.return_number, points[0].point.number_of_returns), (1, 1));
}

#[test]
fn a_turn_about_a_slanted_axis_is_that_of_the_crates_reader() {
    let mut scan = Scan::of((0..300).map(|i| [i as f64 * 0.1, 3.0, -1.5]));
    let (w, x, y, z) = (0.8, 0.36, -0.288, 0.384);
    scan.pose = Some(e57::Transform {
        rotation: e57::Quaternion { w, x, y, z },
        translation: e57::Translation { x: 1.0, y: 2.0, z: 3.0 },
    });
    let (_folder, opened) = opened(&[scan], None);
    check(&opened[0], false);
    // The box as the scan states it, turned, holds every point.
    let stated = opened[0].stated_box;
    for point in decoded(&opened[0], false) {
        let at = [point.point.x, point.point.y, point.point.z].map(|v| v as f64 / 1e6);
        assert!(
            (0..3).all(|axis| stated.min[axis] - 1e-6 <= at[axis] && at[axis] <= stated.max[axis] + 1e-6)
        );
    }
}

#[test]
fn positions_that_cannot_be_used_are_out_of_range() {
    let (_folder, opened) =
        opened(&[Scan::of([[f64::NAN, 0.0, 0.0], [1e12, 0.0, 0.0], [1.0, 2.0, 3.0]])], None);
    let found: Vec<bool> = decoded(&opened[0], false).iter().map(|point| point.in_range).collect();
    assert_eq!(found, [false, false, true]);
}

#[test]
fn coordinates_are_metres_unless_the_metadata_say_otherwise() {
    use crate::cloud::crs::StatedUnit;
    let scan = [Scan::of([[0.0; 3]])];
    let unit = |metadata: Option<&str>| {
        let (_folder, opened) = opened(&scan, metadata);
        (opened[0].crs.clone(), opened[0].notes.clone())
    };
    let (silent, notes) = unit(None);
    assert_eq!(silent.horizontal_unit, StatedUnit::Stated(Unit::Metre));
    assert!(notes.is_empty() && silent.horizontal_code.is_none());
    let (feet, notes) = unit(Some(r#"PROJCS["a",UNIT["foot",0.3048]]"#));
    assert_eq!(feet.horizontal_unit, StatedUnit::Contradictory(Unit::Foot));
    assert!(notes[0].contains("in metres by its standard"), "{notes:?}");
    let (codes, _) = unit(Some("EPSG:25832"));
    assert_eq!(codes.horizontal_code, Some(25832));
    assert!(unit(Some("in the yard")).1[0].contains("not readable WKT"));
}

/// What opening and decoding a changed file says, in one line.
fn read(bytes: &[u8], cut_off_too: bool) -> Result<usize, String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scans.e57");
    std::fs::write(&path, bytes).unwrap();
    let mut points = 0;
    for scan in E57Scan::open(&path, cut_off_too).map_err(|error| error.to_string())? {
        let mut decoder =
            E57Decoder::new(&scan, Unit::Metre, Unit::Metre).map_err(|error| error.to_string())?;
        for block in scan.blocks() {
            let take = |batch: &[Decoded]| points += batch.len();
            decoder.for_each_batch(block, take).map_err(|error| error.to_string())?;
        }
    }
    Ok(points)
}

fn bytes_of(scans: &[Scan]) -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scans.e57");
    write(&path, scans, None);
    std::fs::read(path).unwrap()
}

#[test]
fn damage_is_named_with_its_place_and_remedy() {
    let whole = bytes_of(&[mixed(120_000)]);
    assert_eq!(read(&whole, false), Ok(120_000));
    let mut changed = whole.clone();
    changed[1_300_000] ^= 1;
    let error = read(&changed, false).unwrap_err();
    assert!(error.contains("does not fit its checksum") && error.contains("block 2 of 3"), "{error}");
    let error = read(&whole[..whole.len() / 2], false).unwrap_err();
    assert!(
        error.contains("the file is cut off: ") && error.contains("Copy or export the file again"),
        "{error}"
    );
    let empty = bytes_of(&[]);
    assert!(read(&empty, false).unwrap_err().contains("the file holds no scan"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn a_damaged_file_is_an_error_and_never_a_panic(at in 0usize..40_000, by in 1u8..=255, cut in 0usize..3) {
        let mut bytes = bytes_of(&[mixed(900), mixed(30).named("two")]);
        let at = at % bytes.len();
        if cut == 0 {
            bytes.truncate(at);
        } else {
            bytes[at] ^= by;
        }
        // The bytes beyond the checksums are padding of the last page of a section at most.
        let _ = read(&bytes, false);
        let _ = read(&bytes, true);
    }

    #[test]
    fn heads_of_packets_may_hold_anything(mut bytes in proptest::collection::vec(any::<u8>(), 0..80), fields in 0usize..9) {
        let _ = blocks::packet(&bytes, fields);
        if let Some(kind) = bytes.first_mut() {
            *kind = 1;
        }
        if let Ok(packet) = blocks::packet(&bytes, fields) {
            let held = packet.stretches.iter().sum::<u64>() + if fields > 0 { blocks::head(fields) } else { 0 };
            prop_assert!(held <= packet.length);
        }
    }
}
