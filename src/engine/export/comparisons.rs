//! All comparisons of a run as a table, in one order: from south to north, whatever the tiles that they come from.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use crate::engine::export::Found;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::spill::Spill;
use crate::engine::watch::Watch;
use crate::products::staging::Products;
use crate::stages::checkpoint_table::exact;
use crate::stages::compared::{Compared, ComparedInTiles, Comparisons, ENCODED};
use crate::tile::strata::{Cover, ReturnType};
use crate::units::{Micrometres, Unit};

/// The file, in the run folder.
pub const FILE: &str = "comparisons.csv";

/// Its columns; what a run does not tell apart is empty.
pub const COLUMNS: [&str; 12] = [
    "x",
    "y",
    "dz",
    "return",
    "return_type",
    "strip",
    "horizontal_units",
    "units",
    "cover",
    "slope",
    "dz_limit",
    "fit",
];

/// Writes `comparisons.csv`; `spill` is the folder of working data.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn write_comparisons(
    job: &Job,
    found: &Found<'_>,
    spill: &Path,
    products: &Products,
    watch: &Watch,
) -> Result<(), EngineError> {
    let path = products.place(FILE)?;
    let failed = || EngineError::disk(&path, "writing a product");
    let mut table = csv::Writer::from_writer(BufWriter::new(File::create(&path).map_err(failed())?));
    let wrong = |error: csv::Error| failed()(error.into());
    table.write_record(COLUMNS).map_err(wrong)?;
    let compared = ComparedInTiles::new(found.yields);
    in_order(&compared, &spill.join("comparisons"), watch, &mut |one| {
        let added = found.fit.map(|fit| fit.added(one.x, one.y));
        table.write_record(row(one, added, job.survey.units[0].0, job.units)).map_err(wrong)
    })?;
    table.flush().map_err(failed())?;
    Ok(products.add(FILE, "export")?)
}

/// A comparison as a row: x and y in the survey's own `horizontal` unit, other lengths in that of the `report`. `fit` is what is
/// added to the survey, and stands in dz.
fn row(one: &Compared, fit: Option<Micrometres>, horizontal: Unit, report: Unit) -> [String; COLUMNS.len()] {
    let (strata, added) = (&one.strata, fit.unwrap_or(0));
    let number = Some(strata.return_number).filter(|number| *number > 0);
    let slope = one.slope_percent().map(|percent| format!("{:.2}", f64::from(percent) / 100.0));
    [
        exact(one.x, horizontal),
        exact(one.y, horizontal),
        exact(one.dz + added, report),
        number.map(|number| number.to_string()).unwrap_or_default(),
        strata.return_type.map_or("", ReturnType::word).to_string(),
        strata.strip.map(|strip| strip.to_string()).unwrap_or_default(),
        horizontal.symbol().to_string(),
        report.symbol().to_string(),
        strata.cover.map_or("", Cover::word).to_string(),
        slope.unwrap_or_default(),
        one.limit().map(|limit| exact(limit + added, report)).unwrap_or_default(),
        fit.map(|fit| exact(fit, report)).unwrap_or_default(),
    ]
}

/// Height of the bands that are sorted each by itself, micrometres.
const BAND: Micrometres = 2_000_000;

/// Bytes of a band that wait in memory.
const WAITING: usize = 4 << 10;

/// Hands over comparisons, by northing, easting and all else; they wait in a file at `path` meanwhile.
///
/// # Errors
/// Where the disk fails, `each` fails, or the run is asked to stop.
fn in_order(
    compared: &dyn Comparisons,
    path: &Path,
    watch: &Watch,
    each: &mut dyn FnMut(&Compared) -> Result<(), EngineError>,
) -> Result<(), EngineError> {
    let spill: Spill<i64> = Spill::create(path)?;
    let mut waiting: BTreeMap<i64, Vec<u8>> = BTreeMap::new();
    // Positions are written relative to the first of all.
    let mut base = None;
    let mut failed = Ok(());
    for part in 0..compared.parts() {
        watch.check()?;
        compared.read_part(part, &mut |block| {
            for one in block {
                let base = *base.get_or_insert((one.x, one.y));
                let band = one.y.div_euclid(BAND);
                let bytes = waiting.entry(band).or_default();
                if !one.encode(base, bytes) && failed.is_ok() {
                    failed = Err(EngineError::Internal {
                        doing: "putting comparisons in order".into(),
                        message: "they lie too far apart".into(),
                    });
                }
                if bytes.len() >= WAITING {
                    let appended = spill.append(band, bytes);
                    bytes.clear();
                    failed = std::mem::replace(&mut failed, Ok(())).and(appended);
                }
            }
        })?;
        std::mem::replace(&mut failed, Ok(()))?;
    }
    let Some(base) = base else { return Ok(()) };
    let (mut band, mut buffer) = (Vec::new(), Vec::new());
    for (key, rest) in &waiting {
        watch.check()?;
        band.clear();
        let mut take = |bytes: &[u8]| {
            let (whole, rest) = bytes.as_chunks::<ENCODED>();
            band.extend(whole.iter().map(|one| Compared::decode(one, base)));
            rest.is_empty().then_some(())
        };
        let _ = take(rest);
        spill.for_each_piece(*key, &mut buffer, take)?;
        band.sort_unstable_by_key(|one| (one.y, one.x, *one));
        band.iter().try_for_each(&mut *each)?;
    }
    spill.empty();
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::compared::ComparedInMemory;
    use crate::tile::strata::Strata;

    #[test]
    fn comparisons_come_from_south_to_north_whatever_their_order() {
        let one = |i: i64| Compared {
            x: 400_000_000_000 + i * 7_919_333 % 50_000_003,
            y: 5_900_000_000_000 - i * 104_729_001 % 90_000_017,
            dz: i,
            headroom: None,
            gradient: None,
            local_gradient: None,
            strata: Strata::default(),
        };
        let all: Vec<Compared> = (0..4000).map(one).collect();
        let folder = tempfile::tempdir().unwrap();
        let sorted = |all: Vec<Compared>| {
            let mut found = Vec::new();
            let keep = &mut |one: &Compared| {
                found.push(*one);
                Ok(())
            };
            in_order(&ComparedInMemory(all), &folder.path().join("bands"), &Watch::default(), keep).unwrap();
            found
        };
        let found = sorted(all.clone());
        assert_eq!(found.len(), 4000);
        assert!(found.windows(2).all(|pair| (pair[0].y, pair[0].x) <= (pair[1].y, pair[1].x)));
        assert_eq!(found, sorted(all.into_iter().rev().collect()));
        assert!(sorted(Vec::new()).is_empty());
    }
}
