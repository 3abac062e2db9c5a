//! `accept:`: the limits that the client set.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::tile::strata::{By, Cover, ReturnType};
use crate::units::Length;

/// One limit, or several for the same group. Each is met, missed, or inconclusive with this sample.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// The group that the limits are for, as in `{return: 1, cover: open}`; left out: all returns together.
    #[serde(skip_serializing_if = "Selection::is_all")]
    #[schemars(extend("x-default" = "all returns together"))]
    pub group: Selection,
    /// The RMSE is at most this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rmse: Option<Length>,
    /// The bias is at most this, to either side of zero.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bias: Option<Length>,
    /// The standard deviation is at most this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sd: Option<Length>,
    /// The vertical accuracy class: RMSE_V, the RMSE combined with the uncertainty of the reference, is at most this
    /// (`5 cm` is the 5-cm class).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<Length>,
    /// The group gives at least this share of all ground points, from 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share: Option<f64>,
    /// At least this share of the terrain cells is filled, from 0 to 1, by the ground points of the returns up to
    /// `group: {return: …}`, or of all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub coverage: Option<f64>,
}

/// A group of ground points, by the values that they share.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Selection {
    /// Return number.
    #[serde(rename = "return", skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 15))]
    pub return_number: Option<u8>,
    /// `open` or `canopy`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover: Option<Cover>,
    /// Class of terrain slope, as results name it: `<0.1`, `0.1-0.2`, …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slope: Option<String>,
    /// Band of the scan angle, as results name it: `<10`, `10-20`, …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scan_angle: Option<String>,
    /// Flight strip (point source ID).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strip: Option<u16>,
    /// `single`, `first`, `intermediate` or `last`.
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

impl Limits {
    /// How many limits are set.
    pub fn count(&self) -> usize {
        [self.rmse, self.bias, self.sd, self.class].iter().flatten().count()
            + [self.share, self.coverage].iter().flatten().count()
    }
}
