//! The search for sites of checkpoints, before a point is read: the chain of the pipeline file up to the ground, and the rules.

use std::sync::Arc;

use crate::cloud::point_list::ListError;
use crate::engine::plan::budget::Density;
use crate::engine::plan::cloud_job::CloudJob;
use crate::engine::plan::fitting::Fitting;
use crate::engine::plan::list_job::ListJob;
use crate::pipeline::{Loaded, Problem};
use crate::siting::rules::{REQUIRED, Rules};
use crate::stages::list::{ground_of, summarise_of};
use crate::stages::sites::SiteSearch;
use crate::stages::stage::Step;
use crate::stages::summarise::Summarise;
use crate::tile::points::Cloud;
use crate::tile::strata::By;
use crate::units::Micrometres;

/// What a person asks of sites.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demands {
    /// Steepest slope, rise over run.
    pub slope_max: f64,
    /// The vertical accuracy class to be tested, micrometres; by default the finest that the pipeline file asks for.
    pub class: Option<Micrometres>,
}

/// What sites are looked for by, before the headers of the survey are known.
pub struct SitesAsked {
    slope_max: f64,
    required: Micrometres,
    covers: Summarise,
    cover_cell: f64,
    /// The file as it was loaded, where a list of surveyed points that it names is there.
    listed: Option<Box<Loaded>>,
    /// What a person should know.
    pub note: Option<String>,
}

impl SitesAsked {
    /// What a pipeline file and a person ask for; of the file the stages up to the ground filter are left, and the survey alone.
    ///
    /// # Errors
    /// Where the file has no ground filter for the survey.
    pub fn of(loaded: &mut Loaded, demands: Demands) -> Result<Self, Problem> {
        let Some(ground) = ground_of(&loaded.pipeline.stages, Cloud::Survey) else {
            let message = "sites are looked for on the survey's ground, but no stage `ground` finds it";
            let help = "add `- ground:` after `read`";
            return Err(loaded.problem_at(
                &["stages".into()],
                message,
                "no ground of the survey",
                Some(help),
            ));
        };
        let limits = loaded.pipeline.accept.iter().flat_map(|limits| [limits.class, limits.rmse]);
        let finest = limits.flatten().map(|limit| limit.micrometres()).min();
        let mut covers = summarise_of(&loaded.pipeline.stages);
        covers.by = vec![By::Cover, By::Slope];
        let list = loaded.reference_points();
        let missing = list.as_ref().filter(|path| !path.exists());
        let note = missing.map(|path| {
            format!(
                "{} is not there yet (`reference: {{points: …}}`): sites keep away from no point that is surveyed already. Once it \
                 is there, plan again",
                path.display()
            )
        });
        let asked = SitesAsked {
            slope_max: demands.slope_max,
            required: demands.class.or(finest).unwrap_or(REQUIRED),
            covers,
            cover_cell: ground.cell.exact_micrometres(),
            listed: (list.is_some() && note.is_none()).then(|| Box::new(loaded.clone())),
            note,
        };
        loaded.pipeline.stages.retain(|stage| stage.options().step() <= Step::Filter);
        loaded.pipeline.reference = None;
        Ok(asked)
    }

    /// The search in this survey, away from the control that it is fitted to and from points that are surveyed already.
    ///
    /// # Errors
    /// A list of such points that cannot be read.
    pub fn search(
        self,
        survey: &CloudJob,
        fitting: Option<&Fitting>,
        seed: u64,
    ) -> Result<SiteSearch, ListError> {
        let SitesAsked { slope_max, required, covers, cover_cell, listed, .. } = self;
        let Density { per_m2, area_m2, .. } = survey.density;
        let rules = Rules::new(per_m2, area_m2, slope_max, required, &covers.slope_breaks, seed);
        let surveyed =
            listed.map(|loaded| ListJob::reference(&loaded, survey.units[0])).transpose()?.flatten();
        let lists = fitting.map(|fitting| &fitting.list).into_iter().chain(&surveyed);
        let avoid = Arc::new(lists.flat_map(|list| list.places().to_vec()).collect());
        Ok(SiteSearch { rules, covers, cover_cell, avoid })
    }
}
