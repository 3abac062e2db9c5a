//! A web server on this machine that sends ranges of what it is given, and fails where a test wants it to.

use std::collections::{BTreeMap, HashMap};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;

/// What happens to a request.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fate {
    Answered,
    /// A status of HTTP, without content.
    Status(u16),
    /// The connection is closed after half of the answer.
    CutOff,
    /// The object is another from now on: another tag, other bytes.
    Changed,
    /// The whole object is sent, whatever range is asked for.
    Whole,
}

/// What was asked of an object.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Asked {
    pub requests: u64,
    pub bytes: u64,
}

type Judge = Box<dyn Fn(&str, u64) -> Fate + Send + Sync>;

struct Shared {
    objects: HashMap<String, Vec<u8>>,
    versions: Mutex<HashMap<String, u64>>,
    asked: Mutex<BTreeMap<String, Asked>>,
    /// What came with the requests behind `?`.
    queries: Mutex<Vec<String>>,
    judge: Judge,
}

/// The server. It ends with the test.
pub struct Server {
    shared: Arc<Shared>,
    /// Host and port.
    pub host: String,
}

impl Server {
    /// Serves objects by their paths; `judge` is told of each request: the object, and how many there were before.
    pub fn start(
        objects: impl IntoIterator<Item = (String, Vec<u8>)>,
        judge: impl Fn(&str, u64) -> Fate + Send + Sync + 'static,
    ) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let host = listener.local_addr().unwrap().to_string();
        let shared = Arc::new(Shared {
            objects: objects.into_iter().collect(),
            versions: Mutex::default(),
            asked: Mutex::default(),
            queries: Mutex::default(),
            judge: Box::new(judge),
        });
        let own = shared.clone();
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let shared = own.clone();
                // A connection that breaks is the client's matter.
                thread::spawn(move || while let Some(true) = shared.answer(&stream) {});
            }
        });
        Server { shared, host }
    }

    /// What was asked of each object since the last time.
    pub fn take(&self) -> BTreeMap<String, Asked> {
        std::mem::take(&mut *self.shared.asked.lock().unwrap())
    }

    /// What came with the requests behind `?` since the last time.
    pub fn queries(&self) -> Vec<String> {
        std::mem::take(&mut *self.shared.queries.lock().unwrap())
    }
}

impl Shared {
    /// Answers one request; nothing where the connection is over, `false` where it must be closed.
    fn answer(&self, stream: &TcpStream) -> Option<bool> {
        let mut lines =
            BufReader::new(stream).lines().map_while(Result::ok).take_while(|line| !line.is_empty());
        let first = lines.next()?;
        let headers: HashMap<String, String> = lines
            .filter_map(|line| line.split_once(':').map(|(k, v)| (k.to_lowercase(), v.trim().to_string())))
            .collect();
        let (method, target) = first.split_once(' ')?;
        let target = target.split(' ').next()?;
        let (path, query) = target.split_once('?').unwrap_or((target, ""));
        self.queries.lock().unwrap().push(query.to_string());
        if query.contains("list-type=2") {
            return self.list(stream, path, query);
        }
        let before = {
            let mut asked = self.asked.lock().unwrap();
            let one = asked.entry(path.to_string()).or_default();
            one.requests += 1;
            one.requests - 1
        };
        let fate = (self.judge)(path, before);
        let Some(object) = self.objects.get(path) else { return reply(stream, 404, "", &[]) };
        let version = {
            let mut versions = self.versions.lock().unwrap();
            let version = versions.entry(path.to_string()).or_insert(1);
            *version += u64::from(fate == Fate::Changed);
            *version
        };
        if let Fate::Status(status) = fate {
            return reply(stream, status, "", &[]);
        }
        let tag = format!("\"v{version}\"");
        if headers.get("if-match").is_some_and(|wanted| *wanted != tag) {
            return reply(stream, 412, "", &[]);
        }
        let size = object.len();
        let dated = format!("ETag: {tag}\r\nLast-Modified: Fri, 27 Nov 2026 10:00:00 GMT\r\n");
        let range = headers.get("range").and_then(|range| {
            let (from, to) = range.strip_prefix("bytes=")?.split_once('-')?;
            let from: usize = from.parse().ok()?;
            Some((from, to.parse::<usize>().map_or(size, |to| (to + 1).min(size))))
        });
        let Some((from, to)) = range.filter(|_| fate != Fate::Whole) else {
            let content = if method == "HEAD" { &[][..] } else { &object[..] };
            return send(stream, 200, &format!("{dated}Content-Length: {size}\r\n"), content);
        };
        if from >= size {
            return reply(stream, 416, &format!("Content-Range: bytes */{size}\r\n"), &[]);
        }
        let content = &object[from..to];
        self.asked.lock().unwrap().entry(path.to_string()).or_default().bytes += content.len() as u64;
        let head = format!(
            "{dated}Content-Range: bytes {from}-{}/{size}\r\nContent-Length: {}\r\n",
            to - 1,
            content.len()
        );
        if fate == Fate::CutOff {
            send(stream, 206, &head, &content[..content.len() / 2]);
            let _ = stream.shutdown(std::net::Shutdown::Both);
            return Some(false);
        }
        send(stream, 206, &head, content)
    }

    /// The objects of a bucket in one folder, as S3 lists them.
    fn list(&self, stream: &TcpStream, bucket: &str, query: &str) -> Option<bool> {
        let asked = |key: &str| {
            let value = query.split('&').find_map(|pair| pair.strip_prefix(key)?.strip_prefix('='));
            value.unwrap_or_default().replace("%2F", "/")
        };
        let prefix = asked("prefix");
        assert_eq!(asked("delimiter"), "/");
        let bucket = format!("{}/", bucket.trim_end_matches('/'));
        let mut keys: Vec<&str> = self.objects.keys().filter_map(|key| key.strip_prefix(&bucket)).collect();
        keys.sort_unstable();
        let mut content =
            String::from("<?xml version=\"1.0\"?><ListBucketResult><IsTruncated>false</IsTruncated>");
        let mut folders = Vec::new();
        for key in keys {
            let Some(rest) = key.strip_prefix(&prefix) else { continue };
            if let Some((folder, _)) = rest.split_once('/') {
                folders.push(format!("{prefix}{folder}/"));
                continue;
            }
            let size = self.objects[&format!("{bucket}{key}")].len();
            content += &format!(
                "<Contents><Key>{key}</Key><LastModified>2026-11-27T10:00:00.000Z</LastModified><ETag>\"v1\"</ETag>\
                 <Size>{size}</Size></Contents>"
            );
        }
        folders.dedup();
        for folder in folders {
            content += &format!("<CommonPrefixes><Prefix>{folder}</Prefix></CommonPrefixes>");
        }
        content += "</ListBucketResult>";
        reply(stream, 200, "Content-Type: application/xml\r\n", content.as_bytes())
    }
}

fn reply(stream: &TcpStream, status: u16, head: &str, content: &[u8]) -> Option<bool> {
    send(stream, status, &format!("{head}Content-Length: {}\r\n", content.len()), content)
}

fn send(mut stream: &TcpStream, status: u16, head: &str, content: &[u8]) -> Option<bool> {
    write!(stream, "HTTP/1.1 {status} Status\r\n{head}\r\n").ok()?;
    stream.write_all(content).ok()?;
    Some(true)
}
