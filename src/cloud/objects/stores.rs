//! The stores that addresses lead to, each made once.

use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use glob::{MatchOptions, Pattern};
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::client::{HttpClient, HttpConnector, ReqwestConnector};
use object_store::http::HttpBuilder;
use object_store::path::Path;
use object_store::{ClientConfigKey, ClientOptions, ListResult, ObjectStore};

use crate::cloud::address::{Parts, shown};
use crate::cloud::objects::error::ObjectError;
use crate::cloud::objects::object::Object;
use crate::cloud::objects::readable::readable;
use crate::cloud::objects::refused::refused;
use crate::cloud::objects::work::Work;

/// Time after which a connection, or an answer that no longer grows, counts as failed and is asked for again.
const CONNECTING: Duration = Duration::from_secs(10);
const STALLED: Duration = Duration::from_secs(30);

/// Time that an answer may take in all.
const LONGEST: Duration = Duration::from_secs(600);

/// The stores of one run. Clones share them.
#[derive(Clone, Default)]
pub struct Stores(Arc<Inner>);

#[derive(Default)]
struct Inner {
    work: OnceLock<Arc<Work>>,
    /// Those that were put in, by scheme and host.
    given: Mutex<HashMap<String, Arc<dyn ObjectStore>>>,
    /// Those that were made, by scheme and host; signatures of addresses are part of it.
    made: Mutex<HashMap<String, Arc<dyn ObjectStore>>>,
    /// The client for https://, and the one for this machine, where http:// is allowed, too.
    clients: [OnceLock<HttpClient>; 2],
}

impl fmt::Debug for Stores {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Stores")
    }
}

impl Stores {
    /// Lets the addresses of a scheme and host, such as `s3://bucket` or `https://data.example`, lead to this store.
    pub fn put(&self, scheme_and_host: &str, store: Arc<dyn ObjectStore>) {
        locked(&self.0.given).insert(scheme_and_host.to_string(), store);
    }

    /// The object at an address. Nothing is asked of its store yet.
    ///
    /// # Errors
    /// Why the address cannot be used, and what to do.
    pub fn object(&self, address: &str) -> Result<Object, String> {
        let parts = readable(address)?;
        let place = match parts.scheme.eq_ignore_ascii_case("s3") {
            true => Path::parse(parts.path),
            false => Path::from_url_path(parts.path),
        };
        let place =
            place.map_err(|error| format!("`{}` is no address of an object: {error}", shown(address)))?;
        Ok(Object::new(shown(address), self.store(&parts)?, place, self.work()?))
    }

    /// The objects that a pattern of an address leads to, sorted. Its folders are listed one by one.
    ///
    /// # Errors
    /// Where the pattern makes no sense, or the store does not list what it has.
    pub fn matching(&self, pattern: &str) -> Result<Vec<Object>, String> {
        let parts = readable(pattern)?;
        let named = shown(pattern);
        if !parts.scheme.eq_ignore_ascii_case("s3") {
            return Err(format!(
                "`{named}`: a web server does not tell which files it has: name each address"
            ));
        }
        let (store, work) = (self.store(&parts)?, self.work()?);
        let steps: Vec<&str> = parts.path.split('/').collect();
        if steps.contains(&"**") {
            return Err(format!(
                "`{named}`: `**` is for folders of this machine: name the folders of the bucket"
            ));
        }
        let mut folders = vec![String::new()];
        for (index, step) in steps.iter().enumerate() {
            let is_last = index + 1 == steps.len();
            if !is_last && !step.contains(WILDCARDS) {
                folders.iter_mut().for_each(|folder| *folder = joined(folder, step));
                continue;
            }
            let wanted = Pattern::new(step)
                .map_err(|error| format!("`{named}` is no valid pattern: {}", error.msg))?;
            let mut next = Vec::new();
            for folder in &folders {
                let prefix = (!folder.is_empty()).then(|| Path::parse(folder)).transpose();
                let prefix = prefix.map_err(|error| format!("`{named}` is no valid pattern: {error}"))?;
                let listed = work.run(store.list_with_delimiter(prefix.as_ref()));
                let ListResult { objects, common_prefixes, .. } =
                    listed.map_err(|error| match refused(error) {
                        ObjectError::Refused { what, remedy } => {
                            format!("`{named}` cannot be listed: {what}. {remedy}")
                        }
                        ObjectError::Changed => format!("`{named}` cannot be listed"),
                    })?;
                let found: Vec<Path> = if is_last {
                    objects.into_iter().map(|meta| meta.location).collect()
                } else {
                    common_prefixes
                };
                let fits =
                    |place: &Path| place.filename().is_some_and(|name| wanted.matches_with(name, EXACT));
                next.extend(found.into_iter().filter(fits).map(String::from));
            }
            folders = next;
        }
        folders.sort();
        let address = |place: &String| format!("{}://{}/{place}", parts.scheme, parts.host);
        let object = |place: &String| {
            let path = Path::parse(place).map_err(|error| format!("`{named}`: {error}"))?;
            Ok(Object::new(shown(&address(place)), store.clone(), path, work.clone()))
        };
        folders.iter().map(object).collect()
    }

