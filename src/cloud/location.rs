//! Where an input is: a file of this machine, or an object at an address.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use crate::cloud::files::file_name;
use crate::cloud::objects::Object;

/// Where an input is. It is named as people see it: an address without user and query, which may be secrets.
#[derive(Clone, Debug)]
pub struct Location {
    name: PathBuf,
    object: Option<Object>,
}

impl Location {
    /// Its path or address, for people and to tell inputs apart.
    pub fn path(&self) -> &Path {
        &self.name
    }

    /// Its name, without folders.
    pub fn name(&self) -> String {
        file_name(&self.name)
    }

    /// The object, where it is one.
    pub(in crate::cloud) fn object(&self) -> Option<&Object> {
        self.object.as_ref()
    }

    /// Whether it is an object at an address.
    pub fn is_object(&self) -> bool {
        self.object.is_some()
    }

    /// What its store says of an object's contents once it was opened, where that stands for them: a strong entity tag, which
    /// another content does not have.
    pub fn entity_tag(&self) -> Option<String> {
        self.object.as_ref()?.entity_tag()
    }

    /// Size and time of change of a file as they are now; nothing where it is not there. An object needs none of it: each
    /// answer of its store is held against the first.
    pub fn state(&self) -> Option<(u64, Option<SystemTime>)> {
        match self.object {
            Some(_) => None,
            None => fs::metadata(&self.name).ok().map(|data| (data.len(), data.modified().ok())),
        }
    }
}

impl From<PathBuf> for Location {
    fn from(name: PathBuf) -> Self {
        Location { name, object: None }
    }
}

impl From<&Path> for Location {
    fn from(name: &Path) -> Self {
        name.to_path_buf().into()
    }
}

impl From<&PathBuf> for Location {
    fn from(name: &PathBuf) -> Self {
        name.clone().into()
    }
}

impl From<&Location> for Location {
    fn from(location: &Location) -> Self {
        location.clone()
    }
}

impl From<Object> for Location {
    fn from(object: Object) -> Self {
        Location { name: object.shown().into(), object: Some(object) }
    }
}
