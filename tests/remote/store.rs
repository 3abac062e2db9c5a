//! A store around another that counts what is asked of it, and fails where a test wants it to.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex};

use async_trait::async_trait;
use futures_core::stream::BoxStream;
use object_store::path::Path;
use object_store::{
    CopyOptions, Error, GetOptions, GetRange, GetResult, ListResult, MultipartUpload, ObjectMeta,
    ObjectStore, PutMultipartOptions, PutOptions, PutPayload, PutResult, Result,
};

/// What was asked of an object.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Asked {
    pub requests: u64,
    pub bytes: u64,
    /// The shortest range, bytes.
    pub shortest: u64,
}

/// What happens to a request.
pub enum Fate {
    Answered,
    Refused,
}

type Judge = Box<dyn Fn(&str, u64) -> Fate + Send + Sync>;

/// The store.
pub struct Counting {
    inner: Arc<dyn ObjectStore>,
    asked: Mutex<BTreeMap<String, Asked>>,
    /// Told of each request: the object, and how many there were before.
    judge: Judge,
}

impl Counting {
    pub fn new(inner: impl ObjectStore) -> Arc<Self> {
        Counting::judged(inner, |_, _| Fate::Answered)
    }

    pub fn judged(
        inner: impl ObjectStore,
        judge: impl Fn(&str, u64) -> Fate + Send + Sync + 'static,
    ) -> Arc<Self> {
        Arc::new(Counting { inner: Arc::new(inner), asked: Mutex::default(), judge: Box::new(judge) })
    }

    /// What was asked of each object since the last time.
    pub fn take(&self) -> BTreeMap<String, Asked> {
        std::mem::take(&mut *self.asked.lock().unwrap())
    }
}

impl fmt::Debug for Counting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Counting")
    }
}

impl fmt::Display for Counting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Counting")
    }
}

#[async_trait]
impl ObjectStore for Counting {
    async fn get_opts(&self, place: &Path, options: GetOptions) -> Result<GetResult> {
        let before = {
            let mut asked = self.asked.lock().unwrap();
            let one = asked.entry(place.to_string()).or_default();
            one.requests += 1;
            one.requests - 1
        };
        assert!(options.head || matches!(options.range, Some(GetRange::Bounded(_))), "{options:?}");
        if let Fate::Refused = (self.judge)(place.as_ref(), before) {
            return Err(Error::Generic { store: "test", source: "it is out of order".into() });
        }
        let found = self.inner.get_opts(place, options).await?;
        let length = found.range.end - found.range.start;
        let mut asked = self.asked.lock().unwrap();
        let one = asked.entry(place.to_string()).or_default();
        one.bytes += length;
        one.shortest = if one.shortest == 0 { length } else { one.shortest.min(length) };
        Ok(found)
    }

    async fn list_with_delimiter(&self, prefix: Option<&Path>) -> Result<ListResult> {
        self.inner.list_with_delimiter(prefix).await
    }

    fn list(&self, _: Option<&Path>) -> BoxStream<'static, Result<ObjectMeta>> {
        unimplemented!("folders are listed one by one")
    }

    async fn put_opts(&self, _: &Path, _: PutPayload, _: PutOptions) -> Result<PutResult> {
        unimplemented!("inputs are read")
    }

    async fn put_multipart_opts(&self, _: &Path, _: PutMultipartOptions) -> Result<Box<dyn MultipartUpload>> {
        unimplemented!("inputs are read")
    }

    fn delete_stream(&self, _: BoxStream<'static, Result<Path>>) -> BoxStream<'static, Result<Path>> {
        unimplemented!("inputs are read")
    }

    async fn copy_opts(&self, _: &Path, _: &Path, _: CopyOptions) -> Result<()> {
        unimplemented!("inputs are read")
    }
}
