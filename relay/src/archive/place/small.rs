//! A small store for tests, which does what it is told to do wrong.

#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::archive::store::locked;
use crate::config::{ByteCount, Credentials, PasswordSource, Store};

/// A request.
#[derive(Debug, Clone)]
pub(super) struct Asked {
    pub(super) method: String,
    /// Below the bucket, with its query.
    pub(super) object: String,
    pub(super) is_conditional: bool,
    pub(super) sum: String,
    pub(super) length: usize,
}

impl Asked {
    /// None at the end of the connection.
    pub(super) fn read(client: &mut BufReader<TcpStream>) -> Option<Self> {
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            if client.read_until(b'\n', &mut head).ok()? == 0 {
                return None;
            }
        }
        let head = String::from_utf8(head).unwrap();
        let mut lines = head.lines();
        let mut first = lines.next().unwrap().split(' ');
        let method = first.next().unwrap().to_owned();
        let path = first.next().unwrap().to_owned();
        let fields: BTreeMap<String, &str> = lines
            .filter_map(|line| line.split_once(": "))
            .map(|(name, value)| (name.to_lowercase(), value))
            .collect();
        let field = |name: &str| fields.get(name).copied().unwrap_or_default();
        Some(Self {
            method,
            object: path
                .trim_start_matches("/yard")
                .trim_start_matches('/')
                .to_owned(),
            is_conditional: field("if-none-match") == "*",
            sum: field("x-amz-checksum-sha256").to_owned(),
            length: field("content-length").parse().unwrap_or(0),
        })
    }

    pub(super) fn is(&self, method: &str, part: &str) -> bool {
        self.method == method && self.object.contains(part)
    }
}

