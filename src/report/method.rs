//! The method of a run, for people, from the pipeline file.

use crate::pipeline::Pipeline;
use crate::stages::auto::Count;
use crate::stages::list::Stage;
use crate::stages::matching::Method;
use crate::stages::stage::CloudChoice;

use crate::results::format::thousands;

/// The method of a pipeline, a sentence a stage.
pub fn method(pipeline: &Pipeline) -> String {
    let is_list = pipeline.reference.as_ref().is_some_and(|reference| reference.points.is_some());
    pipeline.stages.iter().filter_map(|stage| sentence(stage, is_list)).collect::<Vec<_>>().join(" ")
}

fn sentence(stage: &Stage, is_list: bool) -> Option<String> {
    match stage {
        Stage::Ground(g) => {
            let passes = g.passes();
            let windows: Vec<String> = passes.iter().map(|p| p.window.to_string()).collect();
            let of = match g.cloud {
                CloudChoice::Both => "survey and reference",
                CloudChoice::Survey => "the survey",
                CloudChoice::Reference => "the reference",
            };
            Some(format!(
                "Ground of {of}: progressive morphological filter (Zhang et al. 2003) on the lowest elevation of cells \
                 of {}, windows of {} cells, thresholds from {} to {} at slope {}.",
                g.cell,
                windows.join(", "),
                g.dh_initial,
                g.dh_max,
                g.slope
            ))
        }
        Stage::Checkpoints(c) => Some(match c.per_return {
            Count::All => "Checkpoints: every ground point of the survey that has reference.".to_string(),
            Count::AtMost(n) => format!(
                "Checkpoints: up to {} of each return, drawn at random, no two of a return closer than {}.",
                thousands(n),
                c.spacing
            ),
        }),
        Stage::Compare(c) => Some(match c.method {
            Method::Nearest => {
                format!(
                    "Reference elevation: the reference ground point nearest in plan, within {}.",
                    c.reach()
                )
            }
            Method::Plane => format!(
                "Reference elevation: the least-squares plane through the reference ground points within {} in plan, at \
                 the checkpoint.",
                c.reach()
            ),
            Method::Triangulated if is_list => format!(
                "Survey elevation at each surveyed point: linear interpolation in the Delaunay triangulation of the survey's \
                 ground points, in facets of edges up to {}.",
                c.longest(true)
            ),
            Method::Triangulated => format!(
                "Reference elevation: linear interpolation in the Delaunay triangulation of the reference ground points, in \
                 facets of edges up to {}, at the checkpoint.",
                c.longest(false)
            ),
        }),
        _ => None,
    }
}
