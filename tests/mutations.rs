//! Thousands of files broken at random: opened, decoded, counted and, some of them, run as whole jobs. Nothing may
//! panic, hang or take memory without bound. Each file follows from its number alone, so that a failure can be had
//! again with `ONLY=number cargo test --release --test mutations`.

#[path = "common/files.rs"]
mod files;
#[path = "common/mutate.rs"]
mod mutate;

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use echograde::cloud::{Census, Fields, LasDecoder, LasFile, STACK, Source};
use echograde::engine::plan::job::{Job, Resources};
use echograde::engine::run::run;
use echograde::engine::store::run_folder::Claim;
use echograde::engine::watch::Watch;
use echograde::pipeline::load;
use echograde::units::Unit;
use files::{Builder, Raw, points};
use mutate::{Random, mutate};

/// Files that are broken and read.
const FILES: u64 = 10_000;

/// Of so many files one is run as a whole job, and of so many one is counted as `inspect` does.
const ONE_JOB_IN: u64 = 25;
const ONE_CENSUS_IN: u64 = 10;

/// No file of these sizes takes a twentieth of this.
const LONGEST: Duration = Duration::from_secs(20);

/// Memory that the test may reserve beyond what it has at the start: stacks, arenas, files and points.
const MEMORY: u64 = 1 << 30;

const WORKERS: usize = 2;

/// The files before they are broken.
fn whole_files() -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for format in 0..=10u8 {
        let minor = if format < 6 { 3 } else { 4 };
        let mut builder = Builder::new(minor, format, points(120, format));
        builder.extra_bytes = u16::from(format % 3);
        all.extend([builder.las(), builder.laz(50), builder.laz(0), builder.laz(1000)]);
        if format < 6 {
            all.push(mutate::unchunked(&builder.laz(1000)));
        }
    }
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    for name in ["1_4_w_evlr.laz", "simple.copc.laz"] {
        all.push(fs::read(data.join(name)).unwrap());
    }
    all
}

/// What one worker is doing.
type Doing = Arc<Mutex<Option<(u64, Instant)>>>;

#[test]
fn broken_files_give_points_or_an_error() {
    rayon::ThreadPoolBuilder::new().num_threads(2).stack_size(STACK).build_global().unwrap();
    let wholes = Arc::new(whole_files());
    let only: Option<u64> = std::env::var("ONLY").ok().map(|text| text.parse().unwrap());
    let next = Arc::new(AtomicU64::new(only.unwrap_or(0)));
    let end = only.map_or(FILES, |only| only + 1);
    let opened = Arc::new(AtomicU64::new(0));
    let before = reserved_memory();
    let workers: Vec<(Doing, thread::JoinHandle<()>)> = (0..WORKERS)
        .map(|_| {
            let doing = Doing::default();
            let (told, wholes, next, opened) = (doing.clone(), wholes.clone(), next.clone(), opened.clone());
            let work = move || {
                let folder = tempfile::tempdir().unwrap();
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= end {
                        break;
                    }
                    *told.lock().unwrap() = Some((number, Instant::now()));
                    let result = catch_unwind(AssertUnwindSafe(|| read(number, &wholes, folder.path())));
                    match result {
                        Ok(true) => drop(opened.fetch_add(1, Ordering::Relaxed)),
                        Ok(false) => {}
                        Err(_) => panic!("file {number} makes the program panic"),
                    }
                }
                *told.lock().unwrap() = None;
            };
            (doing, thread::Builder::new().stack_size(STACK).spawn(work).unwrap())
        })
        .collect();
    // A worker that hangs cannot be joined: watch them instead.
    while workers.iter().any(|(_, worker)| !worker.is_finished()) {
        thread::sleep(Duration::from_millis(50));
        for (doing, _) in &workers {
            if let Some((number, since)) = *doing.lock().unwrap() {
                assert!(since.elapsed() < LONGEST, "file {number} takes longer than {LONGEST:?}");
            }
        }
    }
    for (_, worker) in workers {
        worker.join().unwrap();
    }
    if let (Some(before), Some(after)) = (before, reserved_memory()) {
        assert!(after - before < MEMORY, "{} MiB reserved at the peak", (after - before) >> 20);
    }
    let opened = opened.load(Ordering::Relaxed);
    println!("{opened} of {FILES} broken files could be opened");
    // Otherwise the mutations are so coarse that they test the first check alone.
    assert!(only.is_some() || (FILES / 5..FILES * 4 / 5).contains(&opened), "{opened} could be opened");
}

