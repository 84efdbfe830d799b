//! Pictures that can't be decoded as fast as they come: the oldest are left out, and counted; the
//! newest are shown, and what is recorded lacks nothing.
//!
//! The load is not a matter of the machine: so many lanes share one worker that no core has the time
//! for what the camera sends to each of them.

use forebay_site::Source as Pictured;

use super::*;

/// Lanes that decode the same stream, with one worker for all.
const LANES: usize = 16;
/// As in `pictures/lane.rs`: units that may wait where every picture is decoded.
const BACKLOG_MAX: u64 = 250;
/// And key frames that may.
const KEYS_MAX: u64 = 16;
/// On top of that, a picture waits for its own decoding, and for the worker: so many times the
/// longest pause between two pictures that are shown. What is out of bounds grows with each of them.
const PAUSES: u64 = 3;

/// A lane beside those of the relay.
struct Busy {
    telemetry: Arc<Telemetry>,
    subscription: Subscription,
    trigger: forebay::Trigger,
    task: tokio::task::JoinHandle<()>,
}

impl Busy {
    fn start(yard: &Yard, workshop: &Arc<Workshop>, limits: &Pictures) -> Self {
        let running = &yard.running.cameras[0];
        let telemetry = Arc::new(Telemetry::new());
        let events = |source| PictureEvents::new(&telemetry, &running.name, source, limits);
        let board = PictureBoard::new(events(Source::Main), Some(events(Source::Analysis)));
        let lane = Lane {
            camera: running.name.clone(),
            source: Source::Analysis,
            hold: Arc::clone(&running.analysis.as_ref().unwrap().hold),
            board: board.clone(),
            workshop: Arc::clone(workshop),
        };
        let (trigger, shutdown) = forebay::shutdown();
        Self {
            telemetry,
            subscription: board.subscribe(Request {
                rate: 50.0,
                longest_side: 160,
                format: PixelFormat::Gray8,
                source: Source::Analysis,
            }),
            trigger,
            task: tokio::spawn(lane.run(shutdown)),
        }
    }

    /// A count of its pictures.
    fn count(&self, name: &str, label: &str) -> u64 {
        let text = self.telemetry.render().unwrap();
        let series = format!("forebay_{name}{{camera=\"slipway\",stream=\"analysis\"{label}}} ");
        let line = text.lines().find_map(|line| line.strip_prefix(&series));
        let value = line.unwrap_or_else(|| panic!("there is no {series} in\n{text}"));
        value.trim().parse().unwrap()
    }

    fn behind(&self) -> u64 {
        self.count("pictures_dropped_total", ",reason=\"behind\"")
    }

    fn decoded(&self) -> u64 {
        self.count("pictures_decoded_total", "")
    }

    async fn stop(self) {
        self.trigger.pull();
        self.task.await.unwrap();
    }
}

/// A yard whose second stream is of that size, with so many pictures a second and a key frame each
/// so many; and the lanes that are too many for it.
async fn overloaded(size: (usize, usize), fps: u32, gop: u32) -> (Yard, Vec<Busy>) {
    let mut sub = CameraSpec::new("slipway-sub");
    ((sub.width, sub.height), sub.fps, sub.gop) = (size, fps, gop);
    // Drawn once and sent again and again: the camera has time for it.
    sub.source = Pictured::Looped {
        bits_per_second: 1_000_000,
    };
    let yard = Yard::start_with(CameraSpec::new("slipway"), sub).await;
    let limits = Pictures {
        workers: 1,
        ..Pictures::default()
    };
    let engine = Engine::new(None).unwrap();
    let workshop = Workshop::new(&engine, &limits, Arc::new(|_: &CameraName, _: Finding| {}));
    let lanes = (0..LANES).map(|_| Busy::start(&yard, &workshop, &limits));
    let lanes = lanes.collect();
    (yard, lanes)
}

/// The number of the newest key frame that has come.
fn newest(hold: &Hold) -> u64 {
    hold.key_frames().last().map_or(0, |key| key.sequence)
}

/// How far pictures were behind the newest key frame at the most, and how many units came at the
/// most between two of them.
struct Delay {
    lag: u64,
    pause: u64,
}

