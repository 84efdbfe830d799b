//! What goes right: sessions, bounds, start and end.

use std::time::Duration;

use forebay_site::{Behaviour, CameraSpec, Site, Source, StartAt, Uplink};
use tokio::net::TcpStream;
use tokio::time::{sleep, timeout};

use crate::client::{Client, Message, PATIENCE, header, site, spec};

#[tokio::test]
async fn a_session_from_options_to_teardown() {
    let (site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    let (code, head, _) = client.ask("OPTIONS", "", "").await;
    assert_eq!(code, 200);
    assert!(
        head.contains("CSeq: 1\r\n") && head.contains("GET_PARAMETER"),
        "{head}"
    );
    let (_, head, sdp) = client.ask("DESCRIBE", "", "").await;
    assert!(head.contains("Content-Base: "), "{head}");
    assert!(
        sdp.contains("packetization-mode=1;profile-level-id=42"),
        "{sdp}"
    );
    let transport = "Transport: RTP/AVP/TCP;unicast;interleaved=4-5\r\n";
    let (_, head, _) = client.ask("SETUP", "/track=0", transport).await;
    assert!(head.contains("interleaved=4-5"), "{head}");
    let session = head
        .split("Session: ")
        .nth(1)
        .unwrap()
        .split(';')
        .next()
        .unwrap()
        .to_owned();
    assert_eq!(client.ask("PLAY", "/", "Session: wrong\r\n").await.0, 454);
    let named = format!("Session: {session}\r\n");
    client.send("PLAY", "/", &named).await;
    let Some(Message::Reply(200, head, _)) = client.next().await else {
        panic!()
    };
    let number = |name: &str| -> u32 {
        let digits = head.split(name).nth(1).unwrap().chars();
        digits
            .take_while(char::is_ascii_digit)
            .collect::<String>()
            .parse()
            .unwrap()
    };
    let (sequence, start) = (number(";seq="), number(";rtptime="));
    // First a sender report, then the first packet: it has the sequence number that was told, and
    // comes within a GOP of the time that was told.
    let Some(Message::Packet(5, report)) = client.next().await else {
        panic!()
    };
    assert_eq!(report[1], 200);
    let Some(Message::Packet(4, packet)) = client.next().await else {
        panic!()
    };
    let (first, time, _) = header(&packet);
    assert_eq!(u32::from(first), sequence);
    assert!(
        time.wrapping_sub(start) <= 90_000 * 6 / 25,
        "{time} {start}"
    );
    for method in ["GET_PARAMETER", "SET_PARAMETER"] {
        assert_eq!(client.ask(method, "/", &named).await.0, 200);
    }
    assert_eq!(client.ask("RECORD", "/", &named).await.0, 501);
    let told = camera.sessions();
    assert!(
        told.len() == 1 && told[0].playing && told[0].units_sent > 0,
        "{told:?}"
    );
    assert_eq!(client.ask("TEARDOWN", "/", &named).await.0, 200);
    assert!(client.is_silent().await);
    assert_eq!((camera.counts().plays, camera.counts().teardowns), (1, 1));
    drop(client);
    sleep(Duration::from_millis(100)).await;
    assert!(camera.sessions().is_empty());
    site.stop().await;
}

#[tokio::test]
async fn wrong_requests_have_their_status() {
    let one = CameraSpec {
        sessions_max: 1,
        ..spec("gate")
    };
    let site = Site::start(vec![one]).await.unwrap();
    let camera = &site.cameras()[0];
    let mut client = Client::connect(camera).await;
    let tcp = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n";
    assert_eq!(client.ask("PLAY", "/", "").await.0, 455);
    assert_eq!(client.ask("DESCRIBE", "/other", "").await.0, 404);
    assert_eq!(client.ask("SETUP", "/track=1", tcp).await.0, 404);
    assert_eq!(
        client
            .ask("SETUP", "/track=0", "Transport: RTP/SAVP;unicast\r\n")
            .await
            .0,
        461
    );
    assert_eq!(client.ask("SETUP", "/track=0", tcp).await.0, 200);
    let mut second = Client::connect(camera).await;
    assert_eq!(second.ask("SETUP", "/track=0", tcp).await.0, 453);
    assert_eq!(client.ask("TEARDOWN", "/", "").await.0, 200);
    assert_eq!(second.ask("SETUP", "/track=0", tcp).await.0, 200);
    client.send("not a method", "", "").await;
    assert!(matches!(client.next().await, Some(Message::Reply(400, ..))));
    assert!(client.next().await.is_none());
}

#[tokio::test]
async fn wrong_specifications_are_refused() {
    for wrong in [
        CameraSpec {
            name: "Gate 1".into(),
            ..spec("x")
        },
        CameraSpec {
            width: 161,
            ..spec("x")
        },
        CameraSpec {
            fps: 0,
            ..spec("x")
        },
        CameraSpec {
            gop: 1,
            ..spec("x")
        },
    ] {
        let error = Site::start(vec![wrong]).await.unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::InvalidInput, "{error}");
    }
    let error = Site::start(vec![spec("x"), spec("x")]).await.unwrap_err();
    assert!(error.to_string().contains("another camera"), "{error}");
}

