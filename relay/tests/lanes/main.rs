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

mod behind;
mod live;
mod pair;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use forebay::archive::catalog::Catalog;
use forebay::archive::findings::{Finding, Phase};
use forebay::config::Pictures;
use forebay::hold::Hold;
use forebay::pictures::{
    Lane, Picture, PictureBoard, PixelFormat, Request, Source, Subscription, Workshop,
};
use forebay::sinks::Engine;
use forebay::supervise::Running;
use forebay::telemetry::{PictureEvents, Telemetry};
use forebay::units::{CameraName, CaptureTime};
use forebay_site::{Behaviour, CameraSpec, SentFrame, SimulatedCamera, Site, Uplink, read_strip};

/// Longer than anything takes on a machine that has much else to do.
const PATIENCE: Duration = Duration::from_secs(240);
const MAIN_GOP: u64 = 24;
const SUB_GOP: u64 = 50;

/// A relay in this process, and its site: the camera `slipway` with a main stream of 640 × 360 (12
/// pictures a second, a key frame each 2 s) and a second one of 320 × 176 (25 a second, a key frame
/// each 2 s), each served by a simulated camera of its own.
struct Yard {
    _alone: tokio::sync::MutexGuard<'static, ()>,
    site: Site,
    running: Running,
    trigger: forebay::Trigger,
    relay: tokio::task::JoinHandle<Result<(), forebay::RunError>>,
    spool: PathBuf,
    folder: tempfile::TempDir,
}

impl Yard {
    async fn start() -> Self {
        let mut sub = CameraSpec::new("slipway-sub");
        (sub.width, sub.height, sub.fps, sub.gop) = (320, 176, 25, SUB_GOP as u32);
        Self::start_with(CameraSpec::new("slipway"), sub).await
    }

    /// With other streams.
    async fn start_with(main: CameraSpec, sub: CameraSpec) -> Self {
        // One site and one relay at a time are enough for two cores.
        static MACHINE: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());
        let alone = MACHINE.lock().await;
        let site = Site::start(vec![main, sub]).await.unwrap();
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
        let spool = config.relay.spool.clone();
        let (trigger, shutdown) = forebay::shutdown();
        let (tell, told) = tokio::sync::oneshot::channel();
        let relay = tokio::spawn(forebay::run(config, shutdown, |running: &Running| {
            tell.send(running.clone()).unwrap();
        }));
        Self {
            _alone: alone,
            site,
            running: told.await.expect("the relay starts"),
            trigger,
            relay,
            spool,
            folder,
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
        drop(self.close().await);
    }

    /// Ends it; what it has kept stays until the folder is dropped.
    async fn close(self) -> (tempfile::TempDir, Catalog) {
        self.trigger.pull();
        self.relay.await.unwrap().unwrap();
        self.site.stop().await;
        (self.folder, Catalog::open_to_read(&self.spool).unwrap())
    }
}

