//! The uplink, power and reboots, and what a camera does with what it can't send.

use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::time::Duration;

use forebay_site::{
    Behaviour, CameraSpec, Outage, OutageScript, SimulatedCamera, Site, Source, Uplink, WhenFull,
};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpStream, UdpSocket};
use tokio::time::{Instant, sleep, timeout};

use crate::client::{Client, Message, PATIENCE, SILENCE, header, site, spec};

/// An empty receiver report and a source description (RFC 3550 §6.4.2, §6.5), interleaved.
const REPORT: &[u8] = b"$\x01\x00\x14\x80\xC9\x00\x01\x00\x00\x00\x07\x81\xCA\x00\x02\x00\x00\x00\x07\x01\x00\x00\x00";

/// A camera of 4 Mb/s whose queue is full after half a second.
fn small(when_full: WhenFull) -> CameraSpec {
    CameraSpec {
        source: Source::Looped {
            bits_per_second: 4_000_000,
        },
        queue_bytes: 250_000,
        when_full,
        ..spec("gate")
    }
}

async fn playing(spec: CameraSpec) -> (Site, SimulatedCamera, Client) {
    let site = Site::start(vec![spec]).await.unwrap();
    let camera = site.cameras()[0].clone();
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    (site, camera, client)
}

/// Reads on for so long.
async fn read_for(client: &mut Client, length: Duration) {
    let end = Instant::now() + length;
    while timeout(end - Instant::now(), client.packet()).await.is_ok() {
        if Instant::now() >= end {
            break;
        }
    }
}

async fn outage(site: &Site, length: Duration) {
    site.uplink(Uplink::Down);
    sleep(length).await;
    site.uplink(Uplink::Up);
}

/// Frames sent, and those dropped: together each frame from the first to the last once.
fn account(camera: &SimulatedCamera, session: u64) -> (Vec<u64>, Vec<u64>) {
    let sent: Vec<u64> = camera
        .sent()
        .iter()
        .filter(|f| f.session == session)
        .map(|f| f.number)
        .collect();
    let dropped: Vec<u64> = camera
        .dropped()
        .iter()
        .filter(|f| f.session == session)
        .map(|f| f.number)
        .collect();
    let all: BTreeSet<u64> = sent.iter().chain(&dropped).copied().collect();
    assert_eq!(
        all.len(),
        sent.len() + dropped.len(),
        "{sent:?} {dropped:?}"
    );
    assert_eq!(
        all.len() as u64,
        all.last().unwrap() - sent[0] + 1,
        "{sent:?} {dropped:?}"
    );
    (sent, dropped)
}

#[tokio::test]
async fn nobody_gets_through_while_the_uplink_is_down() {
    let (site, camera) = site().await;
    for _ in 0..2 {
        site.uplink(Uplink::Down);
        sleep(Duration::from_millis(100)).await;
        let before = camera.counts().connections;
        // Ten, since a queue might have room for the first few.
        let tries = (0..10).map(|_| {
            let address = camera.address();
            tokio::spawn(
                async move { timeout(SILENCE, TcpStream::connect(address)).await.is_err() },
            )
        });
        for silent in tries.collect::<Vec<_>>() {
            assert!(silent.await.unwrap(), "a connection came about");
        }
        assert_eq!(camera.counts().connections, before);
        site.uplink(Uplink::Up);
        sleep(Duration::from_millis(20)).await;
        let mut client = Client::connect(&camera).await;
        client.play().await;
        assert!(client.packet().await.is_some());
        assert_eq!(
            camera.counts().connections,
            before + 1,
            "our own were counted"
        );
    }
}

/// A connection asked for during the outage comes about with the next SYN: a second later, as
/// RFC 6298 §2 has it for the first.
#[tokio::test]
async fn who_waits_gets_through_afterwards() {
    let (site, camera) = site().await;
    site.uplink(Uplink::Down);
    sleep(Duration::from_millis(100)).await;
    let (begin, address) = (Instant::now(), camera.address());
    let waits = tokio::spawn(TcpStream::connect(address));
    sleep(Duration::from_millis(300)).await;
    site.uplink(Uplink::Up);
    assert!(timeout(PATIENCE, waits).await.unwrap().unwrap().is_ok());
    let took = begin.elapsed();
    assert!((900..1500).contains(&took.as_millis()), "{took:?}");
}

#[tokio::test]
async fn sessions_time_out_while_the_uplink_is_down() {
    let brief = CameraSpec {
        session_timeout: Duration::from_millis(500),
        ..spec("gate")
    };
    let (site, camera, mut client) = playing(brief).await;
    site.uplink(Uplink::Down);
    sleep(Duration::from_millis(300)).await;
    client.stream.write_all(REPORT).await.unwrap();
    assert_eq!(camera.sessions().len(), 1);
    sleep(Duration::from_millis(400)).await;
    assert!(camera.sessions().is_empty(), "a report came through");
    // The viewer can't know yet.
    while timeout(Duration::from_millis(20), client.packet())
        .await
        .is_ok_and(|p| p.is_some())
    {}
    let mut byte = [0];
    assert!(
        timeout(SILENCE, client.stream.peek(&mut byte))
            .await
            .is_err()
    );
    site.uplink(Uplink::Up);
    client.read_to_end().await;
}

