//! One object: its size and version, asked for once, and ranges of its bytes.

use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use object_store::path::Path;
use object_store::{Error, GetOptions, ObjectMeta, ObjectStore};
use tokio::task::JoinHandle;

use crate::cloud::objects::error::ObjectError;
use crate::cloud::objects::refused::{AGAIN, plain, refused};
use crate::cloud::objects::work::Work;

/// An object at an address. Clones share what is known of it.
#[derive(Clone)]
pub struct Object(Arc<Inner>);

struct Inner {
    /// Its address, without user and query.
    shown: String,
    store: Arc<dyn ObjectStore>,
    place: Path,
    work: Arc<Work>,
    known: OnceLock<Known>,
    /// Ranges that are on their way, by offset and length.
    coming: Mutex<HashMap<(u64, u64), JoinHandle<Fetched>>>,
}

/// What an answer says of an object, and the bytes of a range.
type Fetched = Result<(ObjectMeta, Vec<u8>), Error>;

/// What every answer must agree with.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Known {
    size: u64,
    /// The entity tag; or the time of change in words, where the store gives no tag.
    version: String,
    tagged: bool,
}

impl Known {
    fn of(meta: &ObjectMeta) -> Self {
        let version = meta.e_tag.clone().unwrap_or_else(|| meta.last_modified.to_rfc2822());
        Known { size: meta.size, version, tagged: meta.e_tag.is_some() }
    }

    /// The tag, where it is a strong one: RFC 9110, section 8.8.1.
    fn strong(&self) -> Option<&String> {
        Some(&self.version).filter(|tag| self.tagged && !tag.starts_with("W/"))
    }
}

impl fmt::Debug for Object {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Object").field(&self.0.shown).finish()
    }
}

impl Object {
    pub(super) fn new(shown: String, store: Arc<dyn ObjectStore>, place: Path, work: Arc<Work>) -> Self {
        Object(Arc::new(Inner {
            shown,
            store,
            place,
            work,
            known: OnceLock::new(),
            coming: Mutex::default(),
        }))
    }

    /// Its address, without user and query.
    pub(in crate::cloud) fn shown(&self) -> &str {
        &self.0.shown
    }

    /// Its strong entity tag, once it was opened.
    pub(in crate::cloud) fn entity_tag(&self) -> Option<String> {
        self.0.known.get()?.strong().cloned()
    }

    /// Its size; and, where it was not opened before, its first bytes, `ahead` at the most: what an answer says of an object
    /// comes with a range of it, so that addresses that are signed for reading alone do, too.
    pub(in crate::cloud) fn open(&self, ahead: u64) -> Result<(u64, Vec<u8>), ObjectError> {
        if let Some(known) = self.0.known.get() {
            return Ok((known.size, Vec::new()));
        }
        let (meta, start) = match self.fetch(0, ahead, None) {
            Ok(fetched) => fetched,
            // There is no range of nothing.
            Err(error) if is_out_of_range(&error) => match self.head()? {
                meta if meta.size == 0 => (meta, Vec::new()),
                _ => return Err(refused(error)),
            },
            Err(error) => return Err(refused(error)),
        };
        let found = Known::of(&meta);
        if *self.0.known.get_or_init(|| found.clone()) != found {
            return Err(ObjectError::Changed);
        }
        Ok((found.size, start))
    }

    /// Asks for `length` bytes from `offset` on, which will be read soon, and does not wait for them. Nothing is asked of an
    /// object that was not opened.
    pub(in crate::cloud) fn ask(&self, offset: u64, length: u64) {
        let Some(known) = self.0.known.get() else { return };
        let asked = self.0.work.start_on(self.asked(offset, length, known.strong()));
        self.coming().insert((offset, length), asked);
    }

    fn coming(&self) -> MutexGuard<'_, HashMap<(u64, u64), JoinHandle<Fetched>>> {
        self.0.coming.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds `length` bytes from `offset` on to the end of `to`, in one request.
    pub(in crate::cloud) fn read(
        &self,
        offset: u64,
        length: u64,
        to: &mut Vec<u8>,
    ) -> Result<(), ObjectError> {
        let known = self.0.known.get();
        let coming = self.coming().remove(&(offset, length));
        let came = coming.and_then(|asked| self.0.work.run(asked).ok());
        let came = came.unwrap_or_else(|| self.fetch(offset, length, known.and_then(Known::strong)));
        let (meta, bytes) = came.map_err(refused)?;
        if known.is_some_and(|known| *known != Known::of(&meta)) {
            return Err(ObjectError::Changed);
        }
        if bytes.len() as u64 != length {
            let what = format!("only {} of {length} bytes arrived", bytes.len());
            return Err(ObjectError::Refused { what, remedy: AGAIN });
        }
        if to.is_empty() {
            *to = bytes;
        } else {
            to.extend_from_slice(&bytes);
        }
        Ok(())
    }

    fn fetch(&self, offset: u64, length: u64, tag: Option<&String>) -> Fetched {
        self.0.work.run(self.asked(offset, length, tag))
    }

    /// Holds neither the object nor the runtime: what works for an object must not outlive them.
    fn asked(
        &self,
        offset: u64,
        length: u64,
        tag: Option<&String>,
    ) -> impl Future<Output = Fetched> + Send + use<> {
        let options = GetOptions {
            range: Some((offset..offset.saturating_add(length)).into()),
            if_match: tag.cloned(),
            ..GetOptions::default()
        };
        let (store, place) = (self.0.store.clone(), self.0.place.clone());
        async move {
            let found = store.get_opts(&place, options).await?;
            let meta = found.meta.clone();
            Ok((meta, found.bytes().await?.into()))
        }
    }

    fn head(&self) -> Result<ObjectMeta, ObjectError> {
        let options = GetOptions { head: true, ..GetOptions::default() };
        let asked = self
            .0
            .work
            .run(async { self.0.store.get_opts(&self.0.place, options).await.map(|found| found.meta) });
        asked.map_err(refused)
    }
}

/// Whether an answer is that an object ends before a range: status 416, or the words of stores that are no servers.
fn is_out_of_range(error: &Error) -> bool {
    let text = plain(error);
    matches!(error, Error::Generic { .. })
        && (text.contains("416") || text.contains("Wanted range starting at"))
}
