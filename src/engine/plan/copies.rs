//! Whether the files of the survey can be written again with other classes, and how each is.

use crate::cloud::{CloudError, CopyPlan, ExtraDimension, LasFile, Source};
use crate::engine::plan::added::{Added, LimitSteps};
use crate::engine::plan::cloud_job::CloudJob;
use crate::stages::export::{Dimension, Export};

/// A file of the survey that is written again.
pub struct Copied<'a> {
    /// Its place in the list of sources.
    pub place: usize,
    /// The file.
    pub file: &'a LasFile,
    /// What is added to its points, in order.
    pub added: Vec<Added>,
}

impl<'a> Copied<'a> {
    /// The LAS and LAZ files of the survey.
    pub fn all(survey: &'a CloudJob, options: &Export) -> Vec<Copied<'a>> {
        let las = survey.sources.iter().enumerate().filter_map(|(place, source)| match source {
            Source::Las(file) => Some((place, file)),
            Source::E57(_) => None,
        });
        let of = |(place, file): (usize, &'a LasFile)| {
            let (unit, shift) = (survey.units[place].1, survey.placing[place].vertical_shift);
            let added = |dimension: &Dimension| match dimension {
                Dimension::Dz => Added::Dz(unit.micrometres()),
                Dimension::GroundLimit => {
                    Added::GroundLimit(LimitSteps::new(file.scale[2], file.offset[2], unit, shift))
                }
            };
            Copied { place, file, added: options.extra_bytes.iter().map(added).collect() }
        };
        las.map(of).collect()
    }

    /// How it is written again.
    ///
    /// # Errors
    /// Where that is not possible.
    pub fn plan(&self, origin: &str) -> Result<CopyPlan, CloudError> {
        let dimensions: Vec<ExtraDimension> = self.added.iter().map(Added::dimension).collect();
        CopyPlan::new(self.file, &dimensions, origin)
    }
}

/// What is to be said of the copies.
pub struct Copies {
    /// What a person should know.
    pub notes: Vec<String>,
    /// Why there can be none.
    pub problem: Option<String>,
}

/// Makes sure that all files of the survey can be written again.
///
/// # Errors
/// The first file that cannot be read.
pub fn copies(survey: &CloudJob, options: &Export) -> Result<Copies, CloudError> {
    let scan = survey.sources.iter().find(|source| matches!(source, Source::E57(_)));
    let mut problem = scan.map(|scan| {
        format!(
            "{} is an E57 file, whose points have no class: there can be no classified cloud of it",
            scan.name()
        )
    });
    let mut notes = Vec::new();
    for copied in Copied::all(survey, options) {
        match copied.plan("") {
            Ok(plan) if plan.was_copc => {
                let name = survey.sources[copied.place].name();
                notes.push(format!("{name} is a COPC file: its copy in the classified cloud is plain LAZ"));
            }
            Ok(_) => {}
            Err(error @ (CloudError::Header { .. } | CloudError::Unsupported { .. })) => {
                problem.get_or_insert_with(|| error.to_string());
            }
            Err(error) => return Err(error),
        }
    }
    Ok(Copies { notes, problem })
}
