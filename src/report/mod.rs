//! What a run leaves behind: tables, the page and the printed result.

pub mod summary;
