//! Decodes point files and does nothing else: the floor that a whole run is measured against.
//!
//! The same decoder as a run, the same fields, the same way of sharing the blocks out among threads; no tiles, no
//! spill, no stages.

use std::hint::black_box;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use clap::Parser;
use echograde::cloud::{Block, CloudError, Decoded, Fields, LasDecoder, LasFile};
use echograde::pipeline::load;
use echograde::stages::chain::Chain;
use echograde::units::Unit;

/// Decodes point files in parallel and prints how fast.
#[derive(Parser)]
#[command(name = "decode-only")]
struct Arguments {
    /// Point files.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Threads; by default one for each core.
    #[arg(long)]
    threads: Option<usize>,
    /// Pipeline file whose run the fields are those of; without it, those that every run needs.
    #[arg(long)]
    fields_of: Option<PathBuf>,
}

/// What was decoded. Sums of everything that a run looks at, so that no work on it can be left out.
#[derive(Default)]
struct Sums {
    points: u64,
    x: i64,
    y: i64,
    z: i128,
    others: u64,
}

impl Sums {
    #[inline]
    fn add(&mut self, decoded: &Decoded) {
        let point = &decoded.point;
        self.points += 1;
        self.x = self.x.wrapping_add(point.x);
        self.y = self.y.wrapping_add(point.y);
        self.z += i128::from(point.z);
        self.others += u64::from(point.return_number)
            + u64::from(point.number_of_returns)
            + u64::from(point.class)
            + u64::from(point.strip)
            + u64::from(point.scan_angle.unsigned_abs())
            + u64::from(decoded.withheld)
            + u64::from(decoded.in_range)
            + (decoded.gps_time as u64 & 1);
    }

    fn merge(&mut self, other: &Sums) {
        self.points += other.points;
        self.x = self.x.wrapping_add(other.x);
        self.y = self.y.wrapping_add(other.y);
        self.z += other.z;
        self.others += other.others;
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments = Arguments::parse();
    let fields = match &arguments.fields_of {
        Some(path) => {
            let pipeline = load(path)?.pipeline;
            Chain::new(&pipeline.stages, pipeline.seed).fields_read()
        }
        None => Fields::default(),
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(arguments.threads.unwrap_or(0)).build()?;
    let start = Instant::now();
    let files: Vec<LasFile> = arguments.files.iter().map(LasFile::open).collect::<Result<_, _>>()?;
    let sums = pool.install(|| decode(&files, fields))?;
    let seconds = start.elapsed().as_secs_f64();
    black_box((sums.x, sums.y, sums.others));
    println!(
        "{} points in {seconds:.3} s on {} threads: {:.0} points/s; sum of z {:.6} (as metres)",
        sums.points,
        pool.current_num_threads(),
        sums.points as f64 / seconds,
        sums.z as f64 / 1e6
    );
    Ok(())
}

/// Decodes all blocks of all files on the threads of the current pool.
fn decode(files: &[LasFile], fields: Fields) -> Result<Sums, CloudError> {
    let work: Vec<(usize, Block)> = files
        .iter()
        .enumerate()
        .flat_map(|(file, cloud)| cloud.blocks.iter().map(move |block| (file, *block)))
        .collect();
    let next = AtomicUsize::new(0);
    let total = Mutex::new(Sums::default());
    let worker = || -> Result<(), CloudError> {
        let mut sums = Sums::default();
        let mut decoder: Option<(usize, LasDecoder)> = None;
        while let Some((file, block)) = work.get(next.fetch_add(1, Ordering::Relaxed)) {
            let decoder = match &mut decoder {
                Some((open, decoder)) if open == file => decoder,
                other => {
                    // The unit changes a factor, not the work.
                    let new = LasDecoder::new(&files[*file], fields, Unit::Metre, Unit::Metre)?;
                    &mut other.insert((*file, new)).1
                }
            };
            decoder.for_each(block, |decoded| sums.add(decoded))?;
        }
        total.lock().expect("no panic while locked").merge(&sums);
        Ok(())
    };
    rayon::broadcast(|_| worker()).into_iter().collect::<Result<(), _>>()?;
    Ok(total.into_inner().expect("no panic while locked"))
}
