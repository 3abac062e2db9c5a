//! The method of a run, for people, from the pipeline file.

use crate::pipeline::Pipeline;
use crate::pipeline::fit::Fit;
use crate::pipeline::model::CloudInput;
use crate::pipeline::register::Register;
use crate::stages::auto::{Auto, Count};
use crate::stages::compare::{Compare, NEAREST};
use crate::stages::ground::Ground;
use crate::stages::list::Stage;
use crate::stages::method::Method;
use crate::stages::stage::CloudChoice;
use crate::tile::points::GroundFrom;
use crate::{fit, registration};

use crate::results::format::{percent, thousands};

/// The method of a pipeline, a sentence a stage.
pub fn method(pipeline: &Pipeline) -> String {
    let is_list = pipeline.reference.as_ref().is_some_and(|reference| reference.points.is_some());
    let stages = pipeline.stages.iter().filter_map(|stage| sentence(stage, is_list));
    let shift = pipeline.reference.as_ref().and_then(vertical_shift);
    let register =
        pipeline.reference.as_ref().and_then(|reference| reference.register.as_ref()).map(registered);
    let fit = pipeline.survey.fit.as_ref().map(fitted);
    shift.into_iter().chain(register).chain(fit).chain(stages).collect::<Vec<_>>().join(" ")
}

/// How the scans were registered.
fn registered(register: &Register) -> String {
    let unknown = match register.model {
        registration::Model::Level => "heading and three shifts",
        registration::Model::Full => "three rotations and three shifts",
    };
    format!(
        "Registration: one weighted least-squares adjustment of all setups ({unknown} each) to targets and control, with blunder tests after \
         Baarda 1968 (citation not verified)."
    )
}

/// How the survey was fitted to control.
fn fitted(fit: &Fit) -> String {
    let model = match fit.model {
        fit::Model::None => return "Survey and control were compared in the triangulation of the survey's ground points; nothing was fitted.".to_string(),
        fit::Model::Shift => "a shift",
        fit::Model::Plane => "a tilted plane",
    };
    format!(
        "Fit of the survey: {model} by weighted least squares to control minus the survey's elevation in the triangulation of its ground points, \
         added to dz and terrain."
    )
}

/// What was done about different vertical systems.
fn vertical_shift(reference: &CloudInput) -> Option<String> {
    let shift = reference.vertical_shift?;
    let why = reference.why.as_deref().unwrap_or_default().trim().trim_end_matches('.');
    Some(match shift.micrometres() {
        0 => format!("Vertical systems of survey and reference are stated to be the same: {why}."),
        _ => format!(
            "Vertical system: {shift} was added to every elevation of the reference before all other work: {why}."
        ),
    })
}

fn sentence(stage: &Stage, is_list: bool) -> Option<String> {
    match stage {
        Stage::Ground(g) => {
            let of = match (g.from, g.cross_check) {
                (GroundFrom::Classes, false) => return Some(delivered(g)),
                (GroundFrom::Classes, true) => {
                    format!("{} For the cross-check alone, ground of the survey", delivered(g))
                }
                (GroundFrom::Filter, _) => format!("Ground of {}", clouds(g.cloud)),
            };
            let passes = g.passes();
            let windows: Vec<String> = passes.iter().map(|p| p.window.to_string()).collect();
            Some(format!(
                "{of}: progressive morphological filter (Zhang et al. 2003) on the lowest elevation of cells \
                 of {}, windows of {} cells, thresholds from {} to {} at slope {}{}.",
                g.cell,
                windows.join(", "),
                g.dh_initial,
                g.dh_max,
                g.slope,
                if g.local_slope { ", the local slope × cell added (not in the paper)" } else { "" }
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
        Stage::Compare(c) => Some(reference_elevation(c, is_list)),
        Stage::Summarise(s) => s.cover().map(|rule| {
            format!(
                "Cover, from first returns within {}, their heights taken over the sloping ground: canopy where at least {} % \
                 are higher than {}, otherwise low vegetation where at least {} % are higher than {}, otherwise open ground.",
                rule.radius,
                percent(rule.canopy_share),
                rule.canopy_height,
                percent(rule.low_share),
                rule.low_height
            )
        }),
        _ => None,
    }
}

fn clouds(choice: CloudChoice) -> &'static str {
    match choice {
        CloudChoice::Both => "survey and reference",
        CloudChoice::Survey => "the survey",
        CloudChoice::Reference => "the reference",
    }
}

/// Ground as the files classify it.
fn delivered(ground: &Ground) -> String {
    let text = format!("Ground of {}: class 2 as delivered; nothing was filtered.", clouds(ground.cloud));
    if ground.cloud == CloudChoice::Reference {
        return text;
    }
    format!("{text} The survey's slope and cover come from the lowest class 2 in cells of {}.", ground.cell)
}

fn reference_elevation(compare: &Compare, is_list: bool) -> String {
    match (compare.method(), compare.within()) {
        (Method::Triangulated, _) if is_list => format!(
            "Survey elevation at each surveyed point: linear interpolation in the Delaunay triangulation of the survey's \
             ground points, in facets of edges up to {}.",
            compare.longest(true)
        ),
        (Method::Triangulated, _) => format!(
            "Reference elevation: linear interpolation in the Delaunay triangulation of the reference ground points, in \
             facets of edges up to {}, at the checkpoint.",
            compare.longest(false)
        ),
        (Method::Plane, Auto::Fixed(within)) => format!(
            "Reference elevation: the least-squares plane through the reference ground points within {within} in plan, at \
             the checkpoint."
        ),
        (Method::Plane, Auto::Auto) => "Reference elevation: the least-squares plane at the checkpoint, through the \
             reference ground points within the smallest of a row of radii (15 mm to 0.48 m) that holds twelve."
            .to_string(),
        (_, Auto::Fixed(within)) => {
            format!("Reference elevation: the reference ground point nearest in plan, within {within}.")
        }
        (_, Auto::Auto) => format!(
            "Reference elevation, where a reference ground point lies within {NEAREST} in plan: the least-squares plane \
             through the points around the checkpoint where a radius of 15 or 21 mm holds twelve, otherwise the nearest \
             point."
        ),
    }
}
