//! What a run leaves behind: tables, the page and the printed result.

mod alarms;
mod chart;
mod decision;
pub mod html;
pub mod method;
mod standings;
pub mod summary;
mod svg;
pub mod tables;
pub mod text;
pub mod trust;
mod variogram;
pub mod words;

#[cfg(test)]
mod sample;
