//! Objects at addresses, `https://…` and `s3://…`: all that knows of stores and their client is in this folder.
//!
//! [`Stores`] makes an [`Object`] of an address, and an object reads ranges of bytes. Without the feature `remote` there are
//! no objects: [`Stores`] then says of each address what to do instead.

#[cfg(not(feature = "remote"))]
mod absent;
mod error;
#[cfg(feature = "remote")]
mod object;
mod readable;
#[cfg(feature = "remote")]
mod refused;
#[cfg(feature = "remote")]
mod stores;
#[cfg(feature = "remote")]
mod work;

#[cfg(not(feature = "remote"))]
pub use self::absent::{Object, Stores};
pub(in crate::cloud) use self::error::ObjectError;
#[cfg(feature = "remote")]
pub use self::object::Object;
#[cfg(feature = "remote")]
pub use self::stores::Stores;
