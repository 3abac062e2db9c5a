use super::*;
use crate::cloud::las::testing::{Builder, Raw, open, points, with};
use crate::cloud::point::Point;

const ALL: Fields = Fields { strip: true, scan_angle: true, gps_time: true };

fn decode(cloud: &LasFile, fields: Fields) -> Result<Vec<Decoded>, CloudError> {
    let mut decoder = LasDecoder::new(cloud, fields, Unit::Metre, Unit::Foot)?;
    let mut all = Vec::new();
    // Backwards, as no block may depend on the one before it.
    for block in cloud.blocks.iter().rev() {
        let mut points = Vec::new();
        decoder.for_each(block, |point| points.push(*point))?;
        assert_eq!(points.len() as u64, block.points);
        all.splice(0..0, points);
    }
    Ok(all)
}

fn expected(raw: &Raw, format: u8, fields: Fields) -> Decoded {
    // Scales and offsets of the builder: whole micrometres, but for the foot of z.
    let [x, y, z] = raw.xyz.map(i64::from);
    let tenth_nanometres = (500_000 + z) * 304_800;
    let gps_time = if fields.gps_time && !matches!(format, 0 | 2) { raw.gps_time } else { 0.0 };
    Decoded {
        point: Point {
            x: 1_000_000_000 + x * 1000,
            y: -2_000_000_000 + y * 10_000,
            z: (tenth_nanometres + 5000) / 10_000,
            return_number: raw.return_number,
            number_of_returns: raw.number_of_returns,
            class: raw.class,
            strip: if fields.strip { raw.strip } else { 0 },
            scan_angle: match (fields.scan_angle, format) {
                (false, _) => 0,
                (true, 0..=5) => (f64::from(raw.scan_angle) / 0.006).round() as i16,
                (true, _) => raw.scan_angle,
            },
        },
        withheld: raw.withheld,
        in_range: true,
        gps_time,
    }
}

