//! The workers of a process.

use crate::cloud::STACK;
use crate::engine::store::error::{EngineError, guarded};

/// Does `work` with so many workers; a panic in it becomes an error that says what was being done.
///
/// # Errors
/// Those of `work`, or its panic.
pub fn in_pool<T: Send>(
    threads: usize,
    doing: &str,
    work: impl FnOnce() -> Result<T, EngineError> + Send,
) -> Result<T, EngineError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).stack_size(STACK).build();
    let pool = pool.map_err(|error| EngineError::Internal {
        doing: "starting the workers".into(),
        message: error.to_string(),
    })?;
    // Within the pool, since a panic is caught on the thread that it happens on.
    pool.install(|| guarded(|| doing.into(), work))
}
