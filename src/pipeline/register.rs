//! `register:` of the reference: what scans are registered with.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::pipeline::inputs::{CloudUnits, TableInput};
use crate::registration::Model;
use crate::units::Length;

/// Registration of the scans: the pose of each setup from targets that it sees and from control, all setups in one adjustment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Register {
    /// The list of targets: a text file with a header and the columns setup, name, x, y, z and sigma, in the own frame and
    /// unit of each setup. `control/targets.csv`, or `{file: …, columns: {setup: Station}}` where the header has other names.
    #[schemars(extend("x-default" = "must be given"))]
    pub targets: TableInput,
    /// The list of control points: columns name, easting, northing, elevation, sigma_h and sigma_v (or sigma for both), as
    /// `echograde adjust` writes it; a sigma of 0 holds a point.
    #[schemars(extend("x-default" = "must be given"))]
    pub control: TableInput,
    /// `level`: heading and three shifts of each setup are unknown (the scanner was levelled). `full`: three rotations and three shifts.
    pub model: Model,
    /// Names of control points that take no part and are compared with what the others give.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schemars(extend("x-default" = "none"))]
    pub withhold: Vec<String>,
    /// The scan's own noise: one sigma of the elevation that a comparison rests on. `uncertainty: auto` adds it.
    #[schemars(extend("x-source" = "this program's own choice"))]
    pub noise: Length,
    /// The unit of the control: `m`, `ft` or `ftUS`, or one each for horizontal and vertical.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("x-default" = "the survey's own units"))]
    pub units: Option<CloudUnits>,
}

impl Default for Register {
    fn default() -> Self {
        Register {
            targets: TableInput::default(),
            control: TableInput::default(),
            model: Model::default(),
            withhold: Vec::new(),
            noise: Length::millimetres(3.0),
            units: None,
        }
    }
}

impl Register {
    /// The two lists with their keys.
    pub fn tables(&self) -> [(&'static str, &TableInput); 2] {
        [("targets", &self.targets), ("control", &self.control)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_what_was_read() {
        let text = r#"{"targets":"t.csv","control":{"file":"c.csv","columns":{"sigma_h":"sh"}},"model":"full","withhold":["C3"],"noise":"2 mm"}"#;
        let register: Register = serde_json::from_str(text).unwrap();
        assert_eq!(serde_json::to_string(&register).unwrap(), text);
        let short: Register = serde_json::from_str(r#"{"targets":"t.csv","control":"c.csv"}"#).unwrap();
        assert_eq!((short.model, short.noise.micrometres()), (Model::Level, 3_000));
    }
}
