//! Where products are written: beside the results, with which they appear whole or not at all, each noted with its hash.

use std::fs;
use std::io;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use serde::Serialize;

use crate::cloud::files::sha256;
use crate::products::origin::Origin;

/// A product that is written, as `manifest.json` lists it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Product {
    /// Its name in the run folder, with `/` where it lies in a folder of that.
    pub file: String,
    /// Bytes.
    pub bytes: u64,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// The stage that it comes from.
    pub stage: &'static str,
}

/// Why a product could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{}: {doing}: {source}", path.display())]
pub struct ProductError {
    /// The file.
    pub path: PathBuf,
    /// What was being done.
    pub doing: &'static str,
    /// What the system says.
    pub source: io::Error,
}

impl ProductError {
    /// What makes an error of what the system says.
    pub fn of(path: impl Into<PathBuf>, doing: &'static str) -> impl FnOnce(io::Error) -> Self {
        let path = path.into();
        move |source| ProductError { path, doing, source }
    }
}

/// The products of a run. Workers may add to them at the same time.
pub struct Products {
    folder: PathBuf,
    origin: Origin,
    written: Mutex<Vec<Product>>,
    notes: Mutex<Vec<String>>,
}

impl Products {
    /// None yet; they go into `folder`, where the results wait until all are there.
    pub fn new(folder: PathBuf, origin: Origin) -> Self {
        Products { folder, origin, written: Mutex::default(), notes: Mutex::default() }
    }

    /// What each product says of where it comes from.
    pub fn origin(&self) -> &Origin {
        &self.origin
    }

    /// Where a product is to be written; the folder that it lies in is made.
    ///
    /// # Errors
    /// Where the disk does not take that.
    pub fn place(&self, file: &str) -> Result<PathBuf, ProductError> {
        let path = self.folder.join(file);
        let parent = path.parent().unwrap_or(&self.folder);
        fs::create_dir_all(parent).map_err(ProductError::of(parent, "making the folder of a product"))?;
        Ok(path)
    }

    /// Notes a product that is written, at the place that [`Products::place`] gave.
    ///
    /// # Errors
    /// Where it cannot be read back for its hash.
    pub fn add(&self, file: &str, stage: &'static str) -> Result<(), ProductError> {
        let path = self.folder.join(file);
        let failed = |error| ProductError::of(&path, "reading a product for its hash")(error);
        let mut bytes = 0;
        let sha256 = sha256(&path, failed, |piece| {
            bytes += piece;
            Ok(())
        })?;
        let product = Product { file: file.to_string(), bytes, sha256, stage };
        self.written.lock().unwrap_or_else(PoisonError::into_inner).push(product);
        Ok(())
    }

    /// Notes what a person should know of products, in words.
    pub fn note(&self, note: String) {
        self.notes.lock().unwrap_or_else(PoisonError::into_inner).push(note);
    }

    /// All notes.
    pub fn notes(&self) -> Vec<String> {
        self.notes.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Whether none was added.
    pub fn is_empty(&self) -> bool {
        self.written.lock().unwrap_or_else(PoisonError::into_inner).is_empty()
    }

    /// All that were added, by name.
    pub fn finish(self) -> Vec<Product> {
        let mut written = self.written.into_inner().unwrap_or_else(PoisonError::into_inner);
        written.sort();
        written
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_are_listed_by_name_with_length_hash_and_stage() {
        let folder = tempfile::tempdir().unwrap();
        let products = Products::new(folder.path().to_path_buf(), Origin::new("A run", "f00".into()));
        for (file, text) in [("b.txt", "abc"), ("a/b.txt", "")] {
            fs::write(products.place(file).unwrap(), text).unwrap();
            products.add(file, "export").unwrap();
        }
        let missing = products.add("c.txt", "export").unwrap_err().to_string();
        assert!(missing.contains("c.txt"), "{missing}");
        // The hashes of FIPS 180-4's example and of nothing.
        let product = |file: &str, bytes, sha256: &str| Product {
            file: file.into(),
            bytes,
            sha256: sha256.into(),
            stage: "export",
        };
        assert_eq!(
            products.finish(),
            [
                product("a/b.txt", 0, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
                product("b.txt", 3, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            ]
        );
    }
}
