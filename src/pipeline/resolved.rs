//! The pipeline as resolved: every default written out, so that the run folder records every setting.

use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::cloud::files::hex;
use crate::pipeline::model::Pipeline;
use crate::pipeline::parse;
use crate::stages::auto::Auto;
use crate::stages::list::Stage;

/// The pipeline file with every default written out. It loads to an equal pipeline from the folder of the original file, and
/// its bytes depend on the pipeline alone.
pub fn resolved_yaml(pipeline: &Pipeline) -> String {
    let document = serde_json::to_value(pipeline).unwrap_or(Value::Null);
    let comment = "# The pipeline as resolved, with every default written out.\n\
                   # Paths are relative to the folder of the original pipeline file.\n";
    comment.to_string() + &parse::write(&document)
}

/// The keys and values of what [`resolved_yaml`] wrote; nothing where the text is something else.
pub fn read_resolved(text: &str) -> Option<Value> {
    parse::read(text).filter(Value::is_object)
}

/// SHA-256 of the pipeline as resolved, without the run folder and the edge of the tiles, on which no result depends: what
/// was made by equal pipelines has equal hashes.
pub fn pipeline_sha256(pipeline: &Pipeline) -> String {
    let mut pipeline = pipeline.clone();
    pipeline.output = std::path::PathBuf::new();
    for stage in &mut pipeline.stages {
        if let Stage::Read(read) = stage {
            read.tile = Auto::Auto;
        }
    }
    hex(&Sha256::digest(resolved_yaml(&pipeline).as_bytes()))
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::pipeline::load_text;

    #[test]
    fn the_hash_is_that_of_what_results_depend_on() {
        // A file is named that is there, whatever the folder of the tests.
        let files = Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml");
        let hash = |output: &str, tile: &str, cell: &str| {
            let text = format!(
                "title: t\nsurvey: {{files: ['{}']}}\noutput: {output}\nstages:\n  - read: {{tile: {tile}}}\n  \
                 - ground: {{cell: {cell}}}\n  - summarise:\n",
                files.display()
            );
            pipeline_sha256(&load_text(Path::new("a.yaml"), &text).unwrap().pipeline)
        };
        let one = hash("here", "auto", "0.5 m");
        assert_eq!(one.len(), 64);
        assert_eq!(one, hash("there", "100 m", "0.5 m"));
        assert_ne!(one, hash("here", "auto", "1 m"));
    }
}
