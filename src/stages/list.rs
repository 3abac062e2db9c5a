//! The list of all stages.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::stages::draw::Draw;
use crate::stages::stage::StageOptions;
use crate::stages::{checkpoints, compare, export, ground, read, select, summarise, terrain};
use crate::tile::points::{Cloud, GroundFrom};

/// Makes [`Stage`] from the list of all stages.
macro_rules! list_of_stages {
    ($($stage:ident($options:ty),)*) => {
        /// One entry of the list of stages in a pipeline file: a map of one key, the stage's name.
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "lowercase")]
        pub enum Stage {
            $(#[doc = concat!("See [`", stringify!($options), "`](crate::stages::", stringify!($options), ").")] $stage($options),)*
        }

        impl Stage {
            /// The options, whichever stage it is.
            pub fn options(&self) -> &dyn StageOptions {
                match self {
                    $(Stage::$stage(options) => options,)*
                }
            }
        }
    };
}

// A new stage is added here, and nowhere else outside its file.
list_of_stages! {
    Read(read::Read),
    Select(select::Select),
    Ground(ground::Ground),
    Checkpoints(checkpoints::Checkpoints),
    Compare(compare::Compare),
    Summarise(summarise::Summarise),
    Terrain(terrain::TerrainStage),
    Export(export::Export),
}

impl Stage {
    /// The options of `read`, if it is that stage.
    pub fn as_read(&self) -> Option<&read::Read> {
        if let Stage::Read(options) = self { Some(options) } else { None }
    }

    /// The options of `ground`, if it is that stage.
    pub fn as_ground(&self) -> Option<&ground::Ground> {
        if let Stage::Ground(options) = self { Some(options) } else { None }
    }

    /// The options of `compare`, if it is that stage.
    pub fn as_compare(&self) -> Option<&compare::Compare> {
        if let Stage::Compare(options) = self { Some(options) } else { None }
    }

    /// The options of `terrain`, if it is that stage.
    pub fn as_terrain(&self) -> Option<&terrain::TerrainStage> {
        if let Stage::Terrain(options) = self { Some(options) } else { None }
    }

    /// The options of `summarise`, if it is that stage.
    pub fn as_summarise(&self) -> Option<&summarise::Summarise> {
        if let Stage::Summarise(options) = self { Some(options) } else { None }
    }
}

/// The options of `export`, if it is asked for.
pub fn export_of(stages: &[Stage]) -> Option<&export::Export> {
    stages.iter().find_map(|stage| if let Stage::Export(options) = stage { Some(options) } else { None })
}

/// The options of `summarise`, or its defaults.
pub fn summarise_of(stages: &[Stage]) -> summarise::Summarise {
    stages.iter().find_map(Stage::as_summarise).cloned().unwrap_or_default()
}

/// The options of the `ground` stage of a cloud, if it has one.
pub fn ground_of(stages: &[Stage], cloud: Cloud) -> Option<&ground::Ground> {
    stages.iter().filter_map(Stage::as_ground).find(|ground| ground.cloud.includes(cloud))
}

/// Whether the ground of a cloud is class 2 as delivered.
pub fn is_delivered(stages: &[Stage], cloud: Cloud) -> bool {
    ground_of(stages, cloud).is_some_and(|ground| ground.from == GroundFrom::Classes)
}

/// What the stages draw checkpoints for.
pub fn draw_of(stages: &[Stage]) -> Draw {
    let options = stages.iter().find_map(|stage| match stage {
        Stage::Checkpoints(options) => Some(options),
        _ => None,
    });
    options.map_or(Draw::NONE, |options| options.draw())
}
