//! What the fuzz targets and the replay of their corpus feed with bytes. Nothing here may panic or hang.
#![allow(dead_code)]

use std::cell::OnceCell;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;
use std::thread;

use echograde::cloud::{Fields, LasDecoder, LasFile, STACK};
use echograde::pipeline::load_text;
use echograde::units::Unit;
use tempfile::TempDir;

use super::files::{Builder, points};

/// What is done with bytes of any kind.
pub type Target = fn(&[u8]);

/// The name of each target, and what it does.
pub const TARGETS: [(&str, Target); 3] =
    [("header", header), ("chunk_table", chunk_table), ("pipeline", pipeline)];

/// A whole point file: its header, its records, and whatever points it then has.
pub fn header(bytes: &[u8]) {
    read(bytes);
}

/// What stands in place of the chunk table of a small LAZ file. The first byte chooses the file and whether the table's
/// place stands before the points or, as in streamed files, at the end.
pub fn chunk_table(bytes: &[u8]) {
    let Some((&choice, table)) = bytes.split_first() else { return };
    static WHOLE: OnceLock<[Vec<u8>; 4]> = OnceLock::new();
    let whole = WHOLE.get_or_init(|| {
        [(1, 50), (6, 50), (7, 1000), (6, 0)].map(|(format, chunk)| {
            let minor = if format < 6 { 3 } else { 4 };
            Builder::new(minor, format, points(120, format)).laz(chunk)
        })
    });
    let mut file = whole[usize::from(choice & 3)].clone();
    let place = chunk_table_place(&file);
    let at = i64::from_le_bytes(file[place..place + 8].try_into().expect("eight bytes"));
    file.truncate(at as usize);
    file.extend_from_slice(table);
    if choice & 4 != 0 {
        file[place..place + 8].copy_from_slice(&(-1i64).to_le_bytes());
        file.extend_from_slice(&at.to_le_bytes());
    }
    read(&file);
}

/// Where a LAZ file says where its chunk table is: before its points.
pub fn chunk_table_place(file: &[u8]) -> usize {
    u32::from_le_bytes(file[96..100].try_into().expect("four bytes")) as usize
}

/// The text of a pipeline file in an empty folder.
pub fn pipeline(bytes: &[u8]) {
    // A pattern that leaves the folder would look through the whole disk.
    let text = String::from_utf8_lossy(bytes).replace(['/', '\\', '~'], "_").replace("..", "__");
    in_folder(|folder| {
        if let Err(error) = load_text(&folder.join("fuzzed.yaml"), &text) {
            assert!(!error.render(false).is_empty());
        }
    });
}

fn read(bytes: &[u8]) {
    in_folder(|folder| {
        let path = folder.join("fuzzed.laz");
        fs::write(&path, bytes).expect("the disk takes it");
        let worker = thread::Builder::new().stack_size(STACK);
        let reading = worker.spawn(move || {
            let strict = LasFile::open(&path);
            let Ok(cloud) = LasFile::open_what_is_there(&path) else {
                assert!(strict.is_err());
                return;
            };
            let fields = Fields { strip: true, scan_angle: true, gps_time: true };
            let mut decoder = LasDecoder::new(&cloud, fields, Unit::Metre, Unit::Foot).expect("it is there");
            for block in &cloud.blocks {
                let mut count = 0;
                let result = decoder.for_each(block, |_| count += 1);
                assert!(count == block.points || count < block.points && result.is_err());
            }
        });
        reading.expect("a thread").join().expect("no panic");
    });
}

/// Works in a folder that each thread makes once.
fn in_folder(work: impl FnOnce(&Path)) {
    thread_local! {
        static FOLDER: OnceCell<TempDir> = const { OnceCell::new() };
    }
    FOLDER.with(|folder| work(folder.get_or_init(|| tempfile::tempdir().expect("a folder")).path()));
}
