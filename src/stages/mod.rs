//! The stages: one file each, with its options, its docs, its work, what it gives back and its tests together.
//!
//! A stage of the pipeline file is its options, which implement [`stage::StageOptions`]; [`list`] names them
//! all. What works on tiles implements [`stage::TileStage`]. A stage that counts something takes no more than this:
//!
//! ```
//! use echograde::cloud::point::Point;
//! use echograde::stages::stage::{TileStage, Visitor};
//! use echograde::tile::at_work::Tile;
//! use echograde::tile::points::{Cloud, PointSet};
//! use echograde::tile::yields::{YieldError, Yields};
//!
//! /// Counts the survey's points of one class.
//! struct CountClass(u8);
//!
//! impl TileStage for CountClass {
//!     fn visitor<'a>(&'a self, _: &mut Tile<'_>, _: Option<echograde::raster::Raster>) -> Option<Box<dyn Visitor + 'a>> {
//!         Some(Box::new(Counter { class: self.0, count: 0 }))
//!     }
//!
//!     fn conclude(&self, yields: &dyn Yields) -> Result<Option<(String, serde_json::Value)>, YieldError> {
//!         let mut count = 0;
//!         yields.for_each("class", &mut |bytes| {
//!             bytes.as_chunks().0.iter().for_each(|one| count += u64::from_le_bytes(*one));
//!             Some(())
//!         })?;
//!         Ok(Some((format!("class_{}", self.0), count.into())))
//!     }
//! }
//!
//! struct Counter { class: u8, count: u64 }
//!
//! impl Visitor for Counter {
//!     fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
//!         let counts = |point: &&Point| cloud == Cloud::Survey && point.class == self.class;
//!         self.count += piece.points[..piece.core].iter().filter(counts).count() as u64;
//!     }
//!
//!     fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
//!         tile.sections.of("class").extend(self.count.to_le_bytes());
//!     }
//! }
//! ```

pub(crate) mod acceptance_limit;
pub(crate) mod agreement;
pub(crate) mod alone;
pub mod alternative;
pub(crate) mod apart;
pub(crate) mod asked;
pub mod auto;
pub(crate) mod beside;
pub(crate) mod cell_attributes;
pub mod chain;
pub(crate) mod checkpoint_table;
pub(crate) mod checkpoints;
pub(crate) mod compare;
pub(crate) mod compare_filters;
pub mod compared;
pub(crate) mod counts;
pub(crate) mod cover;
pub(crate) mod cross_check;
pub(crate) mod delivered_ground;
pub(crate) mod draw;
pub mod export;
pub(crate) mod filter_ground;
pub(crate) mod filters_found;
pub(crate) mod gathered;
pub mod ground;
pub(crate) mod ground_limits;
pub(crate) mod kept_dz;
pub(crate) mod kept_limits;
pub(crate) mod ladder;
pub(crate) mod later_selects;
pub mod left_out;
pub mod list;
pub(crate) mod local_gradient;
pub mod matching;
pub(crate) mod matching_sums;
pub(crate) mod method;
pub mod plane_sums;
pub(crate) mod read;
pub mod refused;
pub(crate) mod relief;
pub(crate) mod search;
pub mod select;
pub(crate) mod setup_sums;
pub mod sites;
pub(crate) mod spacing;
pub mod stage;
pub mod summarise;
pub(crate) mod terrain;
pub(crate) mod terrain_cells;
pub mod triangulated;
