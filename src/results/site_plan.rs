//! What `plan` proposes: the contents of `plan.json`, from which the tables and the printed result are drawn.

use serde::Serialize;

use crate::siting::outlook::Outlook;
use crate::tile::strata::Cover;
use crate::units::Unit;

/// The contents of `plan.json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SitePlan {
    /// The title that the pipeline file gives.
    pub title: String,
    /// The unit of easting, northing and distances: the survey's own.
    pub horizontal_units: Unit,
    /// The unit of elevations and of roughness: the survey's own.
    pub vertical_units: Unit,
    /// What was asked of each site.
    pub rules: RulesRow,
    /// What is proposed under each cover.
    pub covers: Vec<CoverPlan>,
    /// The run folder whose results the order rests on; null where there are none.
    pub run: Option<String>,
    /// What points at the sites would tell of the limits that the last run left inconclusive.
    pub outlook: Vec<Outlook>,
    /// The unit of lengths in `outlook`; null without a run.
    pub outlook_units: Option<Unit>,
    /// The sites, in the order in which they are best measured.
    pub sites: Vec<SiteRow>,
    /// What is short of what was asked for, or of the standard.
    pub notes: Vec<String>,
}

/// What was asked of each site; lengths in the units of the plan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RulesRow {
    /// Radius of the ground around it that must suit.
    pub radius: f64,
    /// Steepest slope, rise over run.
    pub slope_max: f64,
    /// The vertical accuracy class to be tested.
    pub class: f64,
    /// Largest departure of the ground around from a plane, noise of the survey aside.
    pub departure: f64,
    /// Least distance from control, and from points that are surveyed already.
    pub from_control: f64,
    /// Least distance between sites of one cover that the standard asks for: a tenth of the diagonal of the survey.
    pub spacing: f64,
}

/// What is proposed under one cover.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CoverPlan {
    /// The cover.
    pub cover: Cover,
    /// Sites asked for.
    pub asked: usize,
    /// Sites proposed.
    pub proposed: usize,
    /// Those in each quadrant of the survey.
    pub quadrants: Quadrants,
    /// Those in each class of slope that ground suits in.
    pub slopes: Vec<SlopeSites>,
    /// Least distance between two of them; null of fewer than two.
    pub spacing: Option<f64>,
    /// Whether that is what the standard asks for.
    pub spacing_met: bool,
    /// Whether each quadrant has a fifth of them, as the standard asks for.
    pub quadrants_met: bool,
    /// Ground under this cover, square metres.
    pub ground_m2: f64,
    /// What of it suits.
    pub suitable_m2: f64,
    /// What does not, by the first reason.
    pub unsuitable_m2: UnsuitableRow,
    /// The 95 % interval of an RMSE from so many points, over the RMSE; null of none.
    pub rmse_ci95_factors: Option<[f64; 2]>,
    /// Half the 95 % interval of a bias from so many points, over the SD; null of fewer than two.
    pub bias_ci95_half_in_sd: Option<f64>,
}

/// Sites by quadrant of the box around the survey.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "UPPERCASE")]
pub struct Quadrants {
    /// North-east.
    pub ne: usize,
    /// North-west.
    pub nw: usize,
    /// South-east.
    pub se: usize,
    /// South-west.
    pub sw: usize,
}

impl From<[usize; 4]> for Quadrants {
    fn from([ne, nw, se, sw]: [usize; 4]) -> Self {
        Quadrants { ne, nw, se, sw }
    }
}

impl Quadrants {
    /// In the order of their names.
    pub fn all(self) -> [usize; 4] {
        [self.ne, self.nw, self.se, self.sw]
    }
}

/// Sites of one class of slope.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SlopeSites {
    /// The class, rise over run.
    pub slope: String,
    /// Sites.
    pub sites: usize,
    /// Ground that suits, square metres.
    pub suitable_m2: f64,
}

/// Ground that does not suit, square metres, by the first reason.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct UnsuitableRow {
    /// Within the radius of an area left out.
    pub left_out: f64,
    /// Near control, or a point that is surveyed already.
    pub near_control: f64,
    /// Ground is missing around: buildings, water, dense growth, the edge of the survey.
    pub ground_missing: f64,
    /// Vegetation, buildings or other objects around.
    pub objects: f64,
    /// Too steep.
    pub steep: f64,
    /// A break, or rough ground.
    pub rough: f64,
}

impl UnsuitableRow {
    /// From the reasons in their order.
    pub fn of([left_out, near_control, ground_missing, objects, steep, rough]: [f64; 6]) -> Self {
        UnsuitableRow { left_out, near_control, ground_missing, objects, steep, rough }
    }

    /// Each with its name for people.
    pub fn named(&self) -> [(f64, &'static str); 6] {
        [
            (self.left_out, "in or near an area left out"),
            (self.near_control, "near control or a point surveyed already"),
            (
                self.ground_missing,
                "ground missing around (buildings, water, dense growth, the edge of the survey)",
            ),
            (self.objects, "vegetation, buildings or other objects around"),
            (self.steep, "too steep"),
            (self.rough, "not smooth"),
        ]
    }
}

/// A site: as a row of `sites.csv`, too.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SiteRow {
    /// Its name: the cover's first letter and a number.
    pub name: String,
    /// Place in the order of measuring, from 1: ground that is known worst comes first, and of that the quadrants in turn.
    pub order: usize,
    /// What stands over it.
    pub cover: Cover,
    /// Where it is, and what the ground is like.
    #[serde(flatten)]
    pub place: Place,
    /// Quadrant of the survey.
    pub quadrant: &'static str,
    /// Distance to the nearest site of the same cover.
    pub nearest_site: Option<f64>,
    /// Reason why it was chosen.
    pub reason: String,
    /// Another place that suits, nearby.
    pub alternative: Option<Place>,
    /// Its distance.
    pub alternative_distance: Option<f64>,
}

/// A place and its ground, in the units of the plan.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Place {
    /// Easting.
    pub easting: f64,
    /// Northing.
    pub northing: f64,
    /// Elevation of the survey's ground: to find it, not to compare with.
    pub elevation: f64,
    /// Slope, rise over run.
    pub slope: f64,
    /// Standard deviation of the survey's ground points about the plane through them: roughness, and noise of the survey.
    pub roughness: f64,
    /// Ground points of the survey within the radius.
    pub ground_points: u32,
}
