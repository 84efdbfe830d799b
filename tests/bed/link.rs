//! Delay, rate, queue, loss and outages as sockets see them.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use forebay_site::{Outage, OutageScript};
use forebay_tests::bed::{self, End, Link, LinkSpec};
use forebay_tests::run;

use crate::alone;

const MS: Duration = Duration::from_millis(1);
const PORT: u16 = 5000;

fn udp(end: &End) -> UdpSocket {
    let socket = end
        .within(|| UdpSocket::bind((end.address(), PORT)))
        .unwrap();
    socket.set_read_timeout(Some(500 * MS)).unwrap();
    socket
}

/// Sockets at home and at the site, each connected to the other.
fn pair(link: &Link) -> (UdpSocket, UdpSocket) {
    let (home, site) = (udp(link.home()), udp(link.site()));
    home.connect((link.site().address(), PORT)).unwrap();
    site.connect((link.home().address(), PORT)).unwrap();
    (home, site)
}

/// Packets that come within half a second of each other, and when.
fn collect(socket: &UdpSocket) -> Vec<(u32, Instant)> {
    let mut buffer = [0; 2048];
    std::iter::from_fn(|| {
        let size = socket.recv(&mut buffer).ok()?;
        assert!(size >= 4);
        let number = u32::from_be_bytes(buffer[..4].try_into().unwrap());
        Some((number, Instant::now()))
    })
    .collect()
}

fn packet(number: u32, bytes: usize) -> Vec<u8> {
    let mut packet = vec![0; bytes];
    packet[..4].copy_from_slice(&number.to_be_bytes());
    packet
}

#[test]
fn a_round_trip_takes_twice_the_delay() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let (home, site) = pair(&link);
    let echo = thread::spawn(move || {
        let mut buffer = [0; 100];
        while let Ok(size) = site.recv(&mut buffer) {
            site.send(&buffer[..size]).unwrap();
        }
    });
    let mut times: Vec<Duration> = (0..20)
        .map(|_| {
            let begin = Instant::now();
            home.send(&[0; 100]).unwrap();
            home.recv(&mut [0; 100]).unwrap();
            begin.elapsed()
        })
        .collect();
    echo.join().unwrap();
    times.sort_unstable();
    // 2 × 30 ms, and 2 × 128 bytes at 20 Mb/s, which take 0.1 ms.
    println!("round trips of 60.1 ms: {:?} to {:?}", times[0], times[19]);
    assert!(times[0] >= 60 * MS, "{times:?}");
    assert!(times[10] < 63 * MS, "{times:?}");
}

/// A transfer by the kernel's TCP fills the line, and no more than that.
#[test]
fn tcp_gets_the_rate() {
    const BYTES: usize = 6_000_000;
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let place = (link.site().address(), PORT);
    let listener = link.site().within(|| TcpListener::bind(place)).unwrap();
    let sender = thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        stream.write_all(&vec![7; BYTES]).unwrap();
    });
    let begin = Instant::now();
    let mut stream = link.home().within(|| TcpStream::connect(place)).unwrap();
    let connected = begin.elapsed();
    assert!((60 * MS..65 * MS).contains(&connected), "{connected:?}");
    let mut piece = vec![0; 65_536];
    let (mut bytes, mut from) = (0, (Instant::now(), 0));
    loop {
        let size = stream.read(&mut piece).unwrap();
        if size == 0 {
            break;
        }
        bytes += size;
        // Slow start is over after the first half second.
        if begin.elapsed() < 500 * MS {
            from = (Instant::now(), bytes);
        }
    }
    let rate = (bytes - from.1) as f64 * 8.0 / from.0.elapsed().as_secs_f64();
    sender.join().unwrap();
    assert_eq!(bytes, BYTES);
    // 1368 of 1420 bytes are payload: IP and TCP with time stamps take 52 (RFC 7323).
    let most = 20e6 * 1368.0 / 1420.0;
    println!("TCP: {:.2} Mb/s of {:.2}", rate / 1e6, most / 1e6);
    assert!((0.8 * most..1.01 * most).contains(&rate), "{rate}");
    assert!(link.from_site().bytes > BYTES as u64);
}

#[test]
fn a_burst_fills_the_queue_and_no_more() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let narrow = LinkSpec {
        rate_bits: 2_000_000,
        queue_bytes: 50_000,
        ..LinkSpec::default()
    };
    let link = Link::new(narrow).unwrap();
    let (home, site) = pair(&link);
    let begin = Instant::now();
    for number in 0..200 {
        // 1000 bytes with UDP's and IP's headers: 4 ms each.
        site.send(&packet(number, 972)).unwrap();
    }
    let sending = begin.elapsed();
    let came = collect(&home);
    // Those that left while the burst was still coming made room for others.
    let most = 51 + (sending.as_millis() / 4) as usize + 1;
    assert!(
        (50..=most).contains(&came.len()),
        "{} of {most}",
        came.len()
    );
    let counters = link.from_site();
    assert_eq!(counters.packets_offered, 200);
    assert_eq!(counters.packets, came.len() as u64);
    assert_eq!(counters.dropped_queue, 200 - counters.packets);
    let took = came[came.len() - 1].1 - came[0].1;
    let wanted = 4 * MS * (came.len() - 1) as u32;
    assert!(
        took + 4 * MS > wanted && took < wanted + 20 * MS,
        "{took:?} {wanted:?}"
    );
}

