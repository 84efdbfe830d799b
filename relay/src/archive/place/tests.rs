#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use std::io::{BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::sleep;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::bucket::Bucket;
use super::small::{Asked, Small, answer, listen, options};
use super::*;
use crate::archive::away::AwayReason;
use crate::archive::checksum::fingerprint;
use crate::archive::disk::is_outage;
use crate::archive::mark::MARK;
use crate::archive::store::locked;
use crate::telemetry::Telemetry;

const NAME: &str = "gate/stills/2026-05-04/2026-05-04T073100.120Z.jpg";

struct Yard {
    dir: TempDir,
}

impl Yard {
    fn new() -> Self {
        let dir = TempDir::new().unwrap();
        Self { dir }
    }

    fn folder(&self) -> &Path {
        self.dir.path()
    }

    fn file(&self, bytes: usize) -> PathBuf {
        let path = self.folder().join("file");
        let mut content = vec![0; bytes];
        fastrand::Rng::with_seed(7).fill(&mut content);
        std::fs::write(&path, content).unwrap();
        path
    }

    /// Puts so many bytes.
    fn put(&self, bucket: &Bucket, bytes: usize) -> io::Result<Put> {
        let file = RealDisk.open_to_read(&self.file(bytes)).unwrap();
        bucket.put(&*file, fingerprint(&*file).unwrap(), NAME)
    }
}

fn bucket(store: crate::config::Store, bytes_per_second: u64) -> Bucket {
    Bucket::open(store, bytes_per_second, events()).unwrap()
}

fn events() -> StoreEvents {
    StoreEvents::new(&Arc::new(Telemetry::new()))
}

#[test]
fn keys_that_are_not_taken_are_no_missing_object() {
    for (status, code) in [
        (403, "AccessDenied"),
        (403, "RequestTimeTooSkewed"),
        (400, "ExpiredToken"),
        (401, ""),
        (418, ""),
    ] {
        let yard = Yard::new();
        let store = Small::start(move |_| Some((status, code)), |_| true);
        let bucket = bucket(store.options(yard.folder()), 0);
        let failures = [
            bucket.look_up(NAME).unwrap_err(),
            bucket.read(NAME, 0..1).unwrap_err(),
            bucket.fetch(NAME, io::sink()).unwrap_err(),
            bucket.list("gate").unwrap_err(),
            bucket.remove(NAME).unwrap_err(),
            yard.put(&bucket, 10).unwrap_err(),
        ];
        for error in failures {
            assert!(is_outage(&error), "{status} {code}: {error:?}");
            assert_eq!(error.kind(), REFUSED, "{status} {code}: {error:?}");
            assert_eq!(AwayReason::of_store(&error), AwayReason::Refuses);
        }
    }
}

#[test]
fn a_large_object_comes_over_a_slow_link_and_what_drips_is_given_up() {
    let yard = Yard::new();
    let trickle = |pieces: usize, bytes: usize, pause: u64| {
        listen(move |mut client: BufReader<TcpStream>| {
            Asked::read(&mut client);
            let mut client = client.into_inner();
            let length = pieces * bytes;
            let head = format!(
                "HTTP/1.1 200 so\r\nContent-Length: {length}\r\nETag: \"e\"\r\n\
                 Last-Modified: Mon, 04 May 2026 07:31:00 GMT\r\n\r\n"
            );
            client.write_all(head.as_bytes()).ok();
            for _ in 0..pieces {
                sleep(Duration::from_millis(pause));
                if client.write_all(&vec![7; bytes]).is_err() {
                    return;
                }
            }
        })
    };
    let fetch = |address| {
        let mut store = options(address, yard.folder());
        (store.request, store.silence) = (Duration::from_secs(1), Duration::from_secs(1));
        let begun = Instant::now();
        let fetched = bucket(store, 0).fetch(NAME, io::sink());
        (fetched, begun.elapsed())
    };
    let (fetched, took) = fetch(trickle(40, 10_000, 100));
    assert_eq!(fetched.unwrap().bytes, 400_000);
    assert!(took > Duration::from_secs(3), "{took:?}");
    let (fetched, took) = fetch(trickle(10_000, 1, 100));
    let error = fetched.unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::TimedOut, "{error}");
    assert!(took < Duration::from_secs(10), "{took:?}");
}

/// Reads the body of a request as slowly as that, or no further than so many bytes.
fn slow_reader(client: BufReader<TcpStream>, pause: u64, most: usize) {
    let mut client = client;
    let Some(asked) = Asked::read(&mut client) else {
        return;
    };
    let mut read = 0;
    let mut piece = vec![0; 16 << 10];
    while read < asked.length {
        if read >= most {
            sleep(Duration::from_secs(30));
            return;
        }
        match client.read(&mut piece) {
            Ok(0) | Err(_) => return,
            Ok(bytes) => read += bytes,
        }
        // Of a mark there is no need to wait.
        if asked.length > 100 {
            sleep(Duration::from_millis(pause));
        }
    }
    let status = if asked.is(asked.method.as_str(), MARK) {
        412
    } else {
        200
    };
    let sum = format!("x-amz-checksum-sha256: {}\r\n", asked.sum);
    answer(client.get_ref(), status, &sum, b"");
}

