//! Many viewers of one camera, and one that is slow: the uplink and the recorder notice nothing.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use forebay_tests::http::get;
use forebay_tests::{Metrics, Relay, fresh_folder, wait_for};

use super::{configuration, connections, site, wait_for_pictures};
use crate::{SCRATCH, alone};

/// A slow one is cut off within some outages of its own, on a busy machine.
const CUT_MAX: Duration = Duration::from_secs(180);

fn number(name: &str, usual: u64) -> u64 {
    let given = std::env::var(name).ok();
    given.map_or(usual, |text| {
        text.parse().unwrap_or_else(|_| panic!("{name}={text}"))
    })
}

/// Begins to read a film.
fn film(address: SocketAddr) -> TcpStream {
    let mut stream = TcpStream::connect(address).unwrap();
    // What waits in the reader's own kernel is not behind.
    rustix::net::sockopt::set_socket_recv_buffer_size(&stream, 32 << 10).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(30)))
        .unwrap();
    write!(
        stream,
        "GET /v1/cameras/slipway/live.mp4 HTTP/1.1\r\nHost: {address}\r\n\r\n"
    )
    .unwrap();
    stream
}

fn sum(page: &Metrics, name: &str) -> f64 {
    page.sum(name, &[("camera", "slipway")]).unwrap_or_default()
}

/// Processor seconds, and bytes of memory, of a process (proc(5)).
fn spent(pid: u32) -> (f64, u64) {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
    let ticks = |index: usize| fields[index].parse::<f64>().unwrap();
    let seconds = (ticks(11) + ticks(12)) / 100.0;
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))
        .unwrap();
    let kilobytes: u64 = line.trim().trim_end_matches(" kB").parse().unwrap();
    (seconds, kilobytes << 10)
}

/// `FOREBAY_VIEWERS` (default 24) viewers for `FOREBAY_VIEWER_SECONDS` (default 4), most of them of the
/// film, each tenth of the list.
#[test]
fn many_viewers_cost_the_uplink_nothing_and_the_recorder_no_unit() {
    let _alone = alone();
    let viewers = number("FOREBAY_VIEWERS", 24);
    let seconds = number("FOREBAY_VIEWER_SECONDS", 4);
    let folder = fresh_folder(SCRATCH, "outlet-viewers");
    let mut site = site(&["--bitrate", "2000000"]);
    let relay = Relay::start(&configuration(&folder, &site));
    wait_for_pictures(&relay, "slipway", 100.0);
    let address = relay.address();
    let (before, connected) = (relay.metrics(), connections(&mut site));
    let alone_spent = spent(relay.pid());
    std::thread::sleep(Duration::from_secs(seconds));
    let idle = spent(relay.pid()).0 - alone_spent.0;

    let begin = spent(relay.pid());
    let over = Arc::new(AtomicBool::new(false));
    let read = Arc::new(AtomicU64::new(0));
    let threads: Vec<_> = (0..viewers)
        .map(|viewer| {
            let (over, read) = (Arc::clone(&over), Arc::clone(&read));
            std::thread::Builder::new()
                .stack_size(256 << 10)
                .spawn(move || match viewer % 10 {
                    9 => list(address, &over, &read),
                    _ => watch(address, &over, &read),
                })
                .unwrap()
        })
        .collect();
    let at_once = wait_for(Duration::from_secs(60), || {
        let page = relay.metrics();
        let films = page
            .sum("forebay_viewers", &[("kind", "film")])
            .unwrap_or_default();
        (films >= (viewers - viewers / 10) as f64).then_some(())
    });
    assert!(at_once.is_some(), "{}", relay.metrics().text());
    let mut most = 0;
    for _ in 0..seconds {
        std::thread::sleep(Duration::from_secs(1));
        most = most.max(spent(relay.pid()).1);
    }
    let end = spent(relay.pid());
    over.store(true, Ordering::Relaxed);
    let each: Vec<u64> = threads
        .into_iter()
        .map(|thread| thread.join().unwrap())
        .collect();
    let page = relay.metrics();
    println!(
        "{viewers} viewers for {seconds} s: {:.1} MB read, {:.2} s of a core ({:.2} s without them), \
         {:.0} MB of memory ({:.0} MB before)",
        read.load(Ordering::Relaxed) as f64 / 1e6,
        end.0 - begin.0,
        idle,
        most as f64 / 1e6,
        begin.1 as f64 / 1e6,
    );
    // Each film has had what the camera has sent meanwhile, or nearly.
    let least = seconds * 2_000_000 / 8 / 2;
    assert!(each.iter().all(|bytes| *bytes > least), "{each:?}");
    assert_eq!(
        connections(&mut site),
        connected,
        "the camera was asked again"
    );
    assert_eq!(sum(&page, "forebay_sink_lost_units_total"), 0.0);
    assert_eq!(sum(&page, "forebay_viewers_cut_off_total"), 0.0);
    let sessions = "forebay_camera_sessions_began_total";
    assert_eq!(sum(&page, sessions), sum(&before, sessions));
    // A viewer holds its place, a fragment and a bounded buffer.
    let bound = begin.1 + (64 << 20) + viewers * (2 << 20);
    assert!(most < bound, "{most} bytes of memory, {bound} is the bound");
    let gone = wait_for(Duration::from_secs(60), || {
        let films = relay.metrics().sum("forebay_viewers", &[("kind", "film")]);
        (films == Some(0.0)).then_some(())
    });
    assert!(gone.is_some(), "{}", relay.metrics().text());
    assert!(relay.stop().status.success());
}

