//! What a product says of where it comes from.

use serde::Serialize;

/// What made a product: for its own metadata, in whatever form its format has for that.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Origin {
    /// Program name.
    pub program: &'static str,
    /// Program version.
    pub version: &'static str,
    /// Title of the run.
    pub title: String,
    /// SHA-256 of the pipeline, without what results do not depend on; `manifest.json` has it too.
    pub pipeline_sha256: String,
}

impl Origin {
    /// That of a run of this program.
    pub fn new(title: &str, pipeline_sha256: String) -> Self {
        Origin {
            program: env!("CARGO_PKG_NAME"),
            version: env!("CARGO_PKG_VERSION"),
            title: title.to_string(),
            pipeline_sha256,
        }
    }

    /// Program and version, as formats have one field for both.
    pub fn software(&self) -> String {
        format!("{} {}", self.program, self.version)
    }
}
