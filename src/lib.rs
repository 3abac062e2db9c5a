//! How well the ground of an airborne lidar survey agrees with a better measurement of the same ground,
//! return by return: a streaming, out-of-core tool driven by a pipeline file.
//!
//! The rooms, those that use others first: [`cli`] (the command line) → [`diff`] (two runs compared) and [`engine`] (runs, phase by phase) → [`trust`] (from
//! comparisons to a decision) and [`report`] (the page) → [`network`] (the control network) → [`pipeline`] (the pipeline file) →
//! [`stages`] (one file a stage) → [`registration`] (poses of scans), [`fit`] (the survey fitted to control) → [`results`] (what a
//! run found), [`agreement`], [`terrain`], [`siting`] (sites for checkpoints), [`products`] (files for other programs) → [`tile`] (what stages share) →
//! [`control`] (least squares), [`areas`], [`raster`], [`cloud`] (reading point
//! files) → [`stats`], [`standards`], [`units`].

#![forbid(unsafe_code)]
// The docs are for those who build the program: with private items, which public ones may link to.
#![allow(rustdoc::private_intra_doc_links)]

pub(crate) mod agreement;
pub mod areas;
pub mod cli;
pub mod cloud;
pub mod control;
pub(crate) mod diff;
pub mod engine;
pub mod fit;
pub(crate) mod network;
pub mod pipeline;
pub mod products;
pub mod raster;
pub mod registration;
pub(crate) mod report;
pub(crate) mod results;
pub mod siting;
pub mod stages;
pub(crate) mod standards;
pub mod stats;
pub(crate) mod terrain;
pub mod tile;
pub(crate) mod trust;
pub mod units;