/// A status and the code of an error.
pub(super) type Wrong = (u16, &'static str);

pub(super) fn answer(mut client: &TcpStream, status: u16, fields: &str, body: &[u8]) {
    let length = body.len();
    let head = format!(
        "HTTP/1.1 {status} so\r\nContent-Length: {length}\r\nConnection: close\r\n\
         Last-Modified: Mon, 04 May 2026 07:31:00 GMT\r\nETag: \"e\"\r\n{fields}\r\n"
    );
    client.write_all(head.as_bytes()).ok();
    client.write_all(body).ok();
}

pub(super) fn listen(serve: impl Fn(BufReader<TcpStream>) + Send + Sync + 'static) -> SocketAddr {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    // Before a connection comes: its window is what it is then.
    rustix::net::sockopt::set_socket_recv_buffer_size(&listener, 64 << 10).unwrap();
    let address = listener.local_addr().unwrap();
    let serve = Arc::new(serve);
    std::thread::spawn(move || {
        for client in listener.incoming().flatten() {
            let serve = Arc::clone(&serve);
            std::thread::spawn(move || serve(BufReader::new(client)));
        }
    });
    address
}

/// What is in the store, and what was asked of it.
#[derive(Debug, Default)]
pub(super) struct Inside {
    pub(super) objects: BTreeMap<String, Vec<u8>>,
    pub(super) asked: Vec<Asked>,
    parts: Vec<u8>,
}

/// A store with a bucket `yard`.
#[derive(Debug, Clone)]
pub(super) struct Small {
    pub(super) address: SocketAddr,
    pub(super) inside: Arc<Mutex<Inside>>,
}

impl Small {
    /// `wrong` is asked first, once the request is read. `heeds`: whether a condition is heeded.
    pub(super) fn start(
        wrong: impl Fn(&Asked) -> Option<Wrong> + Send + Sync + 'static,
        heeds: impl Fn(&Asked) -> bool + Send + Sync + 'static,
    ) -> Self {
        let inside = Arc::new(Mutex::new(Inside::default()));
        let shared = Arc::clone(&inside);
        let address = listen(move |mut client| {
            let Some(asked) = Asked::read(&mut client) else {
                return;
            };
            let mut body = vec![0; asked.length];
            if client.read_exact(&mut body).is_err() {
                return;
            }
            let mut inside = locked(&shared);
            inside.asked.push(asked.clone());
            let client = client.get_ref();
            if let Some((status, code)) = wrong(&asked) {
                let text = format!("<Error><Code>{code}</Code></Error>");
                let is_bare = asked.method == "HEAD" || code.is_empty();
                return answer(
                    client,
                    status,
                    "",
                    if is_bare { b"" } else { text.as_bytes() },
                );
            }
            let is_refused = asked.is_conditional && heeds(&asked);
            inside.serve(client, &asked, body, is_refused);
        });
        Self { address, inside }
    }

    /// One that is as it should be.
    pub(super) fn good() -> Self {
        Self::start(|_| None, |_| true)
    }

    pub(super) fn options(&self, folder: &Path) -> Store {
        options(self.address, folder)
    }
}

impl Inside {
    fn serve(&mut self, client: &TcpStream, asked: &Asked, body: Vec<u8>, is_refused: bool) {
        let (object, query) = asked.object.split_once('?').unwrap_or((&asked.object, ""));
        let refuse = || {
            answer(
                client,
                412,
                "",
                b"<Error><Code>PreconditionFailed</Code></Error>",
            )
        };
        let is_taken = is_refused && self.objects.contains_key(object);
        let sum = format!("x-amz-checksum-sha256: {}\r\n", asked.sum);
        match (asked.method.as_str(), query) {
            ("PUT", query) if query.contains("partNumber") => {
                self.parts.extend(body);
                answer(client, 200, &sum, b"");
            }
            ("PUT", _) if is_taken => refuse(),
            ("PUT", _) => {
                self.objects.insert(object.to_owned(), body);
                answer(client, 200, &sum, b"");
            }
            ("POST", query) if query.starts_with("uploads") => {
                self.parts.clear();
                let text = "<InitiateMultipartUploadResult><Bucket>yard</Bucket><Key>k</Key>\
                            <UploadId>7</UploadId></InitiateMultipartUploadResult>";
                answer(client, 200, "", text.as_bytes());
            }
            ("POST", "delete") => {
                let text = String::from_utf8(body).unwrap();
                for key in text.split("<Key>").skip(1) {
                    self.objects.remove(key.split('<').next().unwrap());
                }
                answer(
                    client,
                    200,
                    "",
                    b"<DeleteResult><Deleted><Key>k</Key></Deleted></DeleteResult>",
                );
            }
            ("POST", _) if is_taken => refuse(),
            ("POST", _) => {
                let whole = std::mem::take(&mut self.parts);
                self.objects.insert(object.to_owned(), whole);
                let text = "<CompleteMultipartUploadResult><Location>l</Location><Bucket>yard</Bucket>\
                            <Key>k</Key><ETag>e</ETag></CompleteMultipartUploadResult>";
                answer(client, 200, "", text.as_bytes());
            }
            ("DELETE", query) => {
                if query.is_empty() {
                    self.objects.remove(object);
                }
                answer(client, 204, "", b"");
            }
            ("HEAD" | "GET", _) => match self.objects.get(object) {
                Some(content) if asked.method == "HEAD" => {
                    let head = format!(
                        "HTTP/1.1 200 so\r\nContent-Length: {}\r\nConnection: close\r\n\
                         Last-Modified: Mon, 04 May 2026 07:31:00 GMT\r\nETag: \"e\"\r\n\r\n",
                        content.len()
                    );
                    let mut client = client;
                    client.write_all(head.as_bytes()).ok();
                }
                Some(content) => answer(client, 200, "", content),
                None if asked.method == "HEAD" => answer(client, 404, "", b""),
                None => answer(client, 404, "", b"<Error><Code>NoSuchKey</Code></Error>"),
            },
            _ => answer(client, 501, "", b""),
        }
    }
}

/// A store at an address, for those who are in no hurry.
pub(super) fn options(address: SocketAddr, folder: &Path) -> Store {
    let key = folder.join("store.key");
    std::fs::write(&key, "secret").unwrap();
    Store {
        bucket: "yard".into(),
        prefix: String::new(),
        endpoint: format!("http://{address}"),
        region: "us-east-1".into(),
        path_style: true,
        credentials: Credentials {
            username: "relay".into(),
            password: PasswordSource::File(key),
        },
        ca_file: None,
        connect: Duration::from_secs(5),
        silence: Duration::from_secs(20),
        request: Duration::from_secs(20),
        multipart_over: ByteCount::mib(64),
        read_back: false,
        cache: ByteCount::mib(64),
    }
}
