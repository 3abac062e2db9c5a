//! All that is known of a run before a point is read: the clouds, their units, the size of the tiles, memory and disk.

pub(crate) mod added;
pub(crate) mod areas;
pub(crate) mod budget;
pub(crate) mod cloud_job;
pub(crate) mod copies;
pub(crate) mod days;
pub(crate) mod edge;
pub(crate) mod fitting;
pub(crate) mod forecast;
pub(crate) mod inputs;
pub mod job;
pub(crate) mod list_job;
pub(crate) mod placing;
pub(crate) mod registering;
pub(crate) mod setups;
pub mod sites;
pub(crate) mod systems;
pub(crate) mod together;
pub(crate) mod units;
