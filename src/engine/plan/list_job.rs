//! A list of surveyed points that the pipeline file names: checkpoints, or control.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::cloud::point_list::{ListError, PointList};
use crate::pipeline::Loaded;
use crate::pipeline::inputs::{CloudUnits, PointsInput};
use crate::pipeline::model::CloudInput;
use crate::stages::stage::Places;
use crate::units::Unit;

/// The list of surveyed points of a run.
pub struct ListJob {
    /// The points.
    pub points: PointList,
    /// The file.
    pub path: PathBuf,
    /// Unit of easting and northing.
    pub horizontal: Unit,
    /// Unit of the elevation.
    pub vertical: Unit,
}

impl ListJob {
    /// The list at `path`, which a key of the pipeline file names, in the units of the `survey` unless the pipeline file says otherwise.
    ///
    /// # Errors
    /// A list that cannot be read.
    pub fn open(
        path: &Path,
        key: &str,
        input: &PointsInput,
        units: Option<CloudUnits>,
        survey: (Unit, Unit),
    ) -> Result<Self, ListError> {
        let (horizontal, vertical) = units.unwrap_or_default().or(survey);
        let points = PointList::open(path, key, &input.columns, horizontal, vertical)?;
        Ok(ListJob { points, path: path.to_path_buf(), horizontal, vertical })
    }

    /// The list that is the reference, if it is one.
    ///
    /// # Errors
    /// A list that cannot be read.
    pub fn reference(loaded: &Loaded, survey: (Unit, Unit)) -> Result<Option<Self>, ListError> {
        let reference = loaded.pipeline.reference.as_ref().zip(loaded.reference_points());
        let Some((CloudInput { points: Some(points), units, .. }, path)) = reference else { return Ok(None) };
        ListJob::open(&path, "points", points, *units, survey).map(Some)
    }

    /// Where its points lie in plan.
    pub fn places(&self) -> Places {
        Arc::new(self.points.points.iter().map(|point| (point.x, point.y)).collect())
    }
}