/// Waits for a picture; that none comes for so long is a fault on any machine.
async fn next(subscription: &mut Subscription) -> Arc<Picture> {
    tokio::time::timeout(PATIENCE, subscription.next())
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
    let frame = *frame.expect("the camera has sent that frame");
    assert_eq!(frame.capture_ns / 1_000_000, stamp.capture_ms);
    // A machine that is busy delays the packets that the clock is made of; how exact it is otherwise
    // is for its own tests to say.
    let off = picture.captured.unix_nanos() - frame.capture_ns;
    assert!(
        off.abs() < 5_000_000_000,
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
        keys.push((picture.source, frame.number, picture.captured));
    }
    assert_eq!(keys[1].0, Source::Main);
    assert_eq!(
        keys[1].1 % MAIN_GOP,
        0,
        "of the main stream key frames alone"
    );
    // The next of the main stream is ten seconds later, whatever the rate.
    let second = next(&mut main).await;
    assert!(frame(&second, yard.camera(Source::Main)).key);
    // A camera on a busy machine leaves frames out: times tell, not numbers.
    let apart = second.captured.unix_nanos() - keys[1].2.unix_nanos();
    assert!(apart >= 9_900_000_000, "{apart} ns apart");

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

/// No key frame in the hold is nearer than the one that was given.
fn assert_nearest(picture: &Picture, hold: &Hold, asked: CaptureTime) {
    let off = |captured: CaptureTime| (captured.unix_nanos() - asked.unix_nanos()).abs();
    let keys = hold.key_frames();
    let nearest = keys.iter().map(|key| off(key.captured)).min();
    assert!(
        Some(off(picture.captured)) <= nearest,
        "{picture:?} for {asked}"
    );
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
        assert_nearest(&picture, hold, asked);
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
    assert!(frame.key);
    assert_nearest(&picture, hold, asked);
    yard.stop().await;
}

/// A stream whose pictures are larger than the configuration allows can't be decoded: that is said
/// once, tried once, and over when the camera sends smaller ones.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_stream_that_cannot_be_decoded_is_said_once() {
    let yard = Yard::start().await;
    let running = &yard.running.cameras[0];
    let telemetry = Arc::new(Telemetry::new());
    // The camera sends 640 × 360, and 320 × 240 when it is told to change.
    let limits = Pictures {
        pixels_max: 100_000,
        ..Pictures::default()
    };
    let told = Arc::new(Mutex::new(Vec::<Finding>::new()));
    let teller = Arc::clone(&told);
    let note = move |camera: &CameraName, finding| {
        assert_eq!(camera.as_str(), "slipway");
        teller.lock().unwrap().push(finding);
    };
    let events = PictureEvents::new(&telemetry, &running.name, Source::Main, &limits);
    let board = PictureBoard::new(events, None);
    let lane = Lane {
        camera: running.name.clone(),
        source: Source::Main,
        hold: Arc::clone(&running.hold),
        board: board.clone(),
        workshop: Workshop::new(&Engine::new(None).unwrap(), &limits, Arc::new(note)),
    };
    let (trigger, shutdown) = forebay::shutdown();
    let task = tokio::spawn(lane.run(shutdown));
    let mut subscription = board.subscribe(Request {
        rate: 1.0,
        longest_side: 0,
        format: PixelFormat::Gray8,
        source: Source::Main,
    });
    let found = async |count: usize| {
        let wait = async {
            while told.lock().unwrap().len() < count {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        };
        tokio::time::timeout(PATIENCE, wait)
            .await
            .expect("there is a finding");
        told.lock().unwrap()[count - 1].clone()
    };
    let begin = found(1).await;
    assert_eq!((begin.phase, begin.source), (Phase::Begin, Source::Main));
    assert_eq!(
        (begin.sink.as_str(), begin.kind.as_str()),
        ("pictures", "undecodable")
    );
    assert!(
        begin.text.contains("main stream can't be decoded"),
        "{}",
        begin.text
    );
    assert!(
        begin.text.len() <= 256 && !begin.text.contains('\n'),
        "{}",
        begin.text
    );
    println!("{}", begin.text);
    // Another question for it is no reason to try again, and nothing more is said.
    subscription.ask(CaptureTime::now());
    let before = running.hold.key_frames().len();
    while running.hold.key_frames().len() < before + 6 {
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(told.lock().unwrap().len(), 1);
    assert!(subscription.take().is_none());
    let series = |name: &str, label: &str| {
        let text = telemetry.render().unwrap();
        let begin = format!("forebay_{name}{{camera=\"slipway\",stream=\"main\"{label}}} ");
        let value = text.lines().find_map(|line| line.strip_prefix(&begin));
        value
            .unwrap_or_else(|| panic!("{begin} in {text}"))
            .to_owned()
    };
    assert_eq!(
        series("picture_decode_faults_total", ",fault=\"unsupported\""),
        "1"
    );
    assert_eq!(series("picture_undecodable", ""), "1");

    yard.camera(Source::Main)
        .behave(Behaviour::ChangeResolution);
    let picture = next(&mut subscription).await;
    assert_eq!((picture.width, picture.height), (320, 240));
    let end = found(2).await;
    assert_eq!((end.phase, end.kind.as_str()), (Phase::End, "undecodable"));
    assert_eq!(series("picture_undecodable", ""), "0");
    trigger.pull();
    task.await.unwrap();
    assert_eq!(told.lock().unwrap().len(), 2);
    yard.stop().await;
}

/// What the camera has held back in an outage is looked at in its order, and at its true times.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn pictures_of_an_outage_come_late_and_in_order() {
    let yard = Yard::start().await;
    let camera = yard.camera(Source::Analysis);
    let mut subscription = yard.subscribe(4.0, PixelFormat::Gray8, Source::Analysis);
    // Every picture is decoded from the second key frame on.
    loop {
        let picture = next(&mut subscription).await;
        if !picture.random_access {
            break;
        }
    }
    let down = CaptureTime::now().unix_nanos();
    yard.site.uplink(Uplink::Down);
    let (mut shown, mut within) = (Vec::new(), 0);
    // A machine that is busy still looks at what came before.
    let outage = async {
        loop {
            let picture = subscription.next().await;
            shown.push(frame(&picture, camera).number);
        }
    };
    let lasted: Result<(), _> = tokio::time::timeout(Duration::from_secs(3), outage).await;
    assert!(lasted.is_err());
    let up = CaptureTime::now().unix_nanos();
    yard.site.uplink(Uplink::Up);
    let before = subscription.dropped();
    loop {
        let picture = next(&mut subscription).await;
        let frame = frame(&picture, camera);
        shown.push(frame.number);
        within += usize::from((down..up).contains(&frame.capture_ns));
        if frame.capture_ns > up + 1_000_000_000 {
            break;
        }
    }
    assert!(shown.windows(2).all(|pair| pair[0] < pair[1]), "{shown:?}");
    let missed = subscription.dropped();
    println!(
        "{within} pictures of the outage, {missed} that came too fast for this test; {before} before"
    );
    // Twelve are due in 3 s. Those that came all at once and gave way to newer ones are counted.
    assert!(within as u64 + missed >= 8, "{shown:?}, {missed} missed");
    assert!(within > 0, "{shown:?}");
    yard.stop().await;
}