#[tokio::test]
async fn full_queues_lose_groups() {
    let (site, camera, mut client) = playing(small(WhenFull::DropGroups)).await;
    outage(&site, Duration::from_millis(1500)).await;
    read_for(&mut client, Duration::from_millis(500)).await;
    let (sent, dropped) = account(&camera, 0);
    assert!(dropped.len() > 10, "{dropped:?}");
    for pair in sent.windows(2) {
        assert!(pair[1] == pair[0] + 1 || pair[1] % 5 == 0, "{sent:?}");
    }
}

#[tokio::test]
async fn full_queues_lose_frames() {
    let (site, camera, mut client) = playing(small(WhenFull::DropFrames)).await;
    outage(&site, Duration::from_millis(1500)).await;
    read_for(&mut client, Duration::from_millis(500)).await;
    let (sent, dropped) = account(&camera, 0);
    assert!(dropped.len() > 10, "{dropped:?}");
    // A small frame has room where a key frame has none.
    let resumed = sent
        .windows(2)
        .filter(|pair| pair[1] != pair[0] + 1 && pair[1] % 5 != 0);
    assert!(resumed.count() > 0, "{sent:?}");
}

#[tokio::test]
async fn full_queues_may_close() {
    let (site, camera, mut client) = playing(small(WhenFull::Close)).await;
    outage(&site, Duration::from_millis(1500)).await;
    client.read_to_end().await;
    sleep(Duration::from_millis(50)).await;
    assert!(camera.sessions().is_empty());
    // What waited is gone with the connection, and is told.
    let (_, dropped) = account(&camera, 0);
    assert!(dropped.len() > 10, "{dropped:?}");
}

#[tokio::test]
async fn full_queues_may_block_everyone() {
    let mut both = small(WhenFull::Block);
    both.send_buffer_bytes = Some(16 << 10);
    let (_site, camera, mut reads) = playing(both).await;
    let mut idle = Client::connect(&camera).await;
    idle.play().await;
    // The second viewer does not read: after the kernel's buffers his queue fills.
    let stands = timeout(PATIENCE * 4, async {
        while camera.dropped().iter().all(|frame| frame.session != 0) {
            read_for(&mut reads, Duration::from_millis(50)).await;
        }
    });
    stands.await.unwrap();
    drop(idle);
    read_for(&mut reads, Duration::from_millis(500)).await;
    let (sent, dropped) = account(&camera, 0);
    assert!(sent.last() > dropped.last(), "it does not go on");
    let gap = sent.windows(2).find(|pair| pair[1] != pair[0] + 1).unwrap();
    assert_eq!(gap[1] % 5, 0);
}

/// Datagrams don't wait for the link: what was to be sent meanwhile is lost, and told.
#[tokio::test]
async fn udp_loses_the_outage() {
    let (site, camera) = site().await;
    let (rtp, rtcp) = (
        UdpSocket::bind("127.0.0.1:0").await.unwrap(),
        UdpSocket::bind("127.0.0.1:0").await.unwrap(),
    );
    let ports = [&rtp, &rtcp].map(|socket| socket.local_addr().unwrap().port());
    let mut client = Client::connect(&camera).await;
    let transport = format!(
        "Transport: RTP/AVP;unicast;client_port={}-{}\r\n",
        ports[0], ports[1]
    );
    assert_eq!(client.ask("SETUP", "/track=0", &transport).await.0, 200);
    assert_eq!(client.ask("PLAY", "/", "").await.0, 200);
    let mut packet = [0; 2048];
    timeout(PATIENCE, rtp.recv(&mut packet))
        .await
        .unwrap()
        .unwrap();
    outage(&site, Duration::from_millis(600)).await;
    while timeout(Duration::from_millis(200), rtp.recv(&mut packet))
        .await
        .is_ok()
        && camera.sent().len() < 30
    {}
    let (sent, dropped) = account(&camera, 0);
    // 600 ms are 15 frames.
    assert!((13..=17).contains(&dropped.len()), "{dropped:?}");
    assert!(sent.last() > dropped.last() && sent.len() >= 30);
}