/// Sessions without a sign of life end; an interleaved packet is one.
#[tokio::test]
async fn silent_viewers_are_dropped() {
    let brief = CameraSpec {
        session_timeout: Duration::from_millis(500),
        ..spec("gate")
    };
    let site = Site::start(vec![brief]).await.unwrap();
    let camera = &site.cameras()[0];
    let mut client = Client::connect(camera).await;
    client.play().await;
    for _ in 0..4 {
        sleep(Duration::from_millis(300)).await;
        tokio::io::AsyncWriteExt::write_all(&mut client.stream, b"$\x01\x00\x01x")
            .await
            .unwrap();
    }
    sleep(Duration::from_millis(50)).await;
    assert_eq!(camera.sessions()[0].interleaved_received, 4);
    sleep(Duration::from_millis(700)).await;
    assert!(camera.sessions().is_empty());
}

/// The running GOP comes at once, from its key frame.
#[tokio::test]
async fn a_viewer_may_start_in_the_past() {
    let slow = CameraSpec {
        gop: 500,
        start_at: StartAt::LastKey,
        ..spec("gate")
    };
    let site = Site::start(vec![slow]).await.unwrap();
    let camera = &site.cameras()[0];
    sleep(Duration::from_millis(400)).await;
    let mut client = Client::connect(camera).await;
    client.play().await;
    assert!(client.packet().await.is_some());
    sleep(Duration::from_millis(100)).await;
    let sent = camera.sent();
    assert!(
        sent[0].key && sent[0].number == 0 && sent.len() > 5,
        "{sent:?}"
    );
}

/// A viewer that does not read loses whole GOPs, and memory stays bounded.
#[tokio::test]
async fn slow_viewers_lose_whole_gops() {
    let mut small = spec("gate");
    small.source = Source::Looped {
        bits_per_second: 16_000_000,
    };
    small.send_buffer_bytes = Some(32 << 10);
    small.queue_bytes = 600 << 10;
    let site = Site::start(vec![small]).await.unwrap();
    let camera = &site.cameras()[0];
    let mut client = Client::connect(camera).await;
    client.play().await;
    let dropped = || camera.sessions()[0].units_dropped;
    while dropped() < 10 {
        sleep(Duration::from_millis(50)).await;
    }
    timeout(PATIENCE, async {
        let after = camera.sessions()[0].units_sent + 60;
        while camera.sessions()[0].units_sent < after {
            client.packet().await.unwrap();
        }
    })
    .await
    .unwrap();
    let sent = camera.sent();
    let breaks: Vec<_> = sent
        .windows(2)
        .filter(|w| w[1].number != w[0].number + 1)
        .collect();
    assert!(!breaks.is_empty());
    assert!(breaks.iter().all(|w| w[1].key), "{breaks:?}");
}

/// Nothing passes while the uplink is down, the connection survives, and the camera's queue comes
/// afterwards.
#[tokio::test]
async fn the_uplink_goes_and_comes() {
    let (site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    site.uplink(Uplink::Down);
    sleep(Duration::from_millis(100)).await;
    while timeout(Duration::from_millis(20), client.packet())
        .await
        .is_ok()
    {}
    client.send("OPTIONS", "", "").await;
    assert!(client.is_silent().await);
    let before = camera.sent().len();
    site.uplink(Uplink::Up);
    assert_eq!(client.ask("OPTIONS", "", "").await.0, 200);
    client.packet().await.unwrap();
    sleep(Duration::from_millis(50)).await;
    let sent = camera.sent();
    assert!(sent.len() > before + 8, "{before} {}", sent.len());
    assert!(sent.windows(2).all(|w| w[1].number == w[0].number + 1));
}

#[tokio::test]
async fn everything_ends_with_the_site() {
    let (site, camera) = site().await;
    let drawn = Site::start(vec![CameraSpec {
        source: Source::Drawn,
        ..spec("drawn")
    }])
    .await
    .unwrap();
    let mut client = Client::connect(&camera).await;
    client.play().await;
    drop(site);
    client.read_to_end().await;
    sleep(Duration::from_millis(100)).await;
    assert!(TcpStream::connect(camera.address()).await.is_err());
    let address = drawn.cameras()[0].address();
    timeout(PATIENCE, drawn.stop()).await.unwrap();
    assert!(TcpStream::connect(address).await.is_err());
    camera.behave(Behaviour::Normal);
}
