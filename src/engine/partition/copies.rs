//! Files that are byte for byte the same: found by their hashes, once the clouds have been read.

use std::collections::HashMap;
use std::path::PathBuf;

use crate::engine::plan::inputs::{CONTROL, InputFile};
use crate::engine::store::error::EngineError;

/// Refuses copies of one file: within a cloud their points would count twice, and in both clouds the survey would be compared
/// with itself, unless each cloud selects points of its own (`apart`).
///
/// # Errors
/// The first copy.
pub fn check_copies(inputs: &[InputFile], apart: bool) -> Result<(), EngineError> {
    let mut known: HashMap<(&str, u64), Vec<&InputFile>> = HashMap::new();
    // One list of control may stand under two names.
    for input in inputs.iter().filter(|input| input.cloud != CONTROL) {
        let same = known.entry((&input.sha256, input.size)).or_default();
        for earlier in same.iter().filter(|earlier| earlier.path != input.path) {
            let in_one_cloud = earlier.cloud == input.cloud;
            if in_one_cloud || !apart {
                return Err(EngineError::Copy {
                    path: PathBuf::from(&input.path),
                    of: PathBuf::from(&earlier.path),
                    effect: if in_one_cloud {
                        format!("the points of the {} would count twice. Remove one of the two", input.cloud)
                    } else {
                        "the survey would be compared with itself. Name the files of the better measurement under `reference:`"
                            .to_string()
                    },
                });
            }
        }
        same.push(input);
    }
    Ok(())
}
