//! The pipeline file as the program holds it.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::areas::AreaSystem;
use crate::pipeline::accept::AcceptLimits;
use crate::pipeline::fit::Fit;
use crate::pipeline::inputs::{CloudUnits, PointsInput};
use crate::pipeline::register::Register;
use crate::pipeline::uncertainty::Uncertainty;
use crate::stages::list::Stage;
use crate::stages::method::Method;
use crate::stages::stage::CloudChoice;
use crate::stages::{checkpoints, compare, ground, read, summarise};
use crate::units::{Length, Unit};

/// A pipeline file: the clouds, the run folder, and the stages in the order of work.
///
/// Paths are relative to the folder of the pipeline file. Lengths carry their unit: `0.5 m`, `15 mm`, `0.05 ft`.
/// A key that is left out takes its default; only `survey` must be given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pipeline {
    /// Title of the report.
    #[serde(default)]
    #[schemars(extend("x-default" = "the name of the pipeline file without its extension"))]
    pub title: String,
    /// The airborne cloud under test, often one file per strip.
    #[serde(default)]
    pub survey: CloudInput,
    /// The better measurement that the survey is compared with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none, and nothing is compared"))]
    pub reference: Option<CloudInput>,
    /// Areas left out of the comparisons, each with its reason: a bridge deck, works between the two dates. Their points
    /// still shape the ground surface.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(extend("x-default" = "none"))]
    pub exclude: Vec<Exclude>,
    /// The run folder, where the run writes its results; `--out` overrides it.
    #[serde(default)]
    #[schemars(extend("x-default" = "runs/ and the name of the pipeline file without its extension"))]
    pub output: PathBuf,
    /// The unit of the report: `m`, `ft` (international foot) or `ftUS` (US survey foot).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "the survey's own vertical unit"))]
    pub units: Option<Unit>,
    /// The seed of every random draw: the same seed and data give the same checkpoints.
    #[serde(default = "default_seed")]
    pub seed: u64,
    /// The stages in the order of work: `read`, then `select` and `ground`, `checkpoints`, `compare`, `summarise`,
    /// `terrain`, `export`.
    #[serde(default)]
    #[schemars(extend("x-default" = "read, ground, checkpoints, compare, summarise; \
        against a list of surveyed points: read, ground, compare, summarise; without a reference: read, ground, summarise"))]
    pub stages: Vec<Stage>,
    /// The acceptance limits, each with the group that it applies to. Unless all pass, `run` ends with exit code 3.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(extend("x-default" = "none"))]
    pub accept: Vec<AcceptLimits>,
}

fn default_seed() -> u64 {
    1
}

impl Pipeline {
    /// Fills in the defaults that depend on something else: the name of the file, the reference, another option.
    pub(super) fn resolve(&mut self, file: &Path, stages_given: bool) {
        let stem = file.file_stem().map_or("pipeline".into(), |stem| stem.to_string_lossy());
        if self.title.trim().is_empty() {
            self.title = stem.to_string();
        }
        if self.output.as_os_str().is_empty() {
            self.output = PathBuf::from(format!("runs/{stem}"));
        }
        if !stages_given {
            self.stages = default_stages(self.reference.as_ref());
        }
        if let Some(reference) = self.reference.as_mut().filter(|reference| reference.register.is_some()) {
            reference.uncertainty.get_or_insert(Uncertainty::Auto);
        }
        let is_list = self.reference.as_ref().is_some_and(|reference| reference.points.is_some());
        for stage in &mut self.stages {
            if let Stage::Compare(compare) = stage {
                if is_list && compare.method() == Method::Auto {
                    compare.method = Method::Triangulated;
                }
                match compare.method {
                    Method::Triangulated => compare.longest_edge = Some(compare.longest(is_list)),
                    _ => (compare.method, compare.within) = (compare.method(), Some(compare.within())),
                }
            }
        }
    }
}

/// The chain of a file that names no stages.
fn default_stages(reference: Option<&CloudInput>) -> Vec<Stage> {
    let mut stages = vec![Stage::Read(read::Read::default()), Stage::Ground(ground::Ground::default())];
    match reference {
        Some(CloudInput { points: Some(_), .. }) => {
            stages.push(Stage::Compare(compare::Compare {
                method: Method::Triangulated,
                ..compare::Compare::default()
            }));
        }
        Some(_) => {
            stages.push(Stage::Checkpoints(checkpoints::Checkpoints::default()));
            stages.push(Stage::Compare(compare::Compare::default()));
        }
        None => {}
    }
    stages.push(Stage::Summarise(summarise::Summarise::default()));
    stages
}

