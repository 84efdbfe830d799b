//! Two streams of one camera on one port, through outages of the uplink: both connect at about the
//! same moment, and the relay must tell their sockets apart, for each is kicked for itself.

use std::collections::BTreeSet;

use forebay::archive::ledger::{GapCause, Span};
use forebay::config::WhenBehind;
use forebay::hold::TrackKind;
use forebay_site::{Outage, OutageScript};

use super::*;

/// Of some seconds each, with the time between them that new sessions need.
fn outages() -> OutageScript {
    let outage = |at: u64, length: u64| Outage {
        at: Duration::from_secs(at),
        length: Duration::from_secs(length),
    };
    OutageScript::new(vec![outage(0, 3), outage(15, 7), outage(37, 12)])
}

/// When the units of pictures were captured that a hold was given, from now on until it is aborted.
fn collect(hold: &Arc<Hold>, into: &Arc<Mutex<Vec<i64>>>) -> tokio::task::JoinHandle<()> {
    let mut cursor = hold.cursor(WhenBehind::SkipOldest);
    let into = Arc::clone(into);
    tokio::spawn(async move {
        loop {
            cursor.ready().await;
            let units = cursor.read(1000, 1 << 30).units;
            let pictures = units
                .iter()
                .filter(|unit| unit.track.codec.kind() == TrackKind::Video);
            let times = pictures.map(|unit| unit.captured.unix_nanos());
            into.lock().unwrap().extend(times);
        }
    })
}

/// Stretches longer than two pictures' distance between captures, in seconds.
fn holes(captured: &[i64], distance: f64) -> Vec<f64> {
    let apart = captured
        .windows(2)
        .map(|two| (two[1] - two[0]) as f64 / 1e9);
    apart.filter(|apart| *apart > 2.0 * distance).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_streams_of_one_port_outlive_outages() {
    let mut main = CameraSpec::new("slipway");
    // Not all of the longer outages: the ledger has something to say.
    main.queue_bytes = 128 << 10;
    let distance = 1.0 / f64::from(main.fps);
    let mut sub = CameraSpec::new("slipway-sub");
    (sub.width, sub.height, sub.fps, sub.gop) = (320, 176, 25, SUB_GOP as u32);
    sub.stream_of = Some("slipway".to_owned());
    let yard = Yard::start_with(main, sub).await;
    let (main, second) = (yard.camera(Source::Main), yard.camera(Source::Analysis));
    assert_eq!(main.address(), second.address());
    let hold = Arc::clone(&yard.running.cameras[0].hold);
    let captured = Arc::new(Mutex::new(Vec::new()));
    let collecting = collect(&hold, &captured);
    let mut subscription = yard.subscribe(2.0, PixelFormat::Gray8, Source::Analysis);
    let first = next(&mut subscription).await;
    let mut shown = vec![frame(&first, second).number];
    while captured.lock().unwrap().len() < 50 {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }

    yard.site.play(&outages()).await;
    let back = CaptureTime::now().unix_nanos();

    // Pictures come again, of the second stream and in order.
    loop {
        let picture = next(&mut subscription).await;
        let frame = frame(&picture, second);
        shown.push(frame.number);
        if frame.capture_ns > back {
            break;
        }
    }
    assert!(shown.windows(2).all(|two| two[0] < two[1]), "{shown:?}");
    // And units of the first one.
    let again = async {
        while captured
            .lock()
            .unwrap()
            .last()
            .is_none_or(|at| *at < back + 3_000_000_000)
        {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    tokio::time::timeout(PATIENCE, again)
        .await
        .expect("the recorded stream comes again");

    // Each stream's metrics are its own.
    for (source, prefix) in [
        (Source::Main, "forebay_camera"),
        (Source::Analysis, "forebay_analysis_camera"),
    ] {
        let series = |name: &str, labels: &str| {
            yard.metric(&format!(
                "{prefix}_{name}_total{{camera=\"slipway\"{labels}}}"
            ))
        };
        let kicks = ["resumed", "unanswered", "impossible"]
            .map(|outcome| series("kicks", &format!(",outcome=\"{outcome}\"")));
        let dropouts = series("dropouts", "");
        let units = series("units", ",kind=\"video\"");
        let sent = yard.camera(source).sent();
        let sent: BTreeSet<u64> = sent.iter().map(|frame| frame.number).collect();
        println!(
            "{source:?}: {dropouts} dropouts; kicks resumed, unanswered, impossible: {kicks:?}; \
             {units} of {} units that were sent",
            sent.len()
        );
        // On a busy machine there may be others.
        assert!(dropouts >= 3.0, "{source:?}");
        // Impossible is a kick of a session whose socket is not known.
        assert_eq!(kicks[2], 0.0, "{source:?}: {kicks:?}");
        assert!(kicks[0] + kicks[1] >= 1.0, "{source:?}: {kicks:?}");
        // Each unit once, though two sessions may have sent it.
        assert!(units <= sent.len() as f64, "{source:?}");
        assert!(units + 50.0 >= sent.len() as f64, "{source:?}");
    }

    collecting.abort();
    let captured = captured.lock().unwrap().clone();
    let (folder, catalog) = yard.close().await;
    let at = CaptureTime::from_unix_nanos;
    let window = Span {
        begin: at(captured[0]),
        end: at(back),
    };
    let camera = CameraName::new("slipway").unwrap();
    let coverage = catalog.coverage(&camera, window).unwrap().unwrap();
    drop(folder);
    let seconds = |span: &Span| (span.end.unix_nanos() - span.begin.unix_nanos()) as f64 / 1e9;
    let gaps: Vec<f64> = coverage.gaps.iter().map(|gap| seconds(&gap.span)).collect();
    let holes = holes(&captured, distance);
    println!("holes in the units of {holes:.3?} s, gaps in the ledger of {gaps:.3?} s");
    // The camera itself, whose number of each picture is the truth, has left out as much.
    assert!(
        !holes.is_empty(),
        "the outages were too short for the camera's queue"
    );
    assert_eq!(gaps.len(), holes.len(), "{:?}", coverage.gaps);
    for (gap, hole) in gaps.iter().zip(&holes) {
        assert!(
            (gap - (hole - distance)).abs() < 0.1,
            "{gap} s for {hole} s"
        );
    }
    let uplink = coverage
        .gaps
        .iter()
        .all(|gap| gap.cause == GapCause::Uplink);
    assert!(uplink, "{:?}", coverage.gaps);
}
