//! Benchmarks of the parts that a run spends its time in, each on one thread: decode, scatter, opening, matching,
//! gathering. Small by default; `ECHOGRADE_BENCH_CLOUD` names another point file for decode and scatter.

use std::env;
use std::fs;
use std::hint::black_box;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use criterion::{BatchSize, BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use echograde::cloud::buckets::BucketGrid;
use echograde::cloud::{Fields, LasDecoder, LasFile, Placing, Source};
use echograde::engine::partition::read::{Input, scatter};
use echograde::engine::partition::share::Share;
use echograde::engine::store::journal::{Journals, Part};
use echograde::engine::watch::Watch;
use echograde::raster::morphology::{Scratch, open};
use echograde::raster::{EMPTY, Extent, Raster};
use echograde::stages::chain::Chain;
use echograde::stages::compared::{self, Compared, ComparedInTiles, Comparisons};
use echograde::stages::ground::Ground;
use echograde::stages::list::Stage;
use echograde::stages::select::Select;
use echograde::stages::summarise::Summarise;
use echograde::stats::moments::Moments;
use echograde::stats::quantiles::{Counter, Residual, Residuals, robust_statistics};
use echograde::tile::points::Cloud;
use echograde::tile::strata::Strata;
use echograde::tile::tiling::{TileKey, Tiling};
use echograde::tile::yields::Sections;
use echograde::units::{Micrometres, Unit};
use rand::rngs::SmallRng;
use rand::{RngExt, SeedableRng};
use rstar::RTree;
use rstar::primitives::GeomWithData;

/// One unit of the program's integers a metre.
const METRE: f64 = 1e6;

fn cloud() -> LasFile {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/survey/strip-101.laz");
    let path = env::var_os("ECHOGRADE_BENCH_CLOUD").map_or(demo, PathBuf::from);
    LasFile::open(&path).unwrap_or_else(|error| panic!("{error}"))
}

/// Varies the fields decoded: layers of a file that nothing asks for are neither read nor decoded.
fn decode(c: &mut Criterion) {
    let cloud = cloud();
    let mut group = c.benchmark_group("decode");
    group.throughput(Throughput::Elements(cloud.points));
    let all = Fields { strip: true, scan_angle: true, gps_time: true };
    for (name, fields) in [("needed fields", Fields::default()), ("all fields", all)] {
        group.bench_function(name, |b| {
            let mut decoder = LasDecoder::new(&cloud, fields, Unit::Metre, Unit::Metre).expect("opens");
            b.iter(|| {
                for block in &cloud.blocks {
                    decoder.for_each(block, |decoded| _ = black_box(decoded)).expect("decodes");
                }
            });
        });
    }
    group.finish();
}

/// Varies the tile: the smaller it is, the more buffers and the more points that lie in a halo and are written more
/// than once. Decoding is part of it; `decode` says how much.
fn scatter_points(c: &mut Criterion) {
    let cloud = [Source::Las(cloud())];
    let units = [(Unit::Metre, Unit::Metre)];
    let chain = Chain::new(
        &[
            Stage::Select(Select::default()),
            Stage::Ground(Ground::default()),
            Stage::Summarise(Summarise::default()),
        ],
        1,
    );
    let placing = vec![Placing::default(); cloud.len()];
    let watch = Watch::default();
    let folder = tempfile::tempdir().expect("a folder");
    let spill = folder.path().join("spill");
    let one_thread = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    let mut group = c.benchmark_group("scatter");
    group.throughput(Throughput::Elements(cloud[0].points()));
    for (edge, halo) in [(100, 0), (20, 0), (20, 1)] {
        let tiling = Tiling { edge: edge * METRE as Micrometres };
        let input = Input {
            cloud: Cloud::Survey,
            sources: &cloud,
            units: &units,
            placing: &placing,
            halo: halo * METRE as Micrometres,
            memory: 512 << 20,
            share: Share::whole(),
        };
        group.bench_function(format!("tiles of {edge} m, halo of {halo} m"), |b| {
            b.iter(|| {
                let scattered = one_thread.install(|| scatter(&input, &chain, tiling, &spill, &watch));
                scattered.unwrap_or_else(|error| panic!("{error}")).partition.bytes()
            });
        });
    }
    group.finish();
}

/// Varies the window over those of the ground filter's defaults: time must not grow with it.
fn opening(c: &mut Criterion) {
    const CELLS: usize = 400;
    let mut random = SmallRng::seed_from_u64(1);
    let extent = Extent { cell: 0.5 * METRE, first_column: 0, first_row: 0, columns: CELLS, rows: CELLS };
    // Rolling ground; of ten cells about three show a crown, and one is empty.
    let values = (0..extent.len())
        .map(|i| {
            let (column, row) = ((i % CELLS) as f64, (i / CELLS) as f64);
            let ground = 40.0 + (column / 30.0).sin() + (row / 25.0).cos() + random.random_range(0.0..0.1);
            match random.random_range(0..10) {
                0..=2 => ((ground + random.random_range(2.0..12.0)) * METRE).round(),
                3 => EMPTY,
                _ => (ground * METRE).round(),
            }
        })
        .collect::<Vec<f64>>();
    let surface = Raster { extent, values };
    let mut scratch = Scratch::default();
    let mut group = c.benchmark_group("opening");
    group.throughput(Throughput::Elements(extent.len() as u64));
    for pass in Ground::default().passes() {
        group.bench_function(BenchmarkId::new("window", pass.window), |b| {
            b.iter_batched_ref(
                || surface.clone(),
                |surface| open(surface, pass.window, &mut scratch),
                BatchSize::LargeInput,
            );
        });
    }
    let ground = Ground::default();
    group.bench_function("all windows, low outliers and gaps", |b| {
        b.iter_batched(
            || surface.clone(),
            |surface| ground.limits(surface, &extent, false, true, &mut scratch),
            BatchSize::LargeInput,
        );
    });
    group.finish();
}

/// Places sorted into buckets, each with its index.
fn buckets(places: &[(Micrometres, Micrometres)], radius: Micrometres) -> BucketGrid<u32> {
    let mut near = BucketGrid::default();
    places.iter().zip(0..).for_each(|(&(x, y), i)| near.add(x, y, i));
    near.sort(radius);
    near
}

/// Varies the radius (that of `nearest` and one of `plane`) and the index: the buckets that the program uses, and
/// a tree. Both find the nearest point and how many are in reach.
fn matching(c: &mut Criterion) {
    const REFERENCE: usize = 250_000;
    const QUERIES: usize = 50_000;
    // 600 reference points a square metre, as a scanner leaves near its set-up.
    const EDGE: Micrometres = 20_400_000;
    let mut random = SmallRng::seed_from_u64(2);
    let mut places = |count: usize| -> Vec<(Micrometres, Micrometres)> {
        (0..count).map(|_| (random.random_range(0..EDGE), random.random_range(0..EDGE))).collect()
    };
    let (reference, queries) = (places(REFERENCE), places(QUERIES));
    let with_index = || -> Vec<GeomWithData<[i64; 2], u32>> {
        reference.iter().zip(0..).map(|(&(x, y), i)| GeomWithData::new([x, y], i)).collect()
    };

    let mut group = c.benchmark_group("matching, building the index");
    group.throughput(Throughput::Elements(REFERENCE as u64));
    group.bench_function("tree", |b| {
        b.iter_batched(with_index, RTree::bulk_load, BatchSize::LargeInput);
    });
    for mm in [15, 200] {
        group.bench_function(BenchmarkId::new("buckets", format!("{mm} mm")), |b| {
            b.iter(|| buckets(&reference, mm * 1000));
        });
    }
    group.finish();

    let tree = RTree::bulk_load(with_index());
    let mut group = c.benchmark_group("matching, asking");
    group.throughput(Throughput::Elements(QUERIES as u64));
    for mm in [15, 200] {
        let radius = mm * 1000;
        let near = buckets(&reference, radius);
        group.bench_function(BenchmarkId::new("buckets", format!("{mm} mm")), |b| {
            b.iter(|| {
                for &(x, y) in &queries {
                    let (mut count, mut nearest) = (0, (i64::MAX, 0));
                    near.for_each(x, y, |i, offset| {
                        count += 1;
                        nearest = nearest.min((offset.squared, i));
                    });
                    black_box((count, nearest));
                }
            });
        });
        group.bench_function(BenchmarkId::new("tree", format!("{mm} mm")), |b| {
            b.iter(|| {
                for &(x, y) in &queries {
                    let (mut count, mut nearest) = (0, (i64::MAX, 0));
                    for found in tree.locate_within_distance([x, y], radius * radius) {
                        let [fx, fy] = *found.geom();
                        count += 1;
                        nearest = nearest.min(((fx - x).pow(2) + (fy - y).pow(2), found.data));
                    }
                    black_box((count, nearest));
                }
            });
        });
    }
    group.finish();
}

/// Varies where the residuals wait: in memory, or on disk as in a run. Order statistics read them several times.
fn gathering(c: &mut Criterion) {
    const COUNT: u64 = 2_000_000;
    let mut random = SmallRng::seed_from_u64(3);
    // About normal, with the spread of an airborne survey's late returns: 50 mm.
    let mut residual = |i: u64| {
        let sum: f64 = (0..12).map(|_| random.random_range(-0.5..0.5)).sum();
        Residual { group: (i % 5) as u16 + 1, dz: (sum * 0.05 * METRE) as i64 }
    };
    let residuals: Vec<Residual> = (0..COUNT).map(&mut residual).collect();
    let sum_up = |residuals: &[Residual]| {
        let mut moments = [Moments::default(); 6];
        residuals.iter().for_each(|residual| moments[residual.group as usize].add(residual.dz));
        let [all, rest @ ..] = &mut moments;
        rest.iter().for_each(|one| all.merge(one));
        moments
    };
    let moments = sum_up(&residuals);
    let numbers = [1, 2, 3, 4, 5];
    let mut groups: Vec<(&[u16], Moments)> =
        numbers.chunks(1).map(|one| (one, moments[usize::from(one[0])])).collect();
    groups.push((&numbers, moments[0]));

    let folder = tempfile::tempdir().expect("a folder");
    let on_disk = write_residuals(folder.path(), &residuals);
    let mut group = c.benchmark_group("gathering");
    group.throughput(Throughput::Elements(COUNT));
    group.bench_function("mean and spread", |b| b.iter(|| sum_up(black_box(&residuals))));
    group.bench_function("order statistics, from memory", |b| {
        b.iter(|| robust_statistics(residuals.as_slice(), &groups).expect("memory does not fail"));
    });
    group.bench_function("order statistics, from disk", |b| {
        b.iter(|| robust_statistics(&ByReturn(&on_disk), &groups).expect("reads back"));
    });
    group.bench_function("writing residuals to disk", |b| {
        let again = folder.path().join("again");
        // A new folder each time: what lies in one would be continued.
        let start = || {
            let _ = fs::remove_dir_all(&again);
            fs::create_dir(&again).expect("a folder");
        };
        b.iter_batched(start, |()| write_residuals(&again, &residuals), BatchSize::PerIteration);
    });
    group.finish();
}

/// Comparisons on disk by return.
struct ByReturn<'a>(&'a Journals);

