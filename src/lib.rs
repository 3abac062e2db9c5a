//! How well the ground of an airborne lidar survey agrees with a better measurement of the same ground,
//! return by return: a streaming, out-of-core tool driven by a pipeline file.
//!
//! The rooms, in the order that data walks through them: [`cli`] (the command line) → [`pipeline`] (the file:
//! model, units, checking, schema) → [`engine`] (scatter, tiles, gather) → [`cloud`] (reading point files) →
//! [`stages`] (one file a stage) → [`raster`] → [`stats`] → [`terrain`] → [`standards`] → [`report`].

#![forbid(unsafe_code)]

pub mod cli;
pub mod cloud;
pub mod engine;
pub mod pipeline;
pub mod raster;
pub mod report;
pub mod stages;
pub mod standards;
pub mod stats;
pub mod terrain;
pub mod trust;
