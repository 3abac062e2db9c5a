//! What the run hands over beside its results: each stage that has products makes them here, once the results are known.

use crate::engine::export::Found;
use crate::engine::export::cloud::write_cloud;
use crate::engine::export::comparisons::write_comparisons;
#[cfg(feature = "geopackage")]
use crate::engine::export::points::write_points;
use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::Watch;
use crate::pipeline::resolved::pipeline_sha256;
use crate::products::origin::Origin;
use crate::products::staging::Products;
use crate::stages::list::export_of;

/// Makes the products of all stages, into the folder where the results wait; an interrupted run makes them anew.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn make_products(
    job: &Job,
    found: &Found<'_>,
    folder: &RunFolder,
    watch: &Watch,
) -> Result<Products, EngineError> {
    let origin = Origin::new(&job.pipeline.title, pipeline_sha256(&job.pipeline));
    let products = Products::new(folder.results(), origin);
    if let Some(export) = export_of(&job.pipeline.stages) {
        if export.cloud {
            write_cloud(job, export, found, &products, watch)?;
        }
        if export.comparisons {
            write_comparisons(job, found, &folder.spill(), &products, watch)?;
        }
        if export.checkpoints || export.comparisons {
            #[cfg(feature = "geopackage")]
            write_points(job, export, found, &folder.results(), &products)?;
            #[cfg(not(feature = "geopackage"))]
            products
                .note("points.gpkg is not written: this program was built without GeoPackage".to_string());
        }
    }
    Ok(products)
}
