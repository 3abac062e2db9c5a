use std::io::Cursor;
use std::path::Path;

use super::*;
use crate::cloud::las::LasDecoder;
use crate::cloud::las::testing::{Builder, points, write};
use crate::cloud::point::{Decoded, Fields};
use crate::units::Unit;

/// All records of a file, and the points in them.
fn read(file: &LasFile) -> (Vec<u8>, Vec<Decoded>) {
    let mut decoder = LasDecoder::new(file, Fields::default(), Unit::Metre, Unit::Metre).unwrap();
    let (mut all, mut points) = (Vec::new(), Vec::new());
    for block in &file.blocks {
        decoder
            .for_each_record_batch(block, |records, decoded| {
                all.extend_from_slice(records);
                points.extend_from_slice(decoded);
            })
            .unwrap();
    }
    (all, points)
}

/// The class that a point is given.
fn class_of(index: usize) -> u8 {
    [2, 1, 7, 2, 31][index % 5]
}

/// Writes a file again, block by block, each point with another class and, in each dimension, its number.
fn copied(file: &LasFile, dimensions: &[ExtraDimension]) -> Vec<u8> {
    let plan = CopyPlan::new(file, dimensions, "a test").unwrap();
    let mut writer = CopyWriter::start(&plan, Cursor::new(Vec::new())).unwrap();
    let encoder = plan.encoder();
    let mut decoder = LasDecoder::new(file, Fields::default(), Unit::Metre, Unit::Metre).unwrap();
    let (length, _) = plan.record_lengths();
    let mut index = 0;
    for block in &file.blocks {
        let mut changed = Vec::new();
        decoder
            .for_each_record_batch(block, |records, _| {
                for record in records.chunks_exact(length) {
                    let mut record = record.to_vec();
                    plan.set_class(&mut record, class_of(index));
                    changed.extend(record);
                    dimensions.iter().for_each(|_| changed.extend((index as i32).to_le_bytes()));
                    index += 1;
                }
            })
            .unwrap();
        let (_, length) = plan.record_lengths();
        for chunk in changed.chunks(length * plan.most_in_chunk(block)) {
            writer.add(&encoder.encode(chunk).unwrap(), (chunk.len() / length) as u64).unwrap();
        }
    }
    writer.finish().unwrap().into_inner()
}

const LIMIT: ExtraDimension =
    ExtraDimension { name: "limit", description: "of a test", scale: 0.001, offset: -7.0 };

/// Asserts that a copy is its source but for the classes and the dimensions.
fn check(bytes: &[u8], dimensions: &[ExtraDimension]) -> (Vec<u8>, LasFile) {
    let (_folder, path) = write(bytes, "cloud.las");
    let source = LasFile::open(&path).unwrap();
    let copy = copied(&source, dimensions);
    let (_folder, path) = write(&copy, "copy.laz");
    let again = LasFile::open(&path).unwrap();
    assert_eq!(again.notes, source.notes);
    assert!(again.compressed);
    assert_eq!((again.version, again.format), (source.version, source.format));
    assert_eq!((again.points, again.points_by_return), (source.points, source.points_by_return));
    assert_eq!((again.scale, again.offset), (source.scale, source.offset));
    assert_eq!((again.stated_min, again.stated_max), (source.stated_min, source.stated_max));
    assert_eq!((&again.crs, &again.generating_software), (&source.crs, &source.generating_software));
    // The header but for the places in it: offset to the points, number of records, format and length of a record.
    let header = usize::from(u16::from_le_bytes([bytes[94], bytes[95]]));
    for at in (0..header).filter(|at| !(96..107).contains(at) && !(227..247).contains(at)) {
        assert_eq!(copy[at], bytes[at], "byte {at} of the header");
    }
    let ((was, before), (is, after)) = (read(&source), read(&again));
    let (was_length, is_length) = (usize::from(source.record_length), usize::from(again.record_length));
    assert_eq!(is_length - was_length, 4 * dimensions.len());
    assert_eq!(before.len(), after.len());
    let class_byte = if source.format < 6 { 15 } else { 16 };
    for (index, (was, is)) in was.chunks_exact(was_length).zip(is.chunks_exact(is_length)).enumerate() {
        assert_eq!(was[..class_byte], is[..class_byte], "point {index}");
        assert_eq!(was[class_byte + 1..], is[class_byte + 1..was_length], "point {index}");
        let flags = if source.format < 6 { was[15] & 0xe0 } else { 0 };
        assert_eq!(is[class_byte], class_of(index) | flags, "point {index}");
        for dimension in is[was_length..].chunks_exact(4) {
            assert_eq!(dimension, (index as i32).to_le_bytes(), "point {index}");
        }
    }
    let class = |decoded: &Decoded| decoded.point.class;
    assert!(after.iter().map(class).eq((0..after.len()).map(class_of)));
    (copy, again)
}

