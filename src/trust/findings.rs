//! What a study found, as warnings are drawn from it.

use crate::pipeline::Pipeline;
use crate::results::confidence::{Compliance, Correlation, LimitResult, Represented};
use crate::results::plan_shift::PlanShift;
use crate::results::statistics::Statistics;
use crate::stages::compared::Compared;
use crate::trust::compliance::Reference;
use crate::trust::groups::Groups;
use crate::trust::intervals::Wider;
use crate::units::{Micrometres, Unit};

/// Everything that warnings are drawn from. Rows and compliances go with the groups.
pub struct Findings<'a> {
    /// The pipeline.
    pub pipeline: &'a Pipeline,
    /// The groups.
    pub groups: &'a Groups,
    /// Their figures.
    pub rows: &'a [Statistics],
    /// Their compliance with the standards.
    pub compliances: &'a [Compliance],
    /// An even choice of comparisons, sorted.
    pub excerpt: &'a [Compared],
    /// Edge of the blocks, micrometres.
    pub block: Micrometres,
    /// Their dz about the bias of their return and cover.
    pub centred: &'a [f64],
    /// The shift in plan.
    pub plan_shift: Option<&'a PlanShift>,
    /// The spatial correlation of the residuals.
    pub correlation: &'a Correlation,
    /// What makes the intervals much wider than blocks alone would.
    pub wider: Option<Wider>,
    /// The reference's own error.
    pub reference: &'a Reference,
    /// The results of the client's limits.
    pub limits: &'a [LimitResult],
    /// Which part of the survey the reference represents.
    pub represented: &'a Represented,
    /// The unit of the report.
    pub units: Unit,
}