/// Reads the broken file of this number; whether it could be opened.
fn read(number: u64, wholes: &[Vec<u8>], folder: &Path) -> bool {
    let mut random = Random::new(number);
    let whole = &wholes[random.below(wholes.len())];
    let bytes = mutate(whole, wholes, &mut random);
    let path = folder.join("broken.laz");
    fs::write(&path, &bytes).unwrap();
    // Compared with a whole file: a cloud is not compared with itself.
    fs::write(folder.join("whole.laz"), &wholes[random.below(wholes.len())]).unwrap();
    if number.is_multiple_of(ONE_JOB_IN) {
        whole_job(number, folder);
    }
    let Ok(cloud) = LasFile::open_what_is_there(&path) else {
        assert!(LasFile::open(&path).is_err());
        return false;
    };
    let fields = Fields { strip: true, scan_angle: true, gps_time: number.is_multiple_of(2) };
    decode(&cloud, fields);
    if number.is_multiple_of(ONE_CENSUS_IN) {
        Census::of(&Source::Las(cloud), Unit::Metre, Unit::Foot).unwrap();
    }
    true
}

fn decode(cloud: &LasFile, fields: Fields) {
    let promised: u64 = cloud.blocks.iter().map(|block| block.points).sum();
    assert_eq!(promised, cloud.points - cloud.missing);
    let mut decoder = LasDecoder::new(cloud, fields, Unit::Metre, Unit::UsSurveyFoot).unwrap();
    for block in &cloud.blocks {
        let mut count = 0;
        let result = decoder.for_each(block, |_| count += 1);
        assert!(count == block.points || count < block.points && result.is_err());
    }
}

fn whole_job(number: u64, folder: &Path) {
    let pipeline: PathBuf = folder.join("job.yaml");
    let damaged = if number.is_multiple_of(2 * ONE_JOB_IN) { "skip" } else { "stop" };
    let text = format!(
        "survey: {{files: [broken.laz], units: m}}\nreference: {{files: [whole.laz], units: m}}\noutput: out\n\
         stages:\n  - read: {{tile: 200 m, damaged: {damaged}}}\n  - ground: {{cell: 5 m, window_max: 40 m}}\n  - checkpoints: {{}}\n  - compare: {{}}\n  \
         - summarise: {{}}\n"
    );
    fs::write(&pipeline, text).unwrap();
    let Ok(job) = Job::prepare(load(&pipeline).unwrap(), Resources { threads: 2, memory: 128 << 20 }) else {
        return;
    };
    let out = folder.join("out");
    let result = run(job, &out, Claim { resume: false, replace: true }, &Watch::default());
    if let Err(error) = result {
        let message = error.to_string();
        assert!(!message.contains("internal error"), "{message}");
    }
    let _ = fs::remove_dir_all(out);
    let _ = fs::remove_dir_all(folder.join("out.unfinished"));
}

/// The most address space this process has had, bytes; known on Linux. It counts what was reserved and never touched.
fn reserved_memory() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmPeak:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()? * 1024)
}

/// Lines of a flight over bare ground, 100 m × 30 m, with a tree now and then, in chunks of 4,000 points.
fn flown(format: u8, random: &mut Random) -> Builder {
    let mut points = Vec::new();
    for line in 0..75 {
        for step in 0..250 {
            // Scale factors of the builder: 1 mm, 1 cm, 0.1 mm.
            let (x, y) = (step * 400, line * 40);
            let noise = (0..12).map(|_| random.below(1001) as i32).sum::<i32>() - 6000;
            let ground = x / 5 + y / 2 + noise * 3 / 10;
            let time = f64::from(line * 250 + step) * 1e-4;
            let raw = |z, return_number, number_of_returns| Raw {
                xyz: [x, y, z],
                return_number,
                number_of_returns,
                class: 1,
                gps_time: time,
                strip: 7,
                ..Raw::default()
            };
            if random.below(40) == 0 {
                points.push(raw(ground + 50_000 + random.below(50_000) as i32, 1, 2));
                points.push(raw(ground, 2, 2));
            } else {
                points.push(raw(ground, 1, 1));
            }
        }
    }
    let minor = if format < 6 { 2 } else { 4 };
    Builder::new(minor, format, points)
}

/// A header that states the box as it is.
fn with_box(mut bytes: Vec<u8>, points: &[Raw]) -> Vec<u8> {
    for (axis, (scale, offset)) in [(0.001, 1000.0), (0.01, -2000.0), (0.0001, 50.0)].into_iter().enumerate()
    {
        let values = || points.iter().map(|point| f64::from(point.xyz[axis]) * scale + offset);
        let (low, high) = (values().fold(f64::MAX, f64::min), values().fold(f64::MIN, f64::max));
        bytes[179 + 16 * axis..187 + 16 * axis].copy_from_slice(&f64::to_le_bytes(high));
        bytes[187 + 16 * axis..195 + 16 * axis].copy_from_slice(&f64::to_le_bytes(low));
    }
    bytes
}

