//! The pipeline as resolved: every default written out, so that the run folder tells all that was decided.

use serde_json::Value;

use crate::pipeline::model::Pipeline;
use crate::pipeline::parse;

/// The pipeline file that says everything. It loads to an equal pipeline from the folder of the original file, and
/// its bytes depend on the pipeline alone.
pub fn resolved_yaml(pipeline: &Pipeline) -> String {
    let document = serde_json::to_value(pipeline).unwrap_or(Value::Null);
    let comment = "# The pipeline as resolved, every default written out.\n\
                   # Paths are as in the original file: relative to the folder that it stands in.\n";
    comment.to_string() + &parse::write(&document)
}
