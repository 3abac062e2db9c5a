//! The areas left out, as the pipeline file names them.

use crate::areas::{AreaFile, LeftOut, LeftOutArea};
use crate::cloud::Crs;
use crate::pipeline::{Loaded, Problem};
use crate::tile::points::Cloud;
use crate::units::Unit;

/// What became of `exclude`.
#[derive(Default)]
pub struct Areas {
    /// The areas, in their order.
    pub left_out: LeftOut,
    /// Their files.
    pub files: Vec<AreaFile>,
    /// What a person should know.
    pub notes: Vec<String>,
    /// What is wrong with them.
    pub problems: Vec<Problem>,
}

impl Areas {
    /// Reads the areas that a pipeline file names; `crs` is what the survey says of its system, `unit` that of its x and y.
    pub fn read(loaded: &Loaded, crs: &Crs, unit: Unit) -> Self {
        let mut found = Areas::default();
        let mut areas = Vec::new();
        for (index, (exclude, path)) in loaded.pipeline.exclude.iter().zip(&loaded.area_files).enumerate() {
            let placed = AreaFile::read(path).and_then(|file| {
                let (area, note) = file.place(crs, unit, exclude.system)?;
                found.notes.extend(note);
                found.files.push(file);
                Ok(area)
            });
            match placed {
                Ok(area) => {
                    let clouds = [Cloud::Survey, Cloud::Reference].map(|cloud| exclude.cloud.includes(cloud));
                    areas.push(LeftOutArea { area, clouds });
                }
                Err(problem) => {
                    let place = ["exclude".into(), index.into(), "area".into()];
                    found.problems.push(loaded.problem_at(
                        &place,
                        &problem.message,
                        "this file",
                        Some(&problem.help),
                    ));
                }
            }
        }
        found.left_out = LeftOut::new(areas);
        found
    }
}