/// Flips inside chunks: either an error, or damage that is counted, or figures that are right.
#[test]
fn flips_inside_chunks_that_still_decode_never_give_wrong_figures_in_silence() {
    const FLIPS: u64 = 200;
    let only: Option<u64> = std::env::var("FLIP").ok().map(|text| text.parse().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let (mut quiet, mut counted, mut errors) = (0, 0, 0);
    for format in [6, 1] {
        let mut random = Random::new(format.into());
        let builder = flown(format, &mut random);
        let truth: Vec<Raw> = builder
            .points
            .iter()
            .filter(|point| point.return_number == point.number_of_returns)
            .map(|point| Raw {
                xyz: [point.xyz[0], point.xyz[1], point.xyz[0] / 5 + point.xyz[1] / 2],
                ..*point
            })
            .map(|point| Raw { return_number: 1, number_of_returns: 1, ..point })
            .collect();
        let reference = Builder::new(4, 6, truth);
        fs::write(folder.path().join("reference.las"), with_box(reference.las(), &reference.points)).unwrap();
        let whole = with_box(builder.laz(4000), &builder.points);
        let (first, table) = files::chunks_and_table(&whole);
        let right = flipped_run(folder.path(), &whole, "stop").expect("a whole file");
        assert_eq!(right["survey"]["lost_points"], 0);
        let bias = |summary: &serde_json::Value| summary["all"]["bias"].as_f64().unwrap();
        let sd = right["all"]["sd"].as_f64().unwrap();
        assert!(bias(&right).abs() < 0.002 && (0.02..0.04).contains(&sd), "{}", right["all"]);
        let numbers = only.map_or(0..FLIPS / 2, |only| only..only + 1);
        for number in numbers {
            let mut random = Random::new(1000 * u64::from(format) + number);
            let mut broken = whole.clone();
            let at = first + random.below(table - first - 8);
            (at..at + 8).for_each(|at| broken[at] = random.next() as u8);
            let damaged = if number % 2 == 0 { "stop" } else { "skip" };
            let Some(found) = flipped_run(folder.path(), &broken, damaged) else {
                errors += 1;
                continue;
            };
            let lost = found["survey"]["lost_points"].as_u64().unwrap();
            if lost > 0 {
                counted += 1
            } else {
                quiet += 1
            }
            // A chunk that is missing changes the bias by its own noise; what is left must be right.
            let n = found["all"]["compared"].as_f64().unwrap();
            let off = (bias(&found) - bias(&right)).abs();
            let spread = (found["all"]["sd"].as_f64().unwrap() / sd - 1.0).abs();
            assert!(
                off < 4.0 * sd / n.sqrt() && spread < 0.05,
                "format {format}, flip {number}, {lost} lost: bias {} for {}, SD {} for {sd}",
                bias(&found),
                bias(&right),
                found["all"]["sd"]
            );
        }
    }
    println!("{errors} errors, {counted} with damage counted, {quiet} with the right figures");
    assert!(only.is_some() || errors > 50 && counted > 30, "{errors} errors, {counted} counted");
}

/// The summary of a run on a survey of these bytes; nothing where it ends with an error.
fn flipped_run(folder: &Path, survey: &[u8], damaged: &str) -> Option<serde_json::Value> {
    fs::write(folder.join("survey.laz"), survey).unwrap();
    let pipeline = folder.join("flipped.yaml");
    let text = format!(
        "survey: {{files: [survey.laz], units: m}}\nreference: {{files: [reference.las], units: m}}\noutput: flipped\n\
         stages:\n  - read: {{damaged: {damaged}}}\n  - ground: {{window_max: 5 m, dh_initial: 0.6 m}}\n  - checkpoints: {{per_return: all}}\n  - compare: {{}}\n  \
         - summarise: {{by: [return], block: 10 m}}\n"
    );
    fs::write(&pipeline, text).unwrap();
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_echograde"))
        .args(["run", "--json", "--replace"])
        .arg(&pipeline)
        .output()
        .unwrap();
    let _ = fs::remove_dir_all(folder.join("flipped.unfinished"));
    match output.status.code() {
        Some(0) => Some(serde_json::from_slice(&output.stdout).unwrap()),
        Some(1) => None,
        other => panic!("{other:?}: {}", String::from_utf8_lossy(&output.stderr)),
    }
}
