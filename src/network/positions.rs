//! Tables of measured positions (GNSS), each with its sigmas and, where they are known, its covariances.

use std::path::Path;

use crate::control::Covariance;
use crate::network::file::NetworkFile;
use crate::network::inputs::TableInput;
use crate::network::rows::{ASIDE, AXES, PositionRow, Read, origin, withheld};
use crate::pipeline::PipelineError;
use crate::pipeline::table::Table;

const SIGMAS: [&str; 3] = ["sigma_e", "sigma_n", "sigma_u"];
/// Covariances, with the pair of values that each is of.
const COVARIANCES: [(&str, usize, usize); 3] = [("cov_en", 0, 1), ("cov_eu", 0, 2), ("cov_nu", 1, 2)];

/// Reads a table of positions.
pub(super) fn read(
    path: &Path,
    input: &TableInput,
    network: &NetworkFile,
) -> Result<Read<PositionRow>, PipelineError> {
    let mut columns = vec!["name"];
    columns.extend(AXES.iter().chain(&SIGMAS).chain(&ASIDE));
    columns.extend(COVARIANCES.iter().map(|(name, ..)| *name));
    let (mut table, records) = Table::open(path, &columns, &input.columns)?;
    table.need(&["name"], "positions");
    if AXES.iter().all(|value| !table.has(value)) {
        table.need(&AXES, "positions");
    }
    let present: Vec<usize> = (0..3).filter(|&i| table.has(AXES[i])).collect();
    table.need(&present.iter().map(|&i| SIGMAS[i]).collect::<Vec<_>>(), "positions");
    if table.has("easting") != table.has("northing") {
        table.need(&["easting", "northing"], "positions");
    }
    let unit = network.units.metres();
    let mut rows = Vec::new();
    for record in &records {
        let name = table.name(record, "name");
        let values = AXES.map(|column| table.number(record, column).map(|value| value * unit));
        if values == [None; 3] && present.iter().all(|&i| table.text(record, AXES[i]).is_none()) {
            table.wrong(
                record,
                "easting",
                "the position is empty".into(),
                "give its coordinates, or remove the line",
            );
        }
        if values[0].is_some() != values[1].is_some() {
            let help = "give both, or neither";
            table.wrong(record, "easting", "one of easting and northing is missing".into(), help);
        }
        let mut covariance = [[0.0; 3]; 3];
        for i in 0..3 {
            let sigma = table.sigma(record, SIGMAS[i]).map(|sigma| sigma * unit);
            covariance[i][i] = sigma.map_or(1.0, |sigma| sigma * sigma);
            if values[i].is_some()
                && sigma.is_none()
                && table.has(SIGMAS[i])
                && table.text(record, SIGMAS[i]).is_none()
            {
                let message = format!("`{}` is empty", SIGMAS[i]);
                table.wrong(record, SIGMAS[i], message, "give the standard deviation of the coordinate");
            }
        }
        for (column, i, j) in COVARIANCES {
            if let Some(value) = table.number(record, column) {
                covariance[i][j] = value * unit * unit;
                covariance[j][i] = covariance[i][j];
            }
        }
        let rows_of: Vec<&[f64]> = covariance.iter().map(|row| &row[..]).collect();
        if Covariance::full(&rows_of).is_none() {
            let message = "the covariances are too large for the sigmas".to_string();
            table.wrong(
                record,
                "cov_en",
                message,
                "covariances are in squares of the unit, and not correlations",
            );
        }
        let withheld = withheld(&mut table, record, AXES);
        let origin = origin(&table, record, &input.file);
        let Some(name) = name else { continue };
        rows.push(PositionRow { name, values, covariance, withheld, origin });
    }
    table.finish(&input.file).map(|notes| Read { rows, notes })
}
