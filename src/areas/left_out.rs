//! The areas whose points are left out of comparisons.

use std::sync::Arc;

use crate::areas::polygon::Area;
use crate::cloud::point::Point;
use crate::units::Micrometres;

/// One area of the list.
#[derive(Clone, Debug)]
pub struct LeftOutArea {
    /// Where it is.
    pub area: Area,
    /// Whether points of the survey, and of the reference, are left out.
    pub clouds: [bool; 2],
}

/// Areas whose points are left out of comparisons, in the order of the pipeline file. Every point is asked for them: that there
/// are none stands here, not behind the pointer.
#[derive(Clone, Debug, Default)]
pub struct LeftOut(Option<Arc<[LeftOutArea]>>);

impl LeftOut {
    /// These areas.
    pub fn new(areas: Vec<LeftOutArea>) -> Self {
        LeftOut((!areas.is_empty()).then(|| areas.into()))
    }

    /// Number of areas.
    pub fn len(&self) -> usize {
        self.areas().len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_none()
    }

    /// The areas.
    pub fn areas(&self) -> &[LeftOutArea] {
        self.0.as_deref().unwrap_or_default()
    }

    /// The first area that leaves a point out; `cloud` is 0 for the survey, 1 for the reference.
    #[inline(always)]
    pub fn first(&self, cloud: usize, point: &Point) -> Option<usize> {
        // The search stands apart, so that where there are no areas a visitor of points makes no call for each.
        first_of(self.0.as_ref()?, cloud, point)
    }

    /// Whether an area lies within `reach` of a position, whatever cloud's points it leaves out.
    pub fn is_near(&self, x: Micrometres, y: Micrometres, reach: Micrometres) -> bool {
        self.areas().iter().any(|one| one.area.is_near(x, y, reach))
    }
}

#[inline(never)]
fn first_of(areas: &[LeftOutArea], cloud: usize, point: &Point) -> Option<usize> {
    areas.iter().position(|one| one.clouds[cloud] && one.area.holds(point.x, point.y))
}
