//! The pipeline file: model, units, checking, schema.

pub mod units;
