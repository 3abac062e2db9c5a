//! Tables of levelled height differences.

use std::path::Path;

use crate::network::file::NetworkFile;
use crate::network::inputs::TableInput;
use crate::network::rows::{ASIDE, LevelRow, Read, origin, withheld};
use crate::pipeline::PipelineError;
use crate::pipeline::table::Table;

const COLUMNS: [&str; 7] = ["from", "to", "dh", "length", "sigma", ASIDE[0], ASIDE[1]];

/// Reads a table of height differences.
pub(super) fn read(
    path: &Path,
    input: &TableInput,
    network: &NetworkFile,
) -> Result<Read<LevelRow>, PipelineError> {
    let (mut table, records) = Table::open(path, &COLUMNS, &input.columns)?;
    table.need(&["from", "to", "dh"], "levels");
    let unit = network.units.metres();
    let per_root_km = network.level_sigma.exact_metres();
    if !table.has("length") && !table.has("sigma") {
        table.need(&["length"], "levels");
    }
    let mut rows = Vec::new();
    for record in &records {
        let (from, to) = (table.name(record, "from"), table.name(record, "to"));
        let dh = table.number(record, "dh");
        if dh.is_none() && table.has("dh") && table.text(record, "dh").is_none() {
            table.wrong(record, "dh", "`dh` is empty".into(), "write the height of `to` above `from`");
        }
        let stated = table.sigma(record, "sigma").map(|sigma| sigma * unit);
        let help = "write the length of the line, above 0, in the units of the file";
        let length = table.above_zero(record, "length", help).map(|length| length * unit);
        let sigma = stated.or(length.map(|length| per_root_km * (length / 1000.0).sqrt()));
        let is_empty = |column| table.text(record, column).is_none();
        if sigma.is_none()
            && is_empty("sigma")
            && is_empty("length")
            && (table.has("sigma") || table.has("length"))
        {
            let help = "give the `length` of the line or the `sigma` of the difference";
            table.wrong(record, "length", "the height difference has no weight".into(), help);
        }
        let [withheld] = withheld(&mut table, record, ["dh"]);
        let (Some(from), Some(to), Some(dh), Some(sigma)) = (from, to, dh, sigma) else { continue };
        if from == to {
            table.wrong(record, "to", format!("the line goes from {from} to itself"), "name two points");
            continue;
        }
        let origin = origin(&table, record, &input.file);
        rows.push(LevelRow { from, to, dh: dh * unit, sigma, withheld, origin });
    }
    let by_length = records.iter().filter(|record| table.text(record, "sigma").is_none()).count();
    let assumed = format!(
        "{}: height differences weighted by length: {by_length}. Their sigma is {} over 1 km (`level_sigma`), growing with the root.",
        input.file, network.level_sigma
    );
    let assumed: Vec<String> = Some(assumed).filter(|_| by_length > 0).into_iter().collect();
    table.finish(&input.file).map(|notes| Read { rows, notes: [assumed, notes].concat() })
}
