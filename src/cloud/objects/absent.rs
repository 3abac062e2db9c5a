//! In place of objects where the program is built without them.

use std::convert::Infallible;

use crate::cloud::address::shown;
use crate::cloud::objects::error::ObjectError;
use crate::cloud::objects::readable::readable;

/// There are none.
#[derive(Clone, Debug)]
pub struct Object(Infallible);

/// There are none.
#[derive(Clone, Debug, Default)]
pub struct Stores(());

impl Stores {
    /// Says that addresses cannot be read, and what to do.
    ///
    /// # Errors
    /// Always.
    pub fn object(&self, address: &str) -> Result<Object, String> {
        readable(address)?;
        Err(format!(
            "`{}` is an address, which this build of echograde cannot read: download the file and name it, or install with \
             `cargo install --path . --features remote`",
            shown(address)
        ))
    }

    /// The same of a pattern.
    ///
    /// # Errors
    /// Always.
    pub fn matching(&self, pattern: &str) -> Result<Vec<Object>, String> {
        self.object(pattern).map(|object| vec![object])
    }
}

impl Object {
    pub(in crate::cloud) fn shown(&self) -> &str {
        match self.0 {}
    }

    pub(in crate::cloud) fn entity_tag(&self) -> Option<String> {
        match self.0 {}
    }

    pub(in crate::cloud) fn open(&self, _ahead: u64) -> Result<(u64, Vec<u8>), ObjectError> {
        match self.0 {}
    }

    pub(in crate::cloud) fn ask(&self, _offset: u64, _length: u64) {
        match self.0 {}
    }

    pub(in crate::cloud) fn read(
        &self,
        _offset: u64,
        _length: u64,
        _to: &mut Vec<u8>,
    ) -> Result<(), ObjectError> {
        match self.0 {}
    }
}