#[tokio::test]
async fn receiver_reports_are_taken() {
    let (_site, camera, mut client) = playing(spec("gate")).await;
    client.stream.write_all(REPORT).await.unwrap();
    // Neither a report nor anything else, but lawful (RFC 2326 §10.12).
    client.stream.write_all(b"$\x07\x00\x01x").await.unwrap();
    read_for(&mut client, Duration::from_millis(300)).await;
    assert_eq!(camera.counts().receiver_reports, 1);
    assert_eq!(camera.sessions()[0].interleaved_received, 2);
    assert_eq!(client.ask("OPTIONS", "", "").await.0, 200);
}

#[tokio::test]
async fn some_cannot_stand_a_receiver_report() {
    let touchy = CameraSpec {
        resets_on_report: true,
        ..spec("gate")
    };
    let (_site, camera, mut client) = playing(touchy).await;
    client.stream.write_all(REPORT).await.unwrap();
    let reset = timeout(PATIENCE, async {
        let mut scrap = [0; 4096];
        loop {
            if let Err(error) = client.stream.read(&mut scrap).await {
                break error.kind();
            }
        }
    });
    assert_eq!(reset.await.unwrap(), ErrorKind::ConnectionReset);
    sleep(Duration::from_millis(50)).await;
    assert!(camera.sessions().is_empty());
}

#[tokio::test]
async fn a_reboot_refuses_and_begins_anew() {
    let (_site, camera, mut client) = playing(spec("gate")).await;
    let away = Duration::from_millis(600);
    let reboots = {
        let camera = camera.clone();
        tokio::spawn(async move { camera.reboot(away).await })
    };
    client.read_to_end().await;
    sleep(Duration::from_millis(50)).await;
    let refused = TcpStream::connect(camera.address()).await.unwrap_err();
    assert_eq!(refused.kind(), ErrorKind::ConnectionRefused);
    reboots.await.unwrap();
    sleep(Duration::from_millis(100)).await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let Some(Message::Packet(1, report)) = client.next().await else {
        panic!()
    };
    // Its clock is right: seconds of NTP time, era 0 (RFC 5905 figure 4).
    let seconds = i64::from(u32::from_be_bytes(report[8..12].try_into().unwrap())) - 2_208_988_800;
    let now = std::time::UNIX_EPOCH.elapsed().unwrap().as_secs() as i64;
    assert!((now - 2..=now + 1).contains(&seconds), "{seconds} {now}");
    let first = camera
        .sent()
        .iter()
        .find(|frame| frame.session == 1)
        .copied();
    assert!(
        first.is_some_and(|frame| frame.key && frame.number >= 15),
        "{first:?}"
    );
}

#[tokio::test]
async fn without_power_nothing_answers() {
    let (_site, camera, mut client) = playing(spec("gate")).await;
    camera.power(false);
    sleep(Duration::from_millis(100)).await;
    assert!(camera.sessions().is_empty());
    while timeout(Duration::from_millis(20), client.packet())
        .await
        .is_ok_and(|p| p.is_some())
    {}
    assert!(client.is_silent().await);
    assert!(
        timeout(SILENCE, TcpStream::connect(camera.address()))
            .await
            .is_err()
    );
    camera.power(true);
    sleep(Duration::from_millis(100)).await;
    let mut second = Client::connect(&camera).await;
    second.play().await;
    let (_, time, _) = header(&second.packet().await.unwrap());
    let (_, later, _) = header(&second.packet().await.unwrap());
    assert!(later.wrapping_sub(time) < 90_000);
    // It says nothing to the viewer of before until he asks.
    assert!(client.is_silent().await);
    client.send("OPTIONS", "", "").await;
    let mut byte = [0];
    let reset = timeout(PATIENCE, client.stream.read(&mut byte))
        .await
        .unwrap();
    assert_eq!(reset.unwrap_err().kind(), ErrorKind::ConnectionReset);
    // And it closes connections by itself as it did before.
    camera.behave(Behaviour::CloseMidUnit);
    second.read_to_end().await;
}

#[tokio::test]
async fn scripts_are_played() {
    let ms = Duration::from_millis;
    let (site, camera, mut client) = playing(spec("gate")).await;
    let outage = |at, length| Outage {
        at: ms(at),
        length: ms(length),
    };
    let script = OutageScript::new(vec![outage(300, 400), outage(1100, 300)]);
    let begin = Instant::now();
    let watch = async {
        let mut silences = Vec::new();
        let mut last = Instant::now();
        while begin.elapsed() < ms(1900) {
            client.packet().await.unwrap();
            let now = Instant::now();
            if now - last > ms(150) {
                silences.push((now - last).as_millis());
            }
            last = now;
        }
        silences
    };
    let (silences, ()) = tokio::join!(watch, site.play(&script));
    // Up to a frame's time longer, and a little less.
    assert_eq!(silences.len(), 2, "{silences:?}");
    assert!(
        (360..480).contains(&silences[0]) && (260..380).contains(&silences[1]),
        "{silences:?}"
    );
    assert!(camera.dropped().is_empty());
}