#[test]
fn every_format_and_version_is_read_field_by_field() {
    for format in 0..=10u8 {
        let versions: &[u8] = match format {
            0 | 1 => &[0, 1, 2, 3, 4],
            2 | 3 => &[2, 3, 4],
            4 | 5 => &[3, 4],
            _ => &[4],
        };
        for minor in versions {
            for extra_bytes in [0, 3] {
                let mut builder = Builder::new(*minor, format, points(200, format));
                builder.extra_bytes = extra_bytes;
                for bytes in [builder.las(), builder.laz(50_000), builder.laz(64), builder.laz(0)] {
                    let (_folder, cloud) = open(&bytes);
                    let cloud = cloud.unwrap();
                    assert_eq!((cloud.version, cloud.format, cloud.points), ((1, *minor), format, 200));
                    assert_eq!(cloud.notes, Vec::<String>::new());
                    for fields in [ALL, Fields::default(), Fields { strip: true, ..Fields::default() }] {
                        for (found, raw) in decode(&cloud, fields).unwrap().iter().zip(&builder.points) {
                            assert_eq!(*found, expected(raw, format, fields), "format {format}, {fields:?}");
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn chunks_of_any_size_become_blocks() {
    let builder = Builder::new(4, 6, points(200, 6));
    let (_folder, cloud) = open(&builder.laz(64));
    let sizes: Vec<u64> = cloud.unwrap().blocks.iter().map(|block| block.points).collect();
    assert_eq!(sizes, [64, 64, 64, 8]);
    let (_folder, cloud) = open(&builder.laz(0));
    let sizes: Vec<u64> = cloud.unwrap().blocks.iter().map(|block| block.points).collect();
    assert_eq!(sizes[..5], [1, 2, 3, 4, 5]);
    assert_eq!(sizes.iter().sum::<u64>(), 200);
}

#[test]
fn points_without_chunks_are_one_block() {
    let mut bytes = Builder::new(2, 1, points(200, 1)).laz(50_000);
    // The same points without chunks: the kind of compression is 1, and no place of a table stands before them.
    bytes[227 + 54] = 1;
    let offset = u32::from_le_bytes(bytes[96..100].try_into().unwrap()) as usize;
    bytes.drain(offset..offset + 8);
    let (_folder, cloud) = open(&bytes);
    let cloud = cloud.unwrap();
    assert_eq!(cloud.blocks.len(), 1);
    let found = decode(&cloud, ALL).unwrap();
    assert_eq!(found[199], expected(&points(200, 1)[199], 1, ALL));
}

#[test]
fn coordinates_are_rounded_half_away_from_zero() {
    for (value, whole) in [(0.4, 0), (0.5, 1), (-0.5, -1), (2.5, 3), (-2.5, -3), (-0.4, 0)] {
        assert_eq!(nearest(value), whole, "{value}");
    }
    assert_eq!(nearest(4_503_599_627_370_495.0), 4_503_599_627_370_495);
}

#[test]
fn ranks_become_angles() {
    for degrees in i8::MIN..=i8::MAX {
        assert_eq!(rank_to_angle(degrees), (f64::from(degrees) / 0.006).round() as i16);
    }
}

#[test]
fn coordinates_out_of_range_are_told() {
    let bytes = Builder::new(2, 0, points(3, 0)).las();
    let (_folder, cloud) = open(&bytes);
    let mut cloud = cloud.unwrap();
    let mut in_range = |axis: usize, scale, offset| {
        let before = (cloud.scale, cloud.offset);
        (cloud.scale[axis], cloud.offset[axis]) = (scale, offset);
        let found = decode(&cloud, ALL).unwrap().iter().all(|found| found.in_range);
        (cloud.scale, cloud.offset) = before;
        found
    };
    assert!(in_range(2, 0.0001, 50.0) && in_range(2, 0.0001, 1e5));
    assert!(!in_range(2, 0.0001, 1e6) && !in_range(0, 0.001, 1e10));
    // Infinity, and infinity less infinity: not a number.
    assert!(!in_range(2, 1e300, 0.0) && !in_range(1, f64::MAX, f64::MIN));
}

fn message(bytes: &[u8]) -> String {
    let (_folder, cloud) = open(bytes);
    match cloud.and_then(|cloud| decode(&cloud, ALL)) {
        Ok(_) => "no error".into(),
        Err(error) => error.to_string(),
    }
}

#[test]
fn each_damage_has_its_own_clear_error() {
    let las = Builder::new(4, 6, points(200, 6)).las();
    let laz = Builder::new(4, 6, points(200, 6)).laz(64);
    let offset = u32::from_le_bytes(laz[96..100].try_into().unwrap()) as usize;
    let table = i64::from_le_bytes(laz[offset..offset + 8].try_into().unwrap()) as usize;
    let chunk = offset + 8;
    for (bytes, part) in [
        (Vec::new(), "not a LAS, LAZ or E57 file: it begins with nothing"),
        (b"x,y,z\n1,2,3\n".to_vec(), "not a LAS, LAZ or E57 file: it begins with `x,y,`, not with LASF"),
        (b"LASF".to_vec(), "cut off: header needs 96 bytes from byte 0, but the file ends at byte 4"),
        (las[..300].to_vec(), "cut off: header needs 375 bytes"),
        (with(&las, 25, &[5]), "LAS version 1.5 (byte 24) is not supported. Export the cloud as LAS 1.4"),
        (
            with(&las, 94, &[227, 0]),
            "the header states a length of 227 bytes, but LAS 1.4 needs 375 (byte 94)",
        ),
        (with(&las, 104, &[11]), "point format 11 (byte 104)"),
        (with(&las, 104, &[0x46]), "compression older than LAZ 1.0"),
        (with(&las, 105, &[29, 0]), "29 bytes per point, but format 6 needs 30 (byte 105)"),
        (with(&las, 96, &u32::MAX.to_le_bytes()), "the points should begin at byte 4294967295"),
        (with(&las, 96, &[10, 0, 0, 0]), "the points should begin at byte 10"),
        (with(&las, 247, &[0; 8]), "the file has no points (byte 247). Remove the file from `files:`"),
        (
            with(&las, 247, &[0xff; 8]),
            "need 18446744073709551615 bytes from byte 375, but the points end at byte 6375: only 200 are present",
        ),
        (with(&las, 131, &f64::NAN.to_le_bytes()), "the scale factor of x is NaN"),
        (with(&las, 139, &0f64.to_le_bytes()), "the scale factor of y is 0"),
        (with(&las, 147, &1e6f64.to_le_bytes()), "the scale factor of z is 1000000.0"),
        (with(&las, 147, &(-1e-300f64).to_le_bytes()), "the scale factor of z is -1e-300"),
        (with(&las, 155, &(-1e30f64).to_le_bytes()), "the offset of x is -1e30"),
        (with(&las, 171, &f64::INFINITY.to_le_bytes()), "the offset of z is inf"),
        (
            las[..1000].to_vec(),
            "need 6000 bytes from byte 375, but the points end at byte 1000: only 20 are present",
        ),
        (with(&las, 104, &[0x86]), "the record that describes the compression is missing (byte 104)"),
        (with(&laz, 375 + 54, &[9]), "unknown compression"),
        (with(&laz, 375 + 54, &[2]), "one belongs to formats 0 to 5, the other to 6 to 10"),
        (with(&laz, 105, &[31, 0]), "its items are 30 bytes long"),
        (with(&laz, offset, &u64::MAX.to_le_bytes()), "the chunk table is damaged: it "),
        (with(&laz, offset, &(1u64 << 60).to_le_bytes()), "it should begin at byte 1152921504606846976"),
        (with(&laz, offset, &5u64.to_le_bytes()), "it should begin at byte 5"),
        (with(&laz, table, &[1]), "its version is 1, but must be 0"),
        (with(&laz, table + 4, &u32::MAX.to_le_bytes()), "it counts 4294967295 chunks"),
        (
            with(&laz, 247, &300u64.to_le_bytes()),
            "its chunks hold at most 256 points, but the header counts 300",
        ),
        (with(&laz, 247, &250u64.to_le_bytes()), "block 4 of 4"),
        (
            with(&laz, 247, &100u64.to_le_bytes()),
            "counts 100 points, but the file holds 4 compressed chunks of 64",
        ),
        (laz[..table].to_vec(), "it should begin at byte"),
        (with(&laz, chunk + 30, &[63]), "block 1 of 4"),
        (with(&laz, chunk + 34, &u32::MAX.to_le_bytes()), "is damaged: its layers need"),
        (with(&laz, chunk + 34, &[0; 4]), "is damaged: its layers end "),
    ] {
        let found = message(&bytes);
        assert!(found.contains(part), "expected …{part}…, found {found}");
        assert!(found.contains("cloud.laz"), "{found}");
    }
}

#[test]
fn a_lying_table_is_refused_for_variable_chunks_too() {
    let laz = Builder::new(4, 6, points(200, 6)).laz(0);
    assert!(message(&with(&laz, 247, &150u64.to_le_bytes())).contains("more than the 150 points"));
    assert!(message(&with(&laz, 247, &250u64.to_le_bytes())).contains("hold at most 200 points"));
}

#[test]
fn what_is_merely_odd_is_a_note() {
    let notes = |bytes: &[u8]| open(bytes).1.unwrap().notes.join("; ");
    let las = Builder::new(4, 6, points(200, 6)).las();
    assert!(notes(&with(&las, 6, &[1, 0])).contains("does not flag its coordinate system as WKT"));
    assert!(notes(&with(&las, 247, &[199])).contains("30 bytes follow the last point"));
    assert!(notes(&with(&las, 107, &[100])).contains("two point counts, 100 (byte 107) and 200 (byte 247)"));
    assert!(notes(&with(&las, 100, &[2])).contains("states 2 variable length records, but only 0 fit"));
    let evlr = [10u64.to_le_bytes().as_slice(), &1u32.to_le_bytes()].concat();
    assert!(notes(&with(&las, 235, &evlr)).contains("should begin at byte 10"));
}

/// What a wiped stretch of a disk holds is refused, or decodes to as many points as are due.
#[test]
fn wiped_stretches_end_in_an_error_or_in_points() {
    let spawn = |work: fn()| std::thread::Builder::new().stack_size(crate::cloud::STACK).spawn(work).unwrap();
    spawn(|| {
        for format in [0u8, 1, 3, 6, 7] {
            for (fill, from, length) in [0xff, 0]
                .into_iter()
                .flat_map(|fill| [0usize, 28, 36, 62, 100, 400].map(move |from| (fill, from)))
                .flat_map(|(fill, from)| [4, 8, 11, 40, usize::MAX].map(move |length| (fill, from, length)))
            {
                let mut laz = Builder::new(4, format, points(3000, format)).laz(3000);
                let offset = u32::from_le_bytes(laz[96..100].try_into().unwrap()) as usize;
                let table = i64::from_le_bytes(laz[offset..offset + 8].try_into().unwrap()) as usize;
                let chunk = &mut laz[offset + 8..table];
                let end = from.saturating_add(length).min(chunk.len());
                chunk[from..end].fill(fill);
                let found = message(&laz);
                if fill == 0xff && length == usize::MAX {
                    assert!(found.contains("block 1 of 1"), "{found}");
                }
            }
        }
    })
    .join()
    .unwrap();
}

/// Damage anywhere gives points or an error, never a panic or a hang. Every byte in turn takes minutes, so
/// only some are changed here.
#[test]
fn no_damaged_byte_panics() {
    for (format, step) in [(3, 11), (7, 13)] {
        let laz = Builder::new(4, format, points(40, format)).laz(30);
        for at in (0..laz.len()).step_by(step) {
            for new in [0xff, laz[at] ^ 1] {
                let (_folder, cloud) = open(&with(&laz, at, &[new]));
                if let Ok(cloud) = cloud {
                    let _ = decode_loosely(&cloud);
                }
            }
        }
    }
}

fn decode_loosely(cloud: &LasFile) -> Result<u64, CloudError> {
    let mut decoder = LasDecoder::new(cloud, ALL, Unit::Metre, Unit::Metre)?;
    let mut count = 0;
    for block in &cloud.blocks {
        decoder.for_each(block, |_| count += 1)?;
    }
    Ok(count)
}
