//! The list of stages, made ready to work: where a new stage is added.

use crate::cloud::point::Fields;
use crate::stages::cell_attributes::ClassifyCells;
use crate::stages::checkpoints::DrawCheckpoints;
use crate::stages::compare::CompareTile;
use crate::stages::ground::{FilterGround, KeepOrigin};
use crate::stages::read::Damaged;
use crate::stages::select::{Select, SelectGround};
use crate::stages::summarise::CountTile;
use crate::stages::terrain_cells::SumTerrain;
use crate::stages::{Halo, Stage, SurfaceNeed, TileStage};
use crate::tile::points::Cloud;
use crate::units::Length;

/// The stages of a pipeline, ready to work.
#[derive(Default)]
pub struct Chain {
    /// `select` stages before the ground filter, which judge points as they are read: cloud, place in the list of
    /// stages (from 1), conditions.
    pub while_reading: Vec<(Cloud, usize, Select)>,
    /// The stages that work on tiles, in order.
    pub tiles: Vec<Box<dyn TileStage>>,
    /// Edge of the terrain cells, where ground is told apart.
    pub terrain_cell: Option<Length>,
    /// Whether reading goes on past damaged blocks.
    pub skip_damaged: bool,
}

impl Chain {
    /// Makes the stages ready. The list must have passed the checks of the pipeline file.
    pub fn new(stages: &[Stage], seed: u64) -> Self {
        let mut chain = Chain::default();
        let compare = stages.iter().find_map(Stage::as_compare).cloned();
        let summarise = stages.iter().find_map(Stage::as_summarise).cloned();
        let told_apart = summarise.is_some();
        let summarise = summarise.unwrap_or_default();
        let classify =
            told_apart && (summarise.canopy().is_some() || !summarise.asked_slope_breaks().is_empty());
        let mut filtered = Vec::new();
        for (i, stage) in stages.iter().enumerate() {
            let place = i + 1;
            match stage {
                Stage::Read(read) => chain.skip_damaged = read.damaged == Damaged::Skip,
                Stage::Select(keep) => {
                    for cloud in clouds().filter(|c| keep.cloud.includes(*c)) {
                        if filtered.contains(&cloud) {
                            chain.tiles.push(Box::new(SelectGround {
                                keep: keep.clone(),
                                cloud,
                                stage: place,
                            }));
                        } else {
                            chain.while_reading.push((cloud, place, keep.clone()));
                        }
                    }
                }
                Stage::Ground(options) => {
                    for cloud in clouds().filter(|c| options.cloud.includes(*c)) {
                        filtered.push(cloud);
                        let keep_origin = match cloud {
                            Cloud::Survey if classify => KeepOrigin::Always,
                            Cloud::Survey if compare.is_some() => KeepOrigin::WhereCompared,
                            _ => KeepOrigin::Never,
                        };
                        chain.tiles.push(Box::new(FilterGround {
                            options: options.clone(),
                            cloud,
                            keep_origin,
                        }));
                        if cloud == Cloud::Survey && classify {
                            chain.tiles.push(Box::new(ClassifyCells {
                                canopy: summarise.canopy(),
                                slope_breaks: summarise.asked_slope_breaks().to_vec(),
                                cell: options.cell,
                            }));
                        }
                    }
                }
                Stage::Checkpoints(options) => {
                    let compare = compare.clone().unwrap_or_default();
                    chain.tiles.push(Box::new(DrawCheckpoints { options: options.clone(), compare, seed }));
                }
                Stage::Compare(options) => {
                    let summarise = summarise.clone();
                    chain.tiles.push(Box::new(CompareTile { options: options.clone(), summarise }));
                }
                Stage::Summarise(options) => {
                    if filtered.contains(&Cloud::Survey) {
                        chain.terrain_cell = Some(options.terrain_cell);
                        chain.tiles.push(Box::new(SumTerrain { cell: options.terrain_cell }));
                    }
                    let by_cell = classify && filtered.contains(&Cloud::Survey);
                    chain.tiles.push(Box::new(CountTile { options: options.clone(), by_cell }));
                }
            }
        }
        chain
    }

    /// The fields that must be decoded.
    pub fn fields_read(&self) -> Fields {
        self.while_reading.iter().fold(self.fields_of_tiles(), |all, (_, _, keep)| all.or(keep.fields()))
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

/// Both clouds.
fn clouds() -> impl Iterator<Item = Cloud> {
    [Cloud::Survey, Cloud::Reference].into_iter()
}
