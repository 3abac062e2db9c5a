//! What a run hands over for other programs to open, beside its results: where such files are written and noted
//! ([`staging`]), and what they say of where they come from ([`origin`]). A format that another crate writes is behind one file here.
//!
//! The bytes of a product are the same whatever the tiles, the threads, the memory or an interruption, so none holds a time or a
//! path.

#[cfg(feature = "geopackage")]
pub(crate) mod geopackage;
pub mod origin;
pub mod staging;
