//! What the run hands over beside its results: each stage that has products makes them here, once the results are known.

use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
use crate::engine::store::run_folder::RunFolder;
use crate::pipeline::resolved::pipeline_sha256;
use crate::products::origin::Origin;
use crate::products::staging::{Product, Products};

/// Makes the products of all stages, into the folder where the results wait; an interrupted run makes them anew.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn make_products(job: &Job, folder: &RunFolder) -> Result<Vec<Product>, EngineError> {
    let origin = Origin::new(&job.pipeline.title, pipeline_sha256(&job.pipeline));
    let products = Products::new(folder.results(), origin);
    Ok(products.finish())
}
