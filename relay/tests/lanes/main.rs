//! From a camera's socket to pictures: the relay runs on the simulated site, whose cameras draw the
//! number and the capture time of each frame into its lowest rows. What they say they sent is the
//! truth.
#![cfg(feature = "demo")]
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test reports by panicking"
)]

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use forebay::pictures::{Picture, PixelFormat, Request, Source, Subscription};
use forebay::supervise::Running;
use forebay::units::CaptureTime;
use forebay_site::{Behaviour, CameraSpec, SentFrame, SimulatedCamera, Site, read_strip};

const MAIN_GOP: u64 = 24;
const SUB_GOP: u64 = 50;

/// A relay in this process, and its site: the camera `slipway` with a main stream of 640 × 360 (12
/// pictures a second, a key frame each 2 s) and a second one of 320 × 176 (25 a second, a key frame
/// each 2 s), each served by a simulated camera of its own.
struct Yard {
    site: Site,
    running: Running,
    trigger: forebay::Trigger,
    relay: tokio::task::JoinHandle<Result<(), forebay::RunError>>,
    _folder: tempfile::TempDir,
}

impl Yard {
    async fn start() -> Self {
        let mut sub = CameraSpec::new("slipway-sub");
        (sub.width, sub.height, sub.fps, sub.gop) = (320, 176, 25, SUB_GOP as u32);
        let site = Site::start(vec![CameraSpec::new("slipway"), sub])
            .await
            .unwrap();
        let folder = tempfile::tempdir().unwrap();
        let text = format!(
            "[relay]\narchive = {:?}\nlisten = \"127.0.0.1:0\"\n[[site]]\nname = \"boatyard\"\n\
             time_zone = \"Europe/Oslo\"\n[[camera]]\nname = \"slipway\"\nsite = \"boatyard\"\n\
             url = {:?}\nanalysis_url = {:?}\n[[sink]]\nname = \"footage\"\n\
             plugin = \"builtin:recorder\"\n",
            folder.path().join("archive"),
            site.cameras()[0].url(),
            site.cameras()[1].url(),
        );
        let config = forebay::config::parse(&text, Path::new("forebay.toml")).unwrap();
        let (trigger, shutdown) = forebay::shutdown();
        let (tell, told) = tokio::sync::oneshot::channel();
        let relay = tokio::spawn(forebay::run(config, shutdown, |running: &Running| {
            tell.send(running.clone()).unwrap();
        }));
        Self {
            site,
            running: told.await.expect("the relay starts"),
            trigger,
            relay,
            _folder: folder,
        }
    }

    fn subscribe(&self, rate: f64, format: PixelFormat, source: Source) -> Subscription {
        self.running.cameras[0].board.subscribe(Request {
            rate,
            longest_side: 0,
            format,
            source,
        })
    }

    fn camera(&self, source: Source) -> &SimulatedCamera {
        match source {
            Source::Main => &self.site.cameras()[0],
            Source::Analysis => &self.site.cameras()[1],
        }
    }

    fn metric(&self, series: &str) -> f64 {
        let text = self.running.telemetry.render().unwrap();
        let line = text.lines().find_map(|line| line.strip_prefix(series));
        let value = line.unwrap_or_else(|| panic!("there is no {series} in\n{text}"));
        value.trim().parse().unwrap()
    }

    async fn stop(self) {
        self.trigger.pull();
        self.relay.await.unwrap().unwrap();
        self.site.stop().await;
    }
}

/// Waits for a picture; that none comes for so long is a fault on any machine.
async fn next(subscription: &mut Subscription) -> Arc<Picture> {
    tokio::time::timeout(Duration::from_secs(60), subscription.next())
        .await
        .expect("a picture comes")
}

