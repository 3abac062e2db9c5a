//! What is read of `summary.json` and `manifest.json`.

use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::units::Unit;

/// Counts and figures of a group of comparisons.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Ground points of the survey.
    pub ground: u64,
    /// Comparisons: what the figures rest on.
    pub compared: u64,
    /// Bias: mean of dz.
    pub bias: Option<f64>,
    /// Sample standard deviation of dz.
    pub sd: Option<f64>,
    /// Root mean square of dz.
    pub rmse: Option<f64>,
    /// 95 % interval of the bias.
    pub bias_ci95: Option<[f64; 2]>,
}

impl Figures {
    /// The same in another unit.
    pub fn in_unit(self, from: Unit, to: Unit) -> Self {
        if from == to {
            return self;
        }
        let length = |value: f64| to.from_micrometres(value * from.micrometres());
        Figures {
            bias: self.bias.map(length),
            sd: self.sd.map(length),
            rmse: self.rmse.map(length),
            bias_ci95: self.bias_ci95.map(|ends| ends.map(length)),
            ..self
        }
    }

    /// Whether both are the same but for what converting a unit loses.
    pub fn is_same(&self, other: &Figures) -> bool {
        let same = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => close(a, b),
            (a, b) => a == b,
        };
        (self.ground, self.compared) == (other.ground, other.compared)
            && same(self.bias, other.bias)
            && same(self.sd, other.sd)
            && same(self.rmse, other.rmse)
    }
}

/// Whether two values are the same but for what converting a unit loses.
pub fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// What is read of `summary.json`.
#[derive(Deserialize)]
pub struct Summary {
    pub title: String,
    pub units: Unit,
    pub returns: Vec<OfReturn>,
    pub all: Figures,
    pub groups: Vec<OfGroup>,
    pub standards: Standards,
    pub accept: Vec<Limit>,
    pub warnings: Vec<Warning>,
}

/// A row by return.
#[derive(Deserialize)]
pub struct OfReturn {
    #[serde(rename = "return")]
    pub number: u8,
    #[serde(flatten)]
    pub figures: Figures,
}

/// A group.
#[derive(Deserialize)]
pub struct OfGroup {
    pub by: Map<String, Value>,
    #[serde(flatten)]
    pub figures: Figures,
}

/// The published standards.
#[derive(Deserialize)]
pub struct Standards {
    pub groups: Vec<Class>,
}

/// A group against the classes.
#[derive(Deserialize)]
pub struct Class {
    pub by: Map<String, Value>,
    pub name: Option<String>,
    pub class_cm: Option<f64>,
}

/// A limit that the client set.
#[derive(Deserialize)]
pub struct Limit {
    pub limit: String,
    pub measure: String,
    pub bound: f64,
    pub value: Option<f64>,
    pub verdict: String,
}

impl Limit {
    /// What was found, where it is a length in another unit.
    pub fn in_unit(&self, from: Unit, to: Unit) -> Option<f64> {
        let is_length = !matches!(self.measure.as_str(), "share" | "coverage");
        self.value.map(|value| match is_length && from != to {
            true => to.from_micrometres(value * from.micrometres()),
            false => value,
        })
    }
}

/// A warning.
#[derive(Deserialize)]
pub struct Warning {
    pub code: String,
    pub text: String,
}

/// What is read of `manifest.json`.
#[derive(Deserialize)]
pub struct Manifest {
    pub version: String,
    pub pipeline_sha256: String,
    pub inputs: Vec<Input>,
    #[serde(default)]
    pub areas: Vec<Area>,
}

/// A file that was read.
#[derive(Deserialize)]
pub struct Input {
    pub cloud: String,
    pub path: String,
    pub size: u64,
    pub sha256: String,
    pub points: u64,
}

/// A file of an area left out.
#[derive(Deserialize)]
pub struct Area {
    pub path: String,
    pub size: u64,
    pub sha256: String,
}