/// Shows pictures of a lane until it has left out so many.
async fn watch(yard: &Yard, lane: &mut Busy, drops: u64) -> Delay {
    let hold = &yard.running.cameras[0].analysis.as_ref().unwrap().hold;
    let (mut lag, mut pause) = (0, 0);
    let (mut last, mut shown, mut before) = (None, 0, newest(hold));
    while lane.behind() < drops || shown < 12 {
        let picture = next(&mut lane.subscription).await;
        assert!(
            last < Some(picture.sequence),
            "out of order: {last:?}, {picture:?}"
        );
        last = Some(picture.sequence);
        let newest = newest(hold);
        lag = lag.max(newest.saturating_sub(picture.sequence));
        pause = pause.max(newest - std::mem::replace(&mut before, newest));
        shown += 1;
    }
    println!(
        "{shown} pictures shown, {} left out, at most {lag} units behind, {pause} apart",
        lane.behind()
    );
    Delay { lag, pause }
}

/// Intake and recorder have not noticed anything.
fn nothing_else_is_lost(yard: &Yard) {
    for series in [
        "forebay_sink_lost_units_total{camera=\"slipway\",sink=\"footage\"}",
        "forebay_camera_packets_lost_total{camera=\"slipway\",kind=\"video\"}",
        "forebay_analysis_camera_packets_lost_total{camera=\"slipway\",kind=\"video\"}",
    ] {
        assert_eq!(yard.metric(series), 0.0, "{series}");
    }
    for source in [Source::Main, Source::Analysis] {
        assert_eq!(yard.camera(source).dropped(), [], "{source:?}");
    }
    // Each unit from the first on is there, in its order.
    let running = &yard.running.cameras[0];
    for (source, hold) in [
        (Source::Main, &running.hold),
        (Source::Analysis, &running.analysis.as_ref().unwrap().hold),
    ] {
        let sent = yard.camera(source).sent().len() as u64;
        let last = hold.key_frames().last().unwrap().sequence;
        let gop = u64::from(yard.camera(source).spec().gop);
        assert!(
            last + 2 * gop > sent,
            "{source:?}: {last} of {sent} are held"
        );
    }
}

/// Of a stream of which every picture is decoded: what is left out ends with a key frame, and what
/// was decoded and what was left out are all that came.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_behind_is_left_out_of_every_picture() {
    let (yard, mut lanes) = overloaded((640, 352), 50, 100).await;
    let mut watched = lanes.remove(0);
    let Delay { lag, pause } = watch(&yard, &mut watched, 3 * BACKLOG_MAX).await;
    assert!(
        lag <= BACKLOG_MAX + PAUSES * pause,
        "{lag} units behind, {pause} apart"
    );
    nothing_else_is_lost(&yard);

    // With the worker to itself it has caught up soon, and nothing more is left out.
    for lane in lanes {
        lane.stop().await;
    }
    let hold = &yard.running.cameras[0].analysis.as_ref().unwrap().hold;
    let mut counted = Vec::new();
    while counted.len() < 2 {
        let picture = next(&mut watched.subscription).await;
        if newest(hold) <= picture.sequence {
            counted.push((picture.sequence, watched.decoded() + watched.behind()));
            let shown = picture.sequence;
            while next(&mut watched.subscription).await.sequence < shown + 500 {}
        }
    }
    let [(from, before), (to, after)] = counted[..] else {
        unreachable!("two were counted");
    };
    // Some are on their way to this test.
    let (came, told) = (to - from, after - before);
    assert!(
        told.abs_diff(came) <= 50,
        "{told} of {came} units are accounted for"
    );
    watched.stop().await;
    yard.stop().await;
}

/// Of a stream of which only key frames are decoded, for it is large.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_behind_is_left_out_of_key_frames() {
    let (yard, mut lanes) = overloaded((960, 540), 25, 2).await;
    let mut watched = lanes.remove(0);
    let Delay { lag, pause } = watch(&yard, &mut watched, 10 * KEYS_MAX).await;
    // Each second unit is a key frame.
    assert!(
        lag <= 2 * KEYS_MAX + PAUSES * pause,
        "{lag} units behind, {pause} apart"
    );
    nothing_else_is_lost(&yard);
    for lane in lanes {
        lane.stop().await;
    }
    watched.stop().await;
    yard.stop().await;
}