/// The number that the camera drew into a picture, and what it says of the frame of that number.
fn frame(picture: &Picture, camera: &SimulatedCamera) -> SentFrame {
    let gray: Vec<u8> = match picture.format {
        PixelFormat::Rgb8 => picture.planes[0]
            .bytes
            .chunks(3)
            .map(|pixel| pixel[1])
            .collect(),
        PixelFormat::Gray8 | PixelFormat::I420 => picture.planes[0].bytes.to_vec(),
    };
    let stamp = read_strip(&gray, picture.width as usize, picture.height as usize)
        .expect("the picture has the camera's strip");
    let sent = camera.sent();
    let frame = sent
        .iter()
        .find(|frame| frame.number == u64::from(stamp.frame));
    let frame = frame.expect("the camera has sent that frame").clone();
    assert_eq!(frame.capture_ns / 1_000_000, stamp.capture_ms);
    // Half a second: a machine that is busy delays the first packets, which the clock is made of.
    let off = picture.captured.unix_nanos() - frame.capture_ns;
    assert!(
        off.abs() < 500_000_000,
        "captured {off} ns beside the truth"
    );
    frame
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_stream_gives_what_is_asked_of_it() {
    let yard = Yard::start().await;
    let mut main = yard.subscribe(2.0, PixelFormat::Rgb8, Source::Main);
    let mut few = yard.subscribe(0.25, PixelFormat::Gray8, Source::Analysis);
    let mut many = yard.subscribe(5.0, PixelFormat::I420, Source::Analysis);

    let mut shown = Vec::new();
    let mut times = Vec::new();
    for _ in 0..40 {
        let picture = next(&mut many).await;
        assert_eq!((picture.width, picture.height), (320, 176));
        assert_eq!(
            (picture.source, picture.planes.len()),
            (Source::Analysis, 3)
        );
        let frame = frame(&picture, yard.camera(Source::Analysis));
        assert_eq!(picture.random_access, frame.key);
        shown.push(frame.number);
        times.push(picture.captured.unix_nanos());
    }
    // Key frames come each 2 s: 5 a second needs the others too, each fifth of them.
    assert!(
        shown.iter().filter(|number| *number % SUB_GOP != 0).count() > 20,
        "{shown:?}"
    );
    assert!(shown.windows(2).all(|pair| pair[0] < pair[1]), "{shown:?}");
    // Over the whole no more than the rate, whatever was left out.
    let seconds = (times[39] - times[0]) as f64 / 1e9;
    assert!(39.0 <= seconds * 5.0 + 2.0, "40 pictures in {seconds} s");

    let mut keys = Vec::new();
    for subscription in [&mut few, &mut main] {
        let picture = next(subscription).await;
        let frame = frame(&picture, yard.camera(picture.source));
        keys.push((picture.source, frame.number));
    }
    assert_eq!(keys[1].0, Source::Main);
    assert_eq!(
        keys[1].1 % MAIN_GOP,
        0,
        "of the main stream key frames alone"
    );
    // The next of the main stream is ten seconds later, whatever the rate.
    let second = next(&mut main).await;
    let second = frame(&second, yard.camera(Source::Main));
    let apart = second.number - keys[1].1;
    assert!(
        apart % MAIN_GOP == 0 && apart >= 10 * 12,
        "{apart} frames apart"
    );

    // The second stream is no second camera: not in the counts of the first, and not in the ledger.
    let units = yard.metric("forebay_camera_units_total{camera=\"slipway\",kind=\"video\"}");
    assert!(units <= yard.camera(Source::Main).sent().len() as f64);
    assert!(
        yard.metric("forebay_analysis_camera_units_total{camera=\"slipway\",kind=\"video\"}")
            >= 40.0
    );
    let decoded = |stream| {
        yard.metric(&format!(
            "forebay_pictures_decoded_total{{camera=\"slipway\",stream=\"{stream}\"}}"
        ))
    };
    println!(
        "decoded of the main stream {}, of the analysis stream {}",
        decoded("main"),
        decoded("analysis")
    );
    assert!(decoded("main") <= 4.0 && decoded("analysis") >= 40.0);
    // Nobody wants any more: nothing more is decoded.
    drop((main, few, many));
    tokio::time::sleep(Duration::from_secs(1)).await;
    let before = decoded("analysis");
    tokio::time::sleep(Duration::from_secs(2)).await;
    assert_eq!(decoded("analysis"), before);
    assert_eq!(
        yard.metric("forebay_picture_decoder_memory_bytes{camera=\"slipway\",stream=\"analysis\"}"),
        0.0
    );
    yard.stop().await;
}

/// Questions get the key frame that is nearest by the camera's own account: past, to come, and
/// after a silence.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn questions_get_the_nearest_key_frame() {
    let yard = Yard::start().await;
    let camera = yard.camera(Source::Main);
    let mut subscription = yard.subscribe(0.0, PixelFormat::Gray8, Source::Main);
    // Three key frames are there.
    let hold = &yard.running.cameras[0].hold;
    while hold.key_frames().len() < 3 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let keys = hold.key_frames();
    let at = |nanos: i64| CaptureTime::from_unix_nanos(nanos);
    let second = 1_000_000_000;
    let (oldest, middle) = (keys[0].captured.unix_nanos(), keys[1].captured.unix_nanos());
    let asked = [
        at(oldest - 3600 * second),
        at(middle - second / 2),
        at(middle + second / 2),
        at(CaptureTime::now().unix_nanos() + 3 * second),
    ];
    for asked in asked {
        subscription.ask(asked);
        let picture = next(&mut subscription).await;
        assert_eq!(picture.asked, Some(asked));
        let frame = frame(&picture, camera);
        assert!(frame.key && picture.random_access);
        let off = |frame: &SentFrame| (frame.capture_ns - asked.unix_nanos()).abs();
        // Those that the relay has had: the oldest in its hold, and later ones.
        let sent = camera.sent();
        let had = sent
            .iter()
            .filter(|other| other.key && other.capture_ns >= oldest - second);
        let nearest = had.min_by_key(|other| off(other)).unwrap();
        // Two that are about as near are both right: capture times are not exact.
        assert!(
            off(&frame) <= off(nearest) + second / 2,
            "{frame:?} {nearest:?}"
        );
    }

    camera.behave(Behaviour::Freeze);
    // Asked for in the silence: what comes first after it.
    tokio::time::sleep(Duration::from_secs(3)).await;
    let asked = CaptureTime::now();
    subscription.ask(asked);
    let early = tokio::time::timeout(Duration::from_secs(4), subscription.next()).await;
    assert!(early.is_err(), "answered in a silence: {early:?}");
    camera.behave(Behaviour::Normal);
    let picture = next(&mut subscription).await;
    assert_eq!(picture.asked, Some(asked));
    let frame = frame(&picture, camera);
    let off = (frame.capture_ns - asked.unix_nanos()).abs();
    let nearer = camera
        .sent()
        .into_iter()
        .filter(|other| other.key && other.whole)
        .any(|other| (other.capture_ns - asked.unix_nanos()).abs() + 2 * second < off);
    assert!(!nearer, "{frame:?} for {asked}");
    yard.stop().await;
}
