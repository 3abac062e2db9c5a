//! `fit:` of the survey: the control that its elevations are fitted to.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fit::Model;
use crate::pipeline::inputs::{CloudUnits, PointsInput};
use crate::units::Length;

/// Vertical fit of the survey to control: what is added to its elevations, by weighted least squares. It is estimated from the
/// survey's own elevations and added to dz and terrain, not to the points; figures without it stand beside. Points that are used are
/// never checkpoints.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Fit {
    /// The list of control: a text file with a header and the columns name, easting, northing, elevation and sigma (or sigma_v, as
    /// `echograde adjust` writes it). The survey's elevation at each point is interpolated in the triangulation of its ground points.
    #[schemars(extend("x-default" = "must be given"))]
    pub to: PointsInput,
    /// `shift`: one length. `plane`: a length and a tilt. `none`: nothing is added; the survey is only compared with the control.
    pub model: Model,
    /// Names of points that take no part and are compared with what the others give.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schemars(extend("x-default" = "none"))]
    pub withhold: Vec<String>,
    /// The survey's own noise at a control point, one sigma, which is added to the sigma of the list in quadrature.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub noise: Length,
    /// The unit of the control: `m`, `ft` or `ftUS`, or one each for horizontal and vertical.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "the survey's own units"))]
    pub units: Option<CloudUnits>,
}

impl Default for Fit {
    fn default() -> Self {
        Fit {
            to: PointsInput::default(),
            model: Model::default(),
            withhold: Vec::new(),
            noise: Length::millimetres(0.0),
            units: None,
        }
    }
}
