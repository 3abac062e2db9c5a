//! The terrain model as it is handed over: rasters over the whole survey. Tiles give their ground points back, packed by the
//! ground that they lie on ([`ground`]); once it is known which returns to use, a raster is made part by part
//! ([`patch`]) from the points around each, by the facets over its cells ([`facets`]) and the scatter of the points
//! about their planes ([`scatter`]). No part knows of the others: a cell is the same wherever the parts are cut.

mod corners;
pub(crate) mod facets;
pub(crate) mod ground;
pub(crate) mod patch;
pub(crate) mod scatter;
mod search;
