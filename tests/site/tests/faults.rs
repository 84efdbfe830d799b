//! Each fault as a viewer meets it, and that the camera is well again afterwards.

use std::time::{Duration, Instant};

use forebay_site::{Behaviour, Method, SimulatedCamera, Step};
use tokio::net::TcpStream;
use tokio::time::sleep;

use crate::client::{Client, Message, header, site};

async fn assert_well(camera: &SimulatedCamera) {
    camera.behave(Behaviour::Normal);
    sleep(Duration::from_millis(100)).await;
    let mut client = Client::connect(camera).await;
    client.play().await;
    assert!(client.packet().await.is_some());
}

#[tokio::test]
async fn refuses_connections() {
    let (_site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    camera.behave(Behaviour::RefuseConnections);
    client.read_to_end().await;
    sleep(Duration::from_millis(50)).await;
    let refused = TcpStream::connect(camera.address()).await.unwrap_err();
    assert_eq!(refused.kind(), std::io::ErrorKind::ConnectionRefused);
    assert_well(&camera).await;
}

#[tokio::test]
async fn statuses() {
    let (_site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    let tcp = "Transport: RTP/AVP/TCP;unicast;interleaved=0-1\r\n";
    camera.behave(Behaviour::Unauthorized);
    let (code, head, _) = client
        .ask("DESCRIBE", "", "Authorization: Basic dTpw\r\n")
        .await;
    assert_eq!(code, 401);
    assert!(head.contains("WWW-Authenticate: Digest realm="), "{head}");
    camera.behave(Behaviour::NotFound);
    assert_eq!(client.ask("DESCRIBE", "", "").await.0, 404);
    assert_eq!(client.ask("OPTIONS", "", "").await.0, 200);
    camera.behave(Behaviour::Status {
        method: Method::Setup,
        code: 453,
    });
    assert_eq!(client.ask("DESCRIBE", "", "").await.0, 200);
    assert_eq!(client.ask("SETUP", "/track=0", tcp).await.0, 453);
    camera.behave(Behaviour::Status {
        method: Method::Play,
        code: 503,
    });
    assert_eq!(client.ask("SETUP", "/track=0", tcp).await.0, 200);
    assert_eq!(client.ask("PLAY", "/", "").await.0, 503);
    assert_well(&camera).await;
}

#[tokio::test]
async fn hangs_at_each_step() {
    let (_site, camera) = site().await;
    for (step, method, path) in [
        (Step::Accept, "OPTIONS", ""),
        (Step::Options, "OPTIONS", ""),
        (Step::Describe, "DESCRIBE", ""),
        (Step::Setup, "SETUP", "/track=0"),
        (Step::Play, "PLAY", "/"),
    ] {
        camera.behave(Behaviour::HangAt(step));
        let mut client = Client::connect(&camera).await;
        client
            .send(method, path, "Transport: RTP/AVP/TCP\r\n")
            .await;
        assert!(client.is_silent().await, "{step:?}");
        assert_eq!(camera.sessions().len(), 1);
        drop(client);
        assert_well(&camera).await;
        sleep(Duration::from_millis(50)).await;
        assert!(camera.sessions().is_empty(), "{step:?}");
    }
    camera.behave(Behaviour::HangAt(Step::AfterPlay(7)));
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let mut units = 0;
    while let Ok(Some(packet)) =
        tokio::time::timeout(Duration::from_millis(300), client.packet()).await
    {
        units += u64::from(header(&packet).2);
    }
    assert_eq!(units, 7);
    client.send("GET_PARAMETER", "/", "").await;
    assert!(client.is_silent().await);
    assert_well(&camera).await;
}

#[tokio::test]
async fn garbage() {
    let (_site, camera) = site().await;
    camera.behave(Behaviour::GarbageReplies);
    let mut client = Client::connect(&camera).await;
    client.send("OPTIONS", "", "").await;
    assert!(!client.is_silent().await);
    let mut first = [0; 9];
    client.stream.peek(&mut first).await.unwrap();
    assert_ne!(&first, b"RTSP/1.0 ");
    camera.behave(Behaviour::Normal);
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    let sent = camera.sent().len();
    camera.behave(Behaviour::GarbageMedia);
    sleep(Duration::from_millis(200)).await;
    let (units, logged) = (
        camera.sessions().last().unwrap().units_sent,
        camera.sent().len(),
    );
    assert!(units as usize >= sent + 3, "{units} {sent}");
    assert!(logged <= sent + 1, "noise was logged as sent");
    drop(client);
    assert_well(&camera).await;
}

#[tokio::test]
async fn an_oversize_unit_is_whole_and_counted_once() {
    const BYTES: usize = 3_000_000;
    let (_site, camera) = site().await;
    camera.behave(Behaviour::OversizeUnit {
        bytes: BYTES as u64,
    });
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let (mut sizes, mut size) = (Vec::new(), 0);
    while sizes.len() < 12 {
        let packet = client.packet().await.unwrap();
        size += packet.len() - 14;
        if header(&packet).2 {
            sizes.push(std::mem::take(&mut size));
        }
    }
    assert_eq!(sizes.iter().filter(|size| **size == BYTES).count(), 1);
    assert!(
        sizes.iter().all(|size| *size == BYTES || *size < 100_000),
        "{sizes:?}"
    );
    assert_well(&camera).await;
}

#[tokio::test]
async fn an_endless_fragment_keeps_its_rate() {
    let (_site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    camera.behave(Behaviour::EndlessFragment {
        bytes_per_second: 4_000_000,
    });
    let begins = loop {
        let packet = client.packet().await.unwrap();
        if packet[12] & 0x1F == 28 && packet[13] & 0x80 != 0 && packet[14] == 0xA5 {
            break Instant::now();
        }
    };
    let mut bytes = 0;
    while begins.elapsed() < Duration::from_secs(1) {
        let packet = client.packet().await.unwrap();
        // Neither begin nor end nor marker.
        assert_eq!(
            (packet[1] & 0x80, packet[12] & 0x1F, packet[13] & 0xC0),
            (0, 28, 0)
        );
        bytes += packet.len();
    }
    // A busy machine may be slow, but nothing makes it faster.
    assert!((1_000_000..4_800_000).contains(&bytes), "{bytes}");
    assert_eq!(client.ask("OPTIONS", "", "").await.0, 200);
    assert_well(&camera).await;
}

#[tokio::test]
async fn closes_in_mid_unit() {
    let (_site, camera) = site().await;
    camera.behave(Behaviour::CloseMidUnit);
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let mut units = 0;
    while let Some(packet) = client.packet().await {
        units += usize::from(header(&packet).2);
    }
    assert_eq!(units, 2);
    assert!(client.read_to_end().await > 0, "closed between packets");
    assert_well(&camera).await;
}

#[tokio::test]
async fn changes_resolution_and_back() {
    let (_site, camera) = site().await;
    let (_, _, before) = Client::connect(&camera).await.ask("DESCRIBE", "", "").await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let mut sets = Vec::new();
    for behaviour in [
        Behaviour::Normal,
        Behaviour::ChangeResolution,
        Behaviour::Normal,
    ] {
        camera.behave(behaviour);
        let mut seen = None;
        for _ in 0..60 {
            let packet = client.packet().await.unwrap();
            if packet[12] & 0x1F == 7 {
                seen = Some(packet[12..].to_vec());
            }
        }
        sets.push(seen);
        let (_, _, now) = Client::connect(&camera).await.ask("DESCRIBE", "", "").await;
        assert_eq!(now == before, behaviour == Behaviour::Normal);
    }
    // In band only when they differ from what was described.
    let [None, Some(changed), Some(back)] = &sets[..] else {
        panic!("{sets:?}")
    };
    assert_ne!(changed, back);
}

#[tokio::test]
async fn restarts_in_1970() {
    let (_site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    camera.behave(Behaviour::RestartWithClock1970);
    client.read_to_end().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let Some(Message::Packet(1, report)) = client.next().await else {
        panic!()
    };
    // Seconds of NTP time, of which 2 208 988 800 lie before 1970 (RFC 5905 figure 4).
    let seconds = u32::from_be_bytes(report[8..12].try_into().unwrap());
    assert!(
        (2_208_988_800..2_208_988_810).contains(&seconds),
        "{seconds}"
    );
    let packet = client.packet().await.unwrap();
    let (sequence, time, _) = header(&packet);
    assert_eq!(sequence, 0);
    assert!(time < 90_000 * 10, "{time}");
    assert_well(&camera).await;
}

#[tokio::test]
async fn loses_packets() {
    let (_site, camera) = site().await;
    camera.behave(Behaviour::LosePackets { every: 4 });
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let mut numbers = Vec::new();
    for _ in 0..30 {
        numbers.push(header(&client.packet().await.unwrap()).0);
    }
    let steps: Vec<u16> = numbers
        .windows(2)
        .map(|w| w[1].wrapping_sub(w[0]))
        .collect();
    assert_eq!(steps[..9], [1, 1, 2, 1, 1, 2, 1, 1, 2]);
    assert!(camera.sent().iter().any(|frame| !frame.whole));
    assert_well(&camera).await;
}

#[tokio::test]
async fn endless_replies() {
    let (_site, camera) = site().await;
    for behaviour in [
        Behaviour::LongHeader {
            bytes_per_second: 1_000_000,
        },
        Behaviour::HugeContentLength {
            bytes_per_second: 1_000_000,
        },
    ] {
        camera.behave(behaviour);
        let mut client = Client::connect(&camera).await;
        client.send("DESCRIBE", "", "").await;
        let mut bytes = 0;
        let mut piece = vec![0; 65_536];
        while bytes < 300_000 {
            let got = tokio::io::AsyncReadExt::read(&mut client.stream, &mut piece)
                .await
                .unwrap();
            assert!(got > 0, "{behaviour:?}");
            if bytes == 0 {
                let head = String::from_utf8_lossy(&piece[..got]).into_owned();
                let huge = matches!(behaviour, Behaviour::HugeContentLength { .. });
                assert_eq!(head.contains("\r\n\r\n"), huge, "{head}");
                assert_eq!(
                    head.contains("Content-Length: 4294967296\r\n"),
                    huge,
                    "{head}"
                );
            }
            bytes += got;
        }
        camera.behave(Behaviour::Normal);
        client.read_to_end().await;
    }
    assert_well(&camera).await;
}

#[tokio::test]
async fn asks_the_client() {
    let (_site, camera) = site().await;
    camera.behave(Behaviour::RequestToClient);
    let mut client = Client::connect(&camera).await;
    client.play().await;
    let mut requests = Vec::new();
    for _ in 0..40 {
        if let Some(Message::Request(head)) = client.next().await {
            requests.push(head);
        }
    }
    assert_eq!(requests.len(), 1);
    assert!(
        requests[0].starts_with("OPTIONS * RTSP/1.0\r\n"),
        "{requests:?}"
    );
    assert_well(&camera).await;
}

#[tokio::test]
async fn freezes_and_thaws() {
    let (_site, camera) = site().await;
    let mut client = Client::connect(&camera).await;
    client.play().await;
    client.packet().await.unwrap();
    camera.behave(Behaviour::Freeze);
    sleep(Duration::from_millis(100)).await;
    while tokio::time::timeout(Duration::from_millis(20), client.packet())
        .await
        .is_ok()
    {}
    client.send("GET_PARAMETER", "/", "").await;
    assert!(client.is_silent().await);
    camera.behave(Behaviour::Normal);
    assert_eq!(client.ask("OPTIONS", "", "").await.0, 200);
    assert!(client.packet().await.is_some());
}
