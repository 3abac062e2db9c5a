//! `accept:`: the limits that the client set.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::tile::strata::{By, Cover, ReturnType};
use crate::units::Length;

/// One limit, or several for the same group. Each comes out as PASS where the whole 95 % interval meets it, FAIL where all of
/// it misses, or INCONCLUSIVE where the sample cannot tell, as always under 30 comparisons or three blocks. A stated
/// `offset` of the reference is removed first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct AcceptLimits {
    /// The group that the limits apply to, as in `{return: 1, cover: open}`. Without it they apply to all returns together.
    #[serde(skip_serializing_if = "Selection::is_all")]
    #[schemars(extend("x-default" = "all returns together"))]
    pub group: Selection,
    /// Largest RMSE.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rmse: Option<Length>,
    /// Largest bias, positive or negative. The common part of the reference's `uncertainty` widens the interval; an
    /// uncertainty of one length counts as common.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bias: Option<Length>,
    /// Largest standard deviation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sd: Option<Length>,
    /// Vertical accuracy class: the largest RMSE_V, which is the RMSE combined with the uncertainty of the reference
    /// (`5 cm` is the 5-cm class).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<Length>,
    /// Smallest share of all ground points that the group must provide, from 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share: Option<f64>,
    /// Smallest coverage: the share of the terrain cells, from 0 to 1, that hold a ground point of the returns up to
    /// `group: {return: …}`, or of any return.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coverage: Option<f64>,
}

/// A group of ground points with the same properties.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Selection {
    /// Return number.
    #[serde(rename = "return", skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 15))]
    pub return_number: Option<u8>,
    /// `open`, `low` (under low vegetation) or `canopy`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover: Option<Cover>,
    /// Class of terrain slope, named as in the results: `<0.1`, `0.1-0.2`, …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope: Option<String>,
    /// Band of scan angle, named as in the results: `<10`, `10-20`, …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scan_angle: Option<String>,
    /// Flight strip (point source ID).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strip: Option<u16>,
    /// `single`, `first_of_many`, `intermediate` or `last_of_many`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub return_type: Option<ReturnType>,
}

impl Selection {
    /// Whether it selects everything.
    pub fn is_all(&self) -> bool {
        *self == Selection::default()
    }

    /// The properties that it names.
    pub fn by(&self) -> Vec<By> {
        [
            (By::Return, self.return_number.is_some()),
            (By::Cover, self.cover.is_some()),
            (By::Slope, self.slope.is_some()),
            (By::ScanAngle, self.scan_angle.is_some()),
            (By::Strip, self.strip.is_some()),
            (By::ReturnType, self.return_type.is_some()),
        ]
        .into_iter()
        .filter_map(|(by, named)| named.then_some(by))
        .collect()
    }
}

impl AcceptLimits {
    /// How many limits are set.
    pub fn count(&self) -> usize {
        [self.rmse, self.bias, self.sd, self.class].iter().flatten().count()
            + [self.share, self.coverage].iter().flatten().count()
    }
}
