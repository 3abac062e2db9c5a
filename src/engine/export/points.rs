//! The points and areas of a run as a GeoPackage: checkpoints and comparisons as their CSV files have them, the areas left
//! out, and the voids of the terrain model.

use std::path::Path;

use crate::cloud::files::file_name;
use crate::engine::conclude::voids::VoidRuns;
use crate::engine::export::Found;
use crate::engine::export::comparisons;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::products::geopackage::{GeoPackage, Kind, Layer, Shape, Shapes, Value};
use crate::products::staging::{ProductError, Products};
use crate::stages::export::Export;

/// The file, in the run folder.
const FILE: &str = "points.gpkg";

/// What the columns of those CSV files hold that are no numbers with decimals.
const KINDS: [(&str, Kind); 12] = [
    ("return", Kind::Integer),
    ("returns", Kind::Integer),
    ("reference_points", Kind::Integer),
    ("strip", Kind::Integer),
    ("name", Kind::Text),
    ("used", Kind::Boolean),
    ("reason", Kind::Text),
    ("siting", Kind::Text),
    ("horizontal_units", Kind::Text),
    ("units", Kind::Text),
    ("cover", Kind::Text),
    ("return_type", Kind::Text),
];

fn kind_of(column: &str) -> Kind {
    KINDS.iter().find(|(name, _)| *name == column).map_or(Kind::Real, |(_, kind)| *kind)
}

/// Writes `points.gpkg`; `results` is where the results wait.
///
/// # Errors
/// Where the disk fails.
pub fn write_points(
    job: &Job,
    options: &Export,
    found: &Found<'_>,
    results: &Path,
    products: &Products,
) -> Result<(), EngineError> {
    let path = products.place(FILE)?;
    let file = GeoPackage::create(&path, job.survey.sources[0].crs(), products.origin())?;
    if options.checkpoints {
        let what =
            "Checkpoints: x and y in the survey's unit, other lengths in that of the report (column units)";
        add_table(&file, "checkpoints", what, &results.join("checkpoints.csv"))?;
        add_areas(&file, job, found)?;
        if let Some(voids) = found.voids {
            add_voids(&file, job, voids)?;
        }
    }
    if options.comparisons {
        let what =
            "Comparisons: x and y in the survey's unit, other lengths in that of the report (column units)";
        add_table(&file, "comparisons", what, &results.join(comparisons::FILE))?;
    }
    file.finish()?;
    Ok(products.add(FILE, "export")?)
}

/// Adds a CSV file as a layer of points; position stands in its first two columns.
fn add_table(file: &GeoPackage, name: &str, description: &str, table: &Path) -> Result<(), EngineError> {
    let failed = |error: csv::Error| EngineError::disk(table, "reading the results back")(error.into());
    let mut reader = csv::Reader::from_path(table).map_err(failed)?;
    let header = reader.headers().map_err(failed)?.clone();
    let columns: Vec<(&str, Kind)> = header.iter().map(|name| (name, kind_of(name))).collect();
    let layer = Layer { name, description, shapes: Shapes::Points, columns: &columns };
    file.add_layer(&layer, |add| {
        for record in reader.records() {
            let record = record.map_err(failed)?;
            let values: Vec<Value<'_>> =
                record.iter().zip(&columns).map(|(text, (_, kind))| value(text, *kind)).collect();
            let (Value::Real(x), Value::Real(y)) = (&values[0], &values[1]) else { continue };
            add(Shape::Point([*x, *y]), &values)?;
        }
        Ok::<(), EngineError>(())
    })
}

/// What a cell of the table says; an empty one says nothing.
fn value(text: &str, kind: Kind) -> Value<'_> {
    let number = || text.parse().map_or(Value::Text(text), Value::Real);
    match kind {
        _ if text.is_empty() => Value::Null,
        Kind::Text => Value::Text(text),
        Kind::Boolean => Value::Integer((text == "yes").into()),
        Kind::Integer => text.parse().map_or_else(|_| number(), Value::Integer),
        Kind::Real => number(),
    }
}

