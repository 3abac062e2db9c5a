//! What the fuzz targets start from, and what they once found, goes through the same entry points in every test run.

#[path = "common/files.rs"]
mod files;
#[path = "common/fuzzed.rs"]
mod fuzzed;

use std::fs;
use std::path::{Path, PathBuf};

use files::{Builder, points};
use fuzzed::{TARGETS, chunk_table_place};

/// Bytes that all inputs together may take.
const SMALL: u64 = 200_000;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

fn corpus(target: &str) -> PathBuf {
    root().join("tests/fuzz/corpus").join(target)
}

#[test]
fn the_corpus_gives_an_answer_or_an_error() {
    let mut bytes = 0;
    for (target, run) in TARGETS {
        let files: Vec<PathBuf> =
            fs::read_dir(corpus(target)).unwrap().map(|entry| entry.unwrap().path()).collect();
        assert!(files.len() > 5, "{target}");
        for file in files {
            let input = fs::read(&file).unwrap();
            bytes += input.len() as u64;
            println!("{}", file.display());
            run(&input);
        }
    }
    assert!(bytes < SMALL, "{bytes} bytes");
}

/// Makes the corpus again, but for what was found: `cargo test --release --test corpus -- --ignored`.
#[test]
#[ignore = "writes into the source"]
fn make_the_corpus() {
    let keep = |target: &str, name: &str, bytes: &[u8]| {
        fs::create_dir_all(corpus(target)).unwrap();
        fs::write(corpus(target).join(name), bytes).unwrap();
    };
    for format in 0..=10u8 {
        let minor = if format < 6 { 3 } else { 4 };
        let mut builder = Builder::new(minor, format, points(5, format));
        builder.extra_bytes = u16::from(format % 3);
        keep("header", &format!("format-{format}.las"), &builder.las());
        keep("header", &format!("format-{format}.laz"), &builder.laz(3));
    }
    for (choice, format, chunk) in [(0u8, 1u8, 50), (1, 6, 50), (2, 7, 1000), (3, 6, 0)] {
        let minor = if format < 6 { 3 } else { 4 };
        let whole = Builder::new(minor, format, points(120, format)).laz(chunk);
        let place = chunk_table_place(&whole);
        let at = i64::from_le_bytes(whole[place..place + 8].try_into().unwrap()) as usize;
        for (end, flag) in [("before", 0), ("streamed", 4)] {
            let input = [&[choice | flag], &whole[at..]].concat();
            keep("chunk_table", &format!("format-{format}-chunk-{chunk}-{end}"), &input);
        }
    }
    let texts = ["pipelines", "tests/pipelines/good", "tests/pipelines/wrong"]
        .map(|folder| fs::read_dir(root().join(folder)).unwrap());
    for file in texts.into_iter().flatten().map(|entry| entry.unwrap().path()) {
        if file.extension().is_some_and(|end| end == "yaml") {
            keep("pipeline", &file.file_name().unwrap().to_string_lossy(), &fs::read(&file).unwrap());
        }
    }
}