#[test]
fn every_point_format_of_every_version_is_written_again_but_for_its_classes() {
    for format in 0..=10 {
        let first_minor = match format {
            0 | 1 => 0,
            2 | 3 => 2,
            4 | 5 => 3,
            _ => 4,
        };
        for minor in first_minor..=4 {
            // Each extra byte of a point is encoded by itself: many take long.
            for (extra_bytes, count) in [(0, 1001), (3, 301), (300, 21)] {
                let builder = Builder { extra_bytes, ..Builder::new(minor, format, points(count, format)) };
                for bytes in [builder.las(), builder.laz(90), builder.laz(0)] {
                    check(&bytes, &[]);
                    check(&bytes, std::slice::from_ref(&LIMIT));
                }
            }
        }
    }
}

#[test]
fn points_are_cut_into_chunks_as_the_source_is_and_large_ones_into_equal_parts() {
    let sizes = |bytes: &[u8]| {
        let (_, copy) = check(bytes, &[]);
        copy.blocks.iter().map(|block| block.points).collect::<Vec<_>>()
    };
    let builder = Builder::new(2, 1, points(130_001, 1));
    assert_eq!(sizes(&builder.las()), [50_000, 50_000, 30_001]);
    assert_eq!(sizes(&builder.laz(40_000)), [40_000, 40_000, 40_000, 10_001]);
    assert_eq!(sizes(&builder.laz(65_000)), [32_500, 32_500, 32_500, 32_500, 1]);
    assert_eq!(sizes(&builder.laz(130_001)), [43_334, 43_334, 43_333]);
}

#[test]
fn real_files_keep_their_records() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    for name in ["1_4_w_evlr.laz", "autzen_trim.laz", "extrabytes.las", "simple.las"] {
        let bytes = std::fs::read(data.join(name)).unwrap();
        for dimensions in [&[][..], std::slice::from_ref(&LIMIT)] {
            let (copy, again) = check(&bytes, dimensions);
            let (_folder, path) = write(&bytes, "cloud.las");
            let source = LasFile::open(&path).unwrap();
            let frame =
                |file: &LasFile| Frame::read(&mut RangeReader::open(&file.location).unwrap(), file).unwrap();
            let (_folder, path) = write(&copy, "copy.laz");
            let again = LasFile { location: path.into(), ..again };
            let (was, is) = (frame(&source), frame(&again));
            assert_eq!(was.extended.len(), is.extended.len(), "{name}");
            for (was, is) in was.extended.iter().zip(&is.extended) {
                let stretch = |bytes: &[u8], at: &frame::Stretch| {
                    bytes[at.offset as usize..][..at.bytes as usize].to_vec()
                };
                assert_eq!(stretch(&bytes, was), stretch(&copy, is), "{name}");
            }
        }
    }
}

#[test]
fn a_copc_file_becomes_plain_laz() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/simple.copc.laz");
    let source = LasFile::open(&path).unwrap();
    assert!(source.nodes.is_some() && CopyPlan::new(&source, &[], "").unwrap().was_copc);
    let (copy, again) = check(&std::fs::read(&path).unwrap(), &[]);
    assert!(again.nodes.is_none());
    assert!(!copy.windows(4).any(|bytes| bytes == b"copc"));
}

#[test]
fn a_copy_of_a_copy_is_the_copy() {
    let builder = Builder::new(4, 8, points(3000, 8));
    let (copy, _) = check(&builder.laz(700), &[]);
    assert_eq!(check(&copy, &[]).0, copy);
    // A dimension that is there already cannot be added again.
    let (copy, _) = check(&builder.laz(700), std::slice::from_ref(&LIMIT));
    let (_folder, path) = write(&copy, "copy.laz");
    let error = CopyPlan::new(&LasFile::open(&path).unwrap(), &[LIMIT], "").unwrap_err().to_string();
    assert!(error.contains("`limit`") && error.contains("copy.laz"), "{error}");
}

#[test]
fn waveforms_in_the_file_are_found_again_behind_the_points() {
    for (minor, format) in [(3, 4), (3, 5), (4, 9), (4, 10)] {
        let builder = Builder::new(minor, format, points(500, format));
        let mut bytes = builder.las();
        let start = bytes.len() as u64;
        let mut record = vec![0; 60];
        record[2..11].copy_from_slice(b"LASF_Spec");
        record[18..20].copy_from_slice(&65_535u16.to_le_bytes());
        record[20..28].copy_from_slice(&1000u64.to_le_bytes());
        let waves: Vec<u8> = (0..1000u32).map(|i| (i * 7 % 251) as u8).collect();
        record.extend(&waves);
        bytes.extend(&record);
        bytes[6] |= 2;
        bytes[227..235].copy_from_slice(&start.to_le_bytes());
        if minor == 4 {
            bytes[235..243].copy_from_slice(&start.to_le_bytes());
            bytes[243..247].copy_from_slice(&1u32.to_le_bytes());
        }
        let (copy, _) = check(&bytes, std::slice::from_ref(&LIMIT));
        let place = u64::from_le_bytes(copy[227..235].try_into().unwrap()) as usize;
        assert_eq!(copy[place..], record, "format {format}");
    }
}
