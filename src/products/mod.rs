//! What a run hands over for other programs to open, beside its results: where such files are written and noted
//! ([`staging`]), what they say of where they come from ([`origin`]), and their formats, each behind one file.
//!
//! The bytes of a product are the same whatever the tiles, the threads, the memory or an interruption, so none holds a time or a
//! path.

#[cfg(feature = "geopackage")]
pub(crate) mod geopackage;
pub mod geotiff;
pub mod origin;
pub mod staging;