/// The point files of one cloud.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct CloudInput {
    /// The files, relative to the folder of the pipeline file, as in `[flight/*.laz]`. `*` stands for any part of a
    /// name, `?` for one character, `**` for any folders in between. Where the program is built with it, addresses too, `https://…` and
    /// `s3://…`: see `docs/addresses.md`.
    #[schemars(length(min = 1))]
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<String>,
    /// Of the reference, in place of `files`: the setups of a scanner by their names, each with its files (E57, LAS or LAZ).
    /// Poses that the files state are applied, unless `register` finds them. The setup of a point, counted from 1, takes the place of its point source ID
    /// (in `select: {strips: …}`, say).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schemars(extend("x-default" = "none"))]
    pub scans: Vec<Scan>,
    /// With `scans`: the scans are in their own frames, and their poses are found from targets and control, all setups in one
    /// adjustment. Poses that the files state are then not used.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none: the scans are in the system of the survey, or their files state their poses"))]
    pub register: Option<Register>,
    /// Of the reference, in place of `files`: a list of surveyed points, each of which is a checkpoint. A text file with a
    /// header and the columns name, easting, northing, elevation and, where known, sigma, in the survey's own system and
    /// units unless `units` says otherwise: `control/checkpoints.csv`, or `{file: …, columns: {easting: E}}` where the
    /// header has other names.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none"))]
    pub points: Option<PointsInput>,
    /// Of the survey: control that its elevations are fitted to, by a shift or a tilted plane, as in
    /// `{to: control/flight.csv, model: shift}`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none: the survey is compared as it is"))]
    pub fit: Option<Fit>,
    /// The unit of the coordinates, where the files do not state it or state it wrongly: `m`, `ft` or `ftUS`, or one
    /// each for horizontal and vertical, as in `{horizontal: m, vertical: ftUS}`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "as the files state"))]
    pub units: Option<CloudUnits>,
    /// Vertical uncertainty of the reference, one sigma: one length, or `{common: 5 mm, random: 8 mm}` for what all of the
    /// reference shares (its control) and what differs from point to point. Both enter RMSE_V. The common part widens the
    /// interval by which a limit on the bias is judged; one length counts there as common altogether, which is the careful reading.
    /// The survey's own figures are not changed. `auto`, with `register`: what the adjustment gives at each comparison, and the
    /// scan's noise.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "`auto` with `register`, otherwise not stated"))]
    pub uncertainty: Option<Uncertainty>,
    /// What is added to every elevation of the reference, before anything is judged, to bring it into the vertical system of
    /// the survey: the height of a geoid, or the difference of two datums. Needs `why`. `0 m` states that two names mean one
    /// system.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none"))]
    pub vertical_shift: Option<Length>,
    /// Reason for `vertical_shift` and where its value comes from, for the report.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none"))]
    pub why: Option<String>,
    /// A known constant error of the reference, such as fresh snow on the scanned ground. It is removed only in
    /// results marked `offset_removed`, which stand beside the raw ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "none"))]
    pub offset: Option<Offset>,
}

/// One setup of a scanner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Scan {
    /// Name of the setup.
    pub name: String,
    /// Its files, as in `files` of a cloud.
    #[schemars(length(min = 1))]
    pub files: Vec<String>,
}

/// Areas left out of the comparisons.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Exclude {
    /// The file with the areas, relative to the folder of the pipeline file: polygons as GeoJSON or GeoPackage, in the
    /// survey's own horizontal system.
    pub area: PathBuf,
    /// Reason for leaving them out, for the report.
    pub why: String,
    /// The cloud whose points are left out.
    #[serde(default)]
    pub cloud: CloudChoice,
    /// `same`: the coordinates of the file are in the survey's own horizontal system and unit, whatever it states.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "as the file states"))]
    pub system: Option<AreaSystem>,
}

/// A known constant error of the reference.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Offset {
    /// How far the reference lies above the true ground; negative where it lies below.
    pub value: Length,
    /// Uncertainty of the value, one sigma.
    pub sigma: Length,
    /// Reason for the offset and how it is known, for the report.
    pub why: String,
}