/// Reads a film until it is over; bytes that came.
fn watch(address: SocketAddr, over: &AtomicBool, read: &AtomicU64) -> u64 {
    let mut stream = film(address);
    let (mut block, mut bytes) = ([0; 16_384], 0);
    while !over.load(Ordering::Relaxed) {
        let came = stream.read(&mut block).unwrap();
        assert!(came > 0, "the film has ended");
        bytes += came as u64;
        read.fetch_add(came as u64, Ordering::Relaxed);
    }
    bytes
}

/// Reads the list and its segments until it is over; bytes that came.
fn list(address: SocketAddr, over: &AtomicBool, read: &AtomicU64) -> u64 {
    let base = "/v1/cameras/slipway/";
    let master = get(address, &format!("{base}live.m3u8"));
    let text = String::from_utf8(master.body).unwrap();
    let media = text.lines().last().unwrap().to_owned();
    let folder = media.rsplit_once('/').unwrap().0.to_owned();
    let (mut known, mut bytes) = (Vec::new(), 0);
    while !over.load(Ordering::Relaxed) {
        let answer = get(address, &format!("{base}{media}"));
        assert_eq!(answer.status, 200, "{}", answer.head);
        let text = String::from_utf8(answer.body).unwrap();
        for name in text.lines().filter(|line| line.ends_with(".m4s")) {
            if !known.contains(&name.to_owned()) {
                known.push(name.to_owned());
                let segment = get(address, &format!("{base}{folder}/{name}"));
                assert_eq!(segment.status, 200, "{}", segment.head);
                bytes += segment.body.len() as u64;
                read.fetch_add(segment.body.len() as u64, Ordering::Relaxed);
            }
        }
        std::thread::sleep(Duration::from_millis(500));
    }
    bytes
}

/// One that reads far less than the camera sends goes on at the newest key frame, again and again, and
/// is cut off; one that reads nothing at all is cut off, too.
#[test]
fn a_slow_viewer_skips_then_is_cut_off_and_nobody_waits_for_it() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "outlet-slow");
    let mut site = site(&["--bitrate", "16000000"]);
    let relay = Relay::start(&configuration(&folder, &site));
    wait_for_pictures(&relay, "slipway", 50.0);
    let connected = connections(&mut site);
    let idle = film(relay.address());
    let mut slow = film(relay.address());
    let begin = Instant::now();
    let mut block = vec![0; 64 << 10];
    // An eighth of what the camera sends.
    let cut = wait_for(CUT_MAX, || {
        std::thread::sleep(Duration::from_millis(250));
        match slow.read(&mut block) {
            Ok(0) | Err(_) => Some(()),
            Ok(_) => None,
        }
    });
    assert!(cut.is_some(), "never cut off:\n{}", relay.metrics().text());
    let both = wait_for(CUT_MAX, || {
        let films = relay.metrics().sum("forebay_viewers", &[("kind", "film")]);
        (films == Some(0.0)).then_some(())
    });
    assert!(
        both.is_some(),
        "the idle one stays:\n{}",
        relay.metrics().text()
    );
    drop(idle);
    let page = relay.metrics();
    let skips = sum(&page, "forebay_viewer_skips_total");
    println!(
        "cut off after {:.0} s and {skips} skips",
        begin.elapsed().as_secs_f64()
    );
    assert!(
        skips >= 4.0 && sum(&page, "forebay_viewers_cut_off_total") >= 1.0,
        "{}",
        page.text()
    );
    assert_eq!(sum(&page, "forebay_sink_lost_units_total"), 0.0);
    assert_eq!(connections(&mut site), connected);
    assert!(relay.stop().status.success());
}