fn add_areas(file: &GeoPackage, job: &Job, found: &Found<'_>) -> Result<(), EngineError> {
    if job.areas.is_empty() {
        return Ok(());
    }
    let columns = [
        ("area", Kind::Text),
        ("why", Kind::Text),
        ("survey_ground_points", Kind::Integer),
        ("reference_ground_points", Kind::Integer),
    ];
    let layer = Layer {
        name: "left_out",
        description: "Areas left out of comparisons, with the ground points that each left out",
        shapes: Shapes::Polygons,
        columns: &columns,
    };
    Ok(file.add_layer(&layer, |add| {
        for (area, excluded) in job.areas.iter().zip(&found.summary.excluded) {
            let name = file_name(&area.path);
            let values = [
                Value::Text(&name),
                Value::Text(&excluded.why),
                Value::Integer(excluded.survey as i64),
                Value::Integer(excluded.reference as i64),
            ];
            add(Shape::Polygons(area.polygons()), &values)?;
        }
        Ok::<(), ProductError>(())
    })?)
}

fn add_voids(file: &GeoPackage, job: &Job, voids: &VoidRuns) -> Result<(), EngineError> {
    let columns = [("filled", Kind::Boolean), ("area_m2", Kind::Real), ("cells", Kind::Integer)];
    let layer = Layer {
        name: "voids",
        description: "Voids of the terrain model, cells joined along their edges: filled from the ground around, or without elevation",
        shapes: Shapes::Polygons,
        columns: &columns,
    };
    let unit = job.survey.units[0].0;
    let cell_m2 = (voids.cell / 1e6).powi(2);
    // As the rasters have it: so many cells from coordinate zero, in the survey's own unit.
    let cell = voids.cell / unit.micrometres();
    file.add_layer(&layer, |add| {
        voids.for_each(|void| {
            let corner = |(column, row): &(i64, i64)| [*column as f64 * cell, *row as f64 * cell];
            let rings: Vec<Vec<[f64; 2]>> =
                void.rings.iter().map(|ring| ring.iter().map(corner).collect()).collect();
            let values = [
                Value::Integer(i64::from(void.value == 1)),
                Value::Real(void.cells as f64 * cell_m2),
                Value::Integer(void.cells as i64),
            ];
            Ok::<(), EngineError>(add(Shape::Polygons(&[rings]), &values)?)
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::checkpoints::{FIRST_COLUMNS, GROUND_COLUMNS};
    use crate::stages::checkpoint_table::write_checkpoint_header;

    #[test]
    fn cells_become_values_of_the_kind_of_their_column() {
        assert_eq!(value("", Kind::Real), Value::Null);
        assert_eq!(value("0.0125", Kind::Real), Value::Real(0.0125));
        assert_eq!(value("7", Kind::Integer), Value::Integer(7));
        assert_eq!(
            (value("yes", Kind::Boolean), value("no", Kind::Boolean)),
            (Value::Integer(1), Value::Integer(0))
        );
        assert_eq!(value("canopy", Kind::Text), Value::Text("canopy"));
    }

    #[test]
    fn every_column_of_both_tables_that_holds_no_number_is_known() {
        let mut drawn = Vec::new();
        write_checkpoint_header(&mut drawn, true).unwrap();
        let drawn = String::from_utf8(drawn).unwrap();
        let surveyed = ["name", "sigma", "used", "reason", "siting"];
        let numbers = [
            "x",
            "y",
            "z",
            "reference_z",
            "dz",
            "plane_slope",
            "plane_sd",
            "slope",
            "dz_limit",
            "sigma",
            "fit",
        ];
        let all = drawn
            .trim()
            .split(',')
            .chain(FIRST_COLUMNS)
            .chain(surveyed)
            .chain(GROUND_COLUMNS)
            .chain(comparisons::COLUMNS);
        for column in all {
            assert_eq!(kind_of(column) == Kind::Real, numbers.contains(&column), "{column}");
        }
    }
}
