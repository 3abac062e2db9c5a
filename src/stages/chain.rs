//! The chain: the stages of a pipeline, made ready to work.

use crate::cloud::point::Fields;
use crate::stages::list::Stage;
use crate::stages::stage::{Preparing, SurfaceNeed, TileStage, WhileReading};
use crate::tile::at_work::Halo;
use crate::units::Length;

/// The stages of a pipeline, ready to work.
#[derive(Default)]
pub struct Chain {
    /// What judges points as they are read: the `select` stages before the ground filter.
    pub while_reading: Vec<WhileReading>,
    /// The stages that work on tiles, in order.
    pub tiles: Vec<Box<dyn TileStage>>,
    /// Edge of the terrain cells, where ground is told apart.
    pub terrain_cell: Option<Length>,
    /// Whether reading continues past damaged blocks.
    pub skip_damaged: bool,
}

impl Chain {
    /// Makes the stages ready. The list must have passed the checks of the pipeline file.
    pub fn new(stages: &[Stage], seed: u64) -> Self {
        let options = stages.iter().map(Stage::options).collect();
        let mut preparing = Preparing { options, seed, ..Preparing::default() };
        for (i, stage) in stages.iter().enumerate() {
            stage.options().prepare(i + 1, &mut preparing);
        }
        let Preparing { while_reading, tiles, terrain_cell, skip_damaged, .. } = preparing;
        Chain { while_reading, tiles, terrain_cell, skip_damaged }
    }

    /// The fields that must be decoded.
    pub fn fields_read(&self) -> Fields {
        self.while_reading.iter().fold(self.fields_of_tiles(), |all, one| all.or(one.filter.fields()))
    }

    /// The fields that must reach the tiles.
    pub fn fields_of_tiles(&self) -> Fields {
        self.tiles.iter().fold(Fields::default(), |all, stage| all.or(stage.fields()))
    }

    /// How far beyond the core of a tile points must be seen: what all stages ask for, added up.
    pub fn halo(&self) -> Halo {
        self.tiles.iter().map(|stage| stage.halo()).fold(Halo::default(), |all, halo| Halo {
            survey: all.survey + halo.survey,
            reference: all.reference + halo.reference,
        })
    }

    /// The surfaces that stages want.
    pub fn surfaces(&self) -> impl Iterator<Item = SurfaceNeed> + '_ {
        self.tiles.iter().filter_map(|stage| stage.surface())
    }
}