#[test]
fn loss_has_its_share() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let lossy = LinkSpec {
        loss: 0.2,
        ..LinkSpec::default()
    };
    let link = Link::new(lossy).unwrap();
    let (home, site) = pair(&link);
    let collector = thread::spawn(move || collect(&home).len());
    for number in 0..2000 {
        site.send(&packet(number, 100)).unwrap();
        thread::sleep(MS / 4);
    }
    let came = collector.join().unwrap();
    let counters = link.from_site();
    println!("{came} of 2000 packets came at 20 % loss");
    // Five standard deviations of the binomial distribution (18) on either side.
    assert!((1510..=1690).contains(&came), "{came}");
    assert_eq!(counters.dropped_loss, 2000 - came as u64);
}

#[test]
fn an_outage_drops_everything_for_so_long() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let (home, site) = pair(&link);
    let collector = thread::spawn(move || collect(&home));
    let begin = Instant::now();
    let mut outage = None;
    for number in 0..600 {
        site.send(&packet(number, 100)).unwrap();
        if number == 100 {
            link.outage(400 * MS);
            outage = Some(begin.elapsed());
        }
        thread::sleep((begin + 2 * MS * (number + 1)).saturating_duration_since(Instant::now()));
    }
    let came = collector.join().unwrap();
    let gaps: Vec<_> = came
        .windows(2)
        .filter(|two| two[1].0 != two[0].0 + 1)
        .collect();
    let [gap] = gaps[..] else {
        panic!("{} gaps", gaps.len())
    };
    let length = gap[1].1 - gap[0].1;
    println!("an outage of 400 ms: nothing for {length:?}");
    // What was in flight (30 ms) is lost, and the first packet afterwards takes 30 ms.
    assert!(
        (420 * MS..450 * MS).contains(&length),
        "{length:?} {outage:?}"
    );
    assert_eq!(link.from_site().dropped_outage, 600 - came.len() as u64);
}

#[test]
fn scripts_are_played() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let (home, site) = pair(&link);
    let outage = |at, length| Outage {
        at: at * MS,
        length: length * MS,
    };
    let script = OutageScript::new(vec![outage(200, 300), outage(800, 200)]);
    let collector = thread::spawn(move || collect(&home));
    let begin = Instant::now();
    thread::scope(|scope| {
        scope.spawn(|| link.play(&script));
        for number in 0..600 {
            site.send(&packet(number, 100)).unwrap();
            thread::sleep(
                (begin + 2 * MS * (number + 1)).saturating_duration_since(Instant::now()),
            );
        }
    });
    let came = collector.join().unwrap();
    let gaps: Vec<Duration> = came
        .windows(2)
        .filter(|two| two[1].0 != two[0].0 + 1)
        .map(|two| two[1].1 - two[0].1)
        .collect();
    // Each longer by what was in flight; see above.
    let [first, second] = gaps[..] else {
        panic!("{gaps:?}")
    };
    assert!((320 * MS..350 * MS).contains(&first), "{first:?}");
    assert!((220 * MS..250 * MS).contains(&second), "{second:?}");
}

#[test]
fn one_way_can_be_down_alone() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let link = Link::new(LinkSpec::default()).unwrap();
    let (home, site) = pair(&link);
    let passes = |from: &UdpSocket, to: &UdpSocket| {
        from.send(&packet(1, 100)).unwrap();
        !collect(to).is_empty()
    };
    link.set_one_way(true, false);
    assert!(!passes(&home, &site) && passes(&site, &home));
    link.set_one_way(true, true);
    link.set_one_way(false, false);
    assert!(passes(&home, &site) && !passes(&site, &home));
    link.down();
    assert!(!passes(&home, &site));
    link.up();
    assert!(passes(&home, &site) && passes(&site, &home));
}

/// Ten at a time, each with its own state, and nothing stays behind.
#[test]
fn links_are_independent_and_leave_nothing() {
    if !bed::or_skip() {
        return;
    }
    let _alone = alone();
    let links: Vec<Link> = (0..10)
        .map(|_| Link::new(LinkSpec::default()).unwrap())
        .collect();
    let names: Vec<String> = links
        .iter()
        .flat_map(|link| [link.home().name().to_owned(), link.site().name().to_owned()])
        .collect();
    let there = || {
        let known: Vec<_> = fs::read_dir("/run/netns")
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        names
            .iter()
            .filter(|name| known.iter().any(|k| k == name.as_str()))
            .count()
    };
    assert_eq!(there(), 20);
    links.iter().step_by(2).for_each(Link::down);
    thread::scope(|scope| {
        for (index, link) in links.iter().enumerate() {
            scope.spawn(move || {
                let (home, site) = pair(link);
                for number in 0..50 {
                    site.send(&packet(number, 100)).unwrap();
                }
                let wanted = if index % 2 == 0 { 0 } else { 50 };
                assert_eq!(collect(&home).len(), wanted, "link {index}");
            });
        }
    });
    drop(links);
    assert_eq!(there(), 0);
}

/// `ip` tells from inside what there is.
#[test]
fn programs_run_at_their_end() {
    if !bed::or_skip() {
        return;
    }
    let link = Link::new(LinkSpec::default()).unwrap();
    for (end, other) in [(link.home(), link.site()), (link.site(), link.home())] {
        let said = run(end
            .command("ip")
            .args(["-brief", "-4", "address"])
            .stdin(Stdio::null()));
        let text = String::from_utf8(said.stdout).unwrap();
        assert!(text.contains("127.0.0.1/8"), "{text}");
        assert!(text.contains(&format!("{}/24", end.address())), "{text}");
        assert!(!text.contains(&other.address().to_string()), "{text}");
    }
}