impl Residuals for ByReturn<'_> {
    fn count(&self, none: &Counter) -> io::Result<Counter> {
        let compared: &dyn Comparisons = &ComparedInTiles::new(self.0);
        let add = |counter: &mut Counter, block: &[Compared]| {
            block.iter().for_each(|one| counter.add(one.strata.return_number.into(), one.dz));
        };
        compared.sum_up(|| none.clone(), add, Counter::merge)
    }
}

/// Residuals as the tiles of a run leave them, 10,000 a tile.
fn write_residuals(folder: &Path, residuals: &[Residual]) -> Journals {
    let journals = Journals::open(&[folder.join("tiles")]).expect("a working file");
    for (column, tile) in (0..).zip(residuals.chunks(10_000)) {
        let compared = |residual: &Residual| Compared {
            x: 0,
            y: 0,
            dz: residual.dz,
            headroom: None,
            gradient: None,
            local_gradient: None,
            strata: Strata { return_number: residual.group as u8, ..Strata::default() },
        };
        let compared: Vec<Compared> = tile.iter().map(compared).collect();
        let mut sections = Sections::default();
        compared::give(&compared, &mut sections);
        journals.append(Part::whole(TileKey { row: 0, column }), &sections).expect("room on the disk");
    }
    journals
}

criterion_group! {
    name = hot_parts;
    // Enough to see a change of a few per cent; the whole takes about two minutes.
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(3));
    targets = decode, scatter_points, opening, matching, gathering
}
criterion_main!(hot_parts);
