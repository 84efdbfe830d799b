use std::process::Command;
use std::time::Duration;

use forebay_site::{
    Account, CameraSpec, Scheme, SentFrame, SimulatedCamera, Site, Source, StartAt, frames,
};
use futures_util::StreamExt as _;
use retina::client::{Credentials, PlayOptions, Session, SessionOptions, SetupOptions};
use retina::codec::{CodecItem, FrameFormat};

use crate::client::spec;
use crate::tools::{Scratch, access_units, ffmpeg, has_ffmpeg};

fn account(scheme: Scheme) -> Option<Account> {
    Some(Account {
        scheme,
        user: "relay".into(),
        password: "s1mulated".into(),
    })
}

/// That these numbers, times and fingerprints are what the camera sent, with no hole between.
fn assert_as_sent(camera: &SimulatedCamera, session: u64, units: &[(u64, i64, u64)]) {
    let sent: Vec<SentFrame> = camera
        .sent()
        .into_iter()
        .filter(|frame| frame.session == session)
        .collect();
    assert!(sent[0].key);
    let told: Vec<_> = sent
        .iter()
        .map(|frame| (frame.number, frame.capture_ns, frame.fingerprint))
        .collect();
    assert_eq!(told[..units.len()], *units);
    assert!(units.windows(2).all(|pair| pair[1].0 == pair[0].0 + 1));
}

/// ffmpeg over both transports and with each kind of authentication that it knows: what it copies
/// is what the camera sent.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ffmpeg_copies_every_frame() {
    if !has_ffmpeg() {
        return;
    }
    let mut drawn = spec("slipway");
    (drawn.source, drawn.fps, drawn.gop) = (Source::Drawn, 12, 6);
    drawn.account = account(Scheme::DigestMd5);
    let mut looped = CameraSpec {
        gop: 10,
        ..spec("gate")
    };
    // Key frames in many fragments.
    looped.source = Source::Looped {
        bits_per_second: 2_000_000,
    };
    looped.account = account(Scheme::Basic);
    looped.parameters_in_band = true;
    looped.start_at = StartAt::LastKey;
    let mut old = spec("mast-crane");
    old.account = account(Scheme::DigestMd5Legacy);
    let site = Site::start(vec![drawn, looped, old]).await.unwrap();
    for (index, camera) in site.cameras().iter().enumerate() {
        for (session, transport) in ["tcp", "udp"].into_iter().enumerate() {
            let url = camera.url_with_credentials();
            let name = format!("copy-{index}-{transport}.h264");
            let complaints = tokio::task::spawn_blocking(move || {
                let out = Scratch::new(&name);
                let complaints = ffmpeg(&[
                    "-rtsp_transport",
                    transport,
                    "-i",
                    &url,
                    "-c",
                    "copy",
                    "-frames:v",
                    "24",
                    "-f",
                    "h264",
                    out.path(),
                ]);
                (complaints, out.read())
            });
            let (complaints, stream) = complaints.await.unwrap();
            assert_eq!(complaints, "", "{} {transport}", camera.name());
            let units: Vec<_> = access_units(&stream)
                .iter()
                .map(|unit| {
                    let (number, capture_ns) = frames::from_annex_b(unit).unwrap();
                    (number, capture_ns, frames::fingerprint_annex_b(unit))
                })
                .collect();
            assert_eq!(units.len(), 24);
            assert_as_sent(camera, session as u64, &units);
        }
    }
    site.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ffprobe_sees_both_tracks() {
    if !has_ffmpeg() {
        return;
    }
    let camera = CameraSpec {
        audio: true,
        ..spec("gate")
    };
    let site = Site::start(vec![camera]).await.unwrap();
    for transport in ["tcp", "udp"] {
        let url = site.cameras()[0].url();
        let run = tokio::task::spawn_blocking(move || {
            let fields = "stream=codec_name,profile,width,height,sample_rate,r_frame_rate";
            let options = [
                "-v",
                "warning",
                "-rtsp_transport",
                transport,
                "-of",
                "csv",
                "-show_entries",
                fields,
            ];
            Command::new("ffprobe")
                .args(options)
                .arg(url)
                .output()
                .unwrap()
        });
        let run = run.await.unwrap();
        assert_eq!(String::from_utf8_lossy(&run.stderr), "");
        let text = String::from_utf8_lossy(&run.stdout).into_owned();
        let mut lines: Vec<&str> = text.lines().collect();
        lines.sort_unstable();
        assert_eq!(
            lines,
            [
                "stream,h264,Constrained Baseline,160,128,25/1",
                "stream,pcm_mulaw,unknown,8000,0/0"
            ]
        );
    }
    site.stop().await;
}

async fn retina_session(camera: &SimulatedCamera) -> Session<retina::client::Described> {
    let account = camera.spec().account.clone();
    let credentials = account.map(|account| Credentials {
        username: account.user,
        password: account.password,
    });
    let options = SessionOptions::default().creds(credentials);
    Session::describe(camera.url().parse().unwrap(), options)
        .await
        .unwrap()
}

/// SHA-256 digests, RTP-Info, sender reports and fragments by a client that is strict.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn retina_gets_every_frame() {
    let mut spec = CameraSpec {
        audio: true,
        account: account(Scheme::DigestSha256),
        ..spec("gate")
    };
    spec.source = Source::Looped {
        bits_per_second: 2_000_000,
    };
    spec.clock_offset_ns = -3_600_000_000_000;
    let site = Site::start(vec![spec]).await.unwrap();
    let camera = &site.cameras()[0];
    let mut session = retina_session(camera).await;
    for stream in 0..2 {
        session
            .setup(
                stream,
                SetupOptions::default().frame_format(FrameFormat::MP4),
            )
            .await
            .unwrap();
    }
    let mut playing = session
        .play(PlayOptions::default())
        .await
        .unwrap()
        .demuxed()
        .unwrap();
    let (mut units, mut sound, mut reports) = (Vec::new(), 0, 0);
    while units.len() < 60 {
        let item = tokio::time::timeout(Duration::from_secs(5), playing.next())
            .await
            .unwrap();
        match item.unwrap().unwrap() {
            CodecItem::VideoFrame(frame) => {
                assert_eq!(frame.loss(), 0);
                let (number, capture_ns) = frames::from_length_prefixed(frame.data()).unwrap();
                units.push((
                    number,
                    capture_ns,
                    frames::fingerprint_length_prefixed(frame.data()),
                ));
            }
            CodecItem::AudioFrame(frame) => {
                assert_eq!(frame.data().len(), 160);
                sound += 1;
            }
            CodecItem::Rtcp(report) => {
                let report = report
                    .pkts()
                    .next()
                    .unwrap()
                    .as_sender_report()
                    .unwrap()
                    .unwrap();
                let told = i64::try_from(report.ntp_timestamp().0 >> 32).unwrap() - 2_208_988_800;
                let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
                let wrong = told - i64::try_from(now.unwrap().as_secs()).unwrap();
                assert!((-3602..=-3599).contains(&wrong), "{wrong}");
                reports += 1;
            }
            other => panic!("{other:?}"),
        }
    }
    assert_as_sent(camera, 0, &units);
    // 60 frames are 2.4 s; the first may have waited up to a GOP for a key frame.
    assert!((100..140).contains(&sound), "{sound}");
    assert_eq!(reports, 2);
    drop(playing);
    site.stop().await;
}
