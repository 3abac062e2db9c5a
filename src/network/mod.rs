//! The control network of `echograde adjust`: its file, its observations, their adjustment and what is written of it.
//!
//! [`load()`] reads the file and the tables that it names, all problems at once; [`adjust`] turns them into observations for the
//! least squares of [`crate::control`], in metres and radians, and gives an [`Adjustment`] in the units of the file. Nothing here
//! depends on the order of rows: points are numbered by name, observations by what they are of and their values.

mod adjusted;
mod angle;
mod approximate;
mod assemble;
mod datum;
mod equations;
mod file;
mod inputs;
mod levels;
mod load;
mod positions;
mod results;
mod rows;
mod tables;
mod total_station;

#[cfg(test)]
mod tests;

pub use adjusted::NetworkError;
pub(crate) use adjusted::{adjust, name};
pub use load::LoadError;
pub(crate) use load::load;
pub(crate) use results::{Adjustment, ObservationRow, PointRow, SuggestedRow};
pub(crate) use tables::{adjusted_csv, adjustment_json};