    fn work(&self) -> Result<Arc<Work>, String> {
        if let Some(work) = self.0.work.get() {
            return Ok(work.clone());
        }
        let work = Arc::new(
            Work::start().map_err(|error| format!("no thread for connections could be started: {error}"))?,
        );
        Ok(self.0.work.get_or_init(|| work).clone())
    }

    /// The store that an address leads to.
    fn store(&self, parts: &Parts<'_>) -> Result<Arc<dyn ObjectStore>, String> {
        let scheme = parts.scheme.to_ascii_lowercase();
        let host = format!("{scheme}://{}", parts.host);
        if let Some(store) = locked(&self.0.given).get(&host) {
            return Ok(store.clone());
        }
        let base = parts.query.map_or_else(|| format!("{host}/"), |query| format!("{host}/?{query}"));
        if let Some(store) = locked(&self.0.made).get(&base) {
            return Ok(store.clone());
        }
        let store =
            if scheme == "s3" { self.bucket(parts.host) } else { self.server(&base, scheme == "http") };
        let store = store.map_err(|error| match refused(error) {
            ObjectError::Refused { what, .. } => format!("addresses of {host} cannot be read: {what}"),
            ObjectError::Changed => format!("addresses of {host} cannot be read"),
        })?;
        locked(&self.0.made).insert(base, store.clone());
        Ok(store)
    }

    /// A bucket; the environment says where it is and who asks.
    fn bucket(&self, name: &str) -> object_store::Result<Arc<dyn ObjectStore>> {
        use_ring();
        let seconds = |time: Duration| format!("{} seconds", time.as_secs());
        let builder = AmazonS3Builder::from_env()
            .with_bucket_name(name)
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::Timeout), seconds(LONGEST))
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::ReadTimeout), seconds(STALLED))
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::ConnectTimeout), seconds(CONNECTING));
        Ok(Arc::new(builder.build()?))
    }

    /// A web server.
    fn server(&self, base: &str, is_own_machine: bool) -> object_store::Result<Arc<dyn ObjectStore>> {
        let place = &self.0.clients[usize::from(is_own_machine)];
        let client = match place.get() {
            Some(client) => client.clone(),
            None => {
                use_ring();
                let options = ClientOptions::new()
                    .with_allow_http(is_own_machine)
                    .with_timeout(LONGEST)
                    .with_read_timeout(STALLED)
                    .with_connect_timeout(CONNECTING);
                let client = ReqwestConnector::default().connect(&options)?;
                place.get_or_init(|| client).clone()
            }
        };
        let builder = HttpBuilder::new().with_url(base).with_http_connector(OneClient(client));
        Ok(Arc::new(builder.build()?))
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One client for all servers, so that connections are shared.
#[derive(Debug)]
struct OneClient(HttpClient);

impl HttpConnector for OneClient {
    fn connect(&self, _: &ClientOptions) -> object_store::Result<HttpClient> {
        Ok(self.0.clone())
    }
}

/// TLS by `ring`, unless something else was chosen in this process before.
fn use_ring() {
    let _ = rustls::crypto::ring::default_provider().install_default();
}

/// What characters make a pattern.
pub(super) const WILDCARDS: [char; 3] = ['*', '?', '['];

/// As patterns of files are matched.
const EXACT: MatchOptions =
    MatchOptions { case_sensitive: true, require_literal_separator: true, require_literal_leading_dot: true };

fn joined(folder: &str, step: &str) -> String {
    if folder.is_empty() { step.to_string() } else { format!("{folder}/{step}") }
}
