//! What the rasters of the terrain model say of themselves: their bands, units and system, and how they were made.

use crate::cloud::Crs;
use crate::engine::plan::job::Job;
use crate::products::geotiff::{Band, Overviews, RasterHead, RasterSystem};
use crate::products::origin::Origin;
use crate::raster::Extent;
use crate::units::Unit;

/// What a raster is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Elevation.
    Elevation,
    /// Standard error of the elevation.
    StandardError,
    /// Ground points per square metre, by return.
    Density,
    /// The return that counts most.
    DecidedBy,
    /// Voids.
    Voids,
    /// Terrain minus reference.
    Dz,
}

/// What a raster over an extent says of itself: densities are of these returns, and the items are more that it says, by name.
pub fn head(
    job: &Job,
    extent: &Extent,
    kind: Kind,
    returns: &[u8],
    items: &[(String, String)],
    origin: &Origin,
) -> RasterHead {
    let unit = Some(job.survey.units[0].1.words());
    let band = |name: &str, unit| Band { name: name.to_string(), unit };
    let (description, bands) = match kind {
        Kind::Elevation => ("Terrain elevation", vec![band("elevation", unit)]),
        Kind::StandardError => (
            "Standard error of the terrain elevation, as far as neighbouring points do not share it",
            vec![band("standard error", unit)],
        ),
        Kind::Density => (
            "Ground points per square metre, by return number",
            (returns.iter().map(|r| band(&format!("return {r}"), Some("points per square metre")))).collect(),
        ),
        Kind::DecidedBy => (
            "Return number of the ground that counts most in the elevation",
            vec![band("return number", None)],
        ),
        Kind::Voids => (
            "Voids: 0 ground in the cell, 1 no ground in the cell and filled from around it, 2 no elevation",
            vec![band("void", None)],
        ),
        Kind::Dz => ("Terrain minus reference", vec![band("dz", unit)]),
    };
    let mut all = vec![
        ("ECHOGRADE_RUN".to_string(), origin.title.clone()),
        ("ECHOGRADE_PIPELINE_SHA256".to_string(), origin.pipeline_sha256.clone()),
    ];
    all.extend(items.iter().cloned());
    let named = matches!(kind, Kind::DecidedBy | Kind::Voids);
    RasterHead {
        columns: extent.columns,
        rows: extent.rows,
        bands,
        overviews: if named { Overviews::NorthWest } else { Overviews::Mean },
        system: system(job, extent),
        software: origin.software(),
        description: description.to_string(),
        items: all,
    }
}

/// Where the rasters lie: in the system of the survey.
fn system(job: &Job, extent: &Extent) -> RasterSystem {
    let (horizontal, vertical) = job.survey.units[0];
    let crs: &Crs = job.survey.sources[0].crs();
    let cell = extent.cell / horizontal.micrometres();
    let code = |code: Option<u32>| code.and_then(|code| u16::try_from(code).ok());
    // A system whose own unit is another than the one that the points are in would show them wrong.
    let is_in = |stated: Option<Unit>, unit: Unit| stated.is_none_or(|stated| stated == unit);
    RasterSystem {
        west: extent.first_column as f64 * cell,
        north: (extent.first_row + extent.rows as i64) as f64 * cell,
        cell,
        name: crs.name.clone(),
        code: code(crs.horizontal_code).filter(|_| is_in(crs.horizontal_unit.unit(), horizontal)),
        unit: horizontal.epsg(),
        vertical_name: crs.vertical_name.clone(),
        vertical_code: code(crs.vertical_code).filter(|_| is_in(crs.vertical_unit.unit(), vertical)),
        vertical_unit: vertical.epsg(),
    }
}
