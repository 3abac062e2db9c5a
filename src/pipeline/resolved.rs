//! The pipeline as resolved: every default written out, so that the run folder records every setting.

use serde_json::Value;

use crate::pipeline::model::Pipeline;
use crate::pipeline::parse;

/// The pipeline file with every default written out. It loads to an equal pipeline from the folder of the original file, and
/// its bytes depend on the pipeline alone.
pub fn resolved_yaml(pipeline: &Pipeline) -> String {
    let document = serde_json::to_value(pipeline).unwrap_or(Value::Null);
    let comment = "# The pipeline as resolved, with every default written out.\n\
                   # Paths are relative to the folder of the original pipeline file.\n";
    comment.to_string() + &parse::write(&document)
}