#[test]
fn an_upload_that_goes_on_behind_the_systems_buffer_is_not_cut_off() {
    let yard = Yard::new();
    let put = |pause, most| {
        let address = listen(move |client| slow_reader(client, pause, most));
        let mut store = options(address, yard.folder());
        store.silence = Duration::from_millis(700);
        let begun = Instant::now();
        (yard.put(&bucket(store, 0), 4 << 20), begun.elapsed())
    };
    let (put_slowly, took) = put(15, usize::MAX);
    assert_eq!(put_slowly.unwrap(), Put::Done);
    assert!(took > Duration::from_secs(2), "{took:?}");
    let (put_never, took) = put(0, 100 << 10);
    let error = put_never.unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::TimedOut, "{error}");
    assert!(took < Duration::from_secs(15), "{took:?}");
}

#[test]
fn what_is_sent_keeps_to_the_bandwidth_that_is_allowed() {
    let yard = Yard::new();
    let store = Small::good();
    let bucket = bucket(store.options(yard.folder()), 200_000);
    let begun = Instant::now();
    assert_eq!(yard.put(&bucket, 600_000).unwrap(), Put::Done);
    let took = begun.elapsed().as_secs_f64();
    // The last piece is not waited for.
    assert!((2.3..8.0).contains(&took), "{took} s");
}

#[test]
fn an_upload_that_somebody_ended_is_no_missing_bucket() {
    let yard = Yard::new();
    let gone = |asked: &Asked| {
        asked
            .is("PUT", "partNumber")
            .then_some((404, "NoSuchUpload"))
    };
    let store = Small::start(gone, |_| true);
    let mut options = store.options(yard.folder());
    options.multipart_over = crate::config::ByteCount::new(1000);
    let error = yard.put(&bucket(options, 0), 2000).unwrap_err();
    assert!(error.to_string().contains("NoSuchUpload"), "{error}");
    assert_eq!(error.kind(), io::ErrorKind::ResourceBusy);

    // A try that ended it, and whose answer was lost.
    let ended = |asked: &Asked| {
        let ends = asked.is("POST", "uploadId") && asked.is("POST", "stills");
        ends.then_some((404, "NoSuchUpload"))
    };
    let store = Small::start(ended, |_| true);
    locked(&store.inside)
        .objects
        .insert(NAME.into(), b"there".to_vec());
    let mut options = store.options(yard.folder());
    options.multipart_over = crate::config::ByteCount::new(1000);
    assert_eq!(yard.put(&bucket(options, 0), 2000).unwrap(), Put::Taken);
}

#[test]
fn what_an_upload_has_in_memory_is_bounded() {
    let yard = Yard::new();
    let store = Small::good();
    let mut options = store.options(yard.folder());
    options.multipart_over = crate::config::ByteCount::mib(5);
    assert_eq!(yard.put(&bucket(options, 0), 40 << 20).unwrap(), Put::Done);
    let inside = locked(&store.inside);
    assert_eq!(inside.objects[NAME].len(), 40 << 20);
    let longest = inside.asked.iter().map(|asked| asked.length).max();
    assert_eq!(longest, Some(16 << 20));
}

#[test]
fn nothing_is_put_into_a_store_that_overwrites() {
    let yard = Yard::new();
    let put = |heeds: fn(&Asked) -> bool, bytes| {
        let store = Small::start(|_| None, heeds);
        let mut options = store.options(yard.folder());
        options.multipart_over = crate::config::ByteCount::new(1000);
        let bucket = bucket(options, 0);
        let put = yard.put(&bucket, bytes);
        let there: Vec<_> = locked(&store.inside).objects.keys().cloned().collect();
        // It is asked once.
        let before = locked(&store.inside).asked.len();
        if put.is_ok() {
            bucket.remove(NAME).unwrap();
            yard.put(&bucket, 10).unwrap();
            assert_eq!(locked(&store.inside).asked.len(), before + 2);
        }
        (put, there)
    };
    let all = vec![MARK.to_owned(), NAME.to_owned()];
    for bytes in [10, 2000] {
        let (done, there) = put(|_| true, bytes);
        assert_eq!((done.unwrap(), there), (Put::Done, all.clone()));
        let (refused, there) = put(|_| false, bytes);
        let error = refused.unwrap_err();
        assert!(
            error.to_string().contains("ignores If-None-Match"),
            "{error}"
        );
        assert_eq!(AwayReason::of_store(&error), AwayReason::Refuses);
        assert_eq!(there, [MARK]);
    }
    // One that does so in parts alone takes what is put whole.
    let whole_only = |asked: &Asked| asked.method == "PUT";
    assert_eq!(put(whole_only, 10).0.unwrap(), Put::Done);
    let error = put(whole_only, 2000).0.unwrap_err();
    assert!(error.to_string().contains("in parts"), "{error}");
}

#[test]
fn what_is_put_and_gone_here_is_put() {
    let yard = Yard::new();
    let file = yard.file(1000);
    let spooled = file.clone();
    let removes = move |asked: &Asked| {
        if asked.is("PUT", "stills") {
            std::fs::remove_file(&spooled).unwrap();
        }
        None
    };
    let store = Small::start(removes, |_| true);
    let root = PathBuf::from("s3://yard");
    let places = (root.clone(), yard.folder().join("store"));
    let disk = BucketDisk::open((store.options(yard.folder()), 0), places, events()).unwrap();
    disk.rename_noreplace(&file, &root.join(NAME)).unwrap();
    assert_eq!(locked(&store.inside).objects[NAME].len(), 1000);
}
