//! Two streams of one camera on one port, through outages of the uplink: both connect at about the
//! same moment, and the relay must tell their sockets apart, for each is kicked for itself.

use std::collections::{BTreeMap, BTreeSet};

use forebay::archive::ledger::{Gap, GapCause, Span};
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

/// Stretches, in seconds, between two pictures that the camera sent where it took others and they
/// never left, within a window.
fn holes(camera: &SimulatedCamera, window: Span) -> Vec<f64> {
    let mut frames = BTreeMap::new();
    for dropped in camera.dropped() {
        frames.insert(dropped.number, (dropped.capture_ns, false));
    }
    // Dropped for one session and sent to another is sent.
    for sent in camera.sent() {
        frames.insert(sent.number, (sent.capture_ns, true));
    }
    let (mut holes, mut from, mut missing) = (Vec::new(), None, false);
    let (begin, end) = (window.begin.unix_nanos(), window.end.unix_nanos());
    for (at, sent) in frames.into_values().filter(|(at, _)| *at >= begin) {
        missing |= !sent;
        if sent {
            let since = from.replace(at).filter(|_| std::mem::take(&mut missing));
            let hole = since.map(|since| (at.min(end) - since) as f64 / 1e9);
            // What began after the window is nothing to it.
            holes.extend(hole.filter(|hole| *hole > 0.0));
        }
    }
    holes
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_streams_of_one_port_outlive_outages() {
    let mut main = CameraSpec::new("slipway");
    // Not all of the longer outages: the ledger has something to say.
    main.queue_bytes = 48 << 10;
    let mut sub = CameraSpec::new("slipway-sub");
    (sub.width, sub.height, sub.fps, sub.gop) = (320, 176, 25, SUB_GOP as u32);
    sub.stream_of = Some("slipway".to_owned());
    let yard = Yard::start_with(main, sub).await;
    let (main, second) = (
        &yard.camera(Source::Main).clone(),
        &yard.camera(Source::Analysis).clone(),
    );
    assert_eq!(main.address(), second.address());
    let hold = Arc::clone(&yard.running.cameras[0].hold);
    let mut subscription = yard.subscribe(2.0, PixelFormat::Gray8, Source::Analysis);
    let first = next(&mut subscription).await;
    let mut shown = vec![frame(&first, second).number];
    while hold.key_frames().len() < 3 {
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let down = CaptureTime::now();

    yard.site.play(&outages()).await;
    let back = CaptureTime::now();

    // Pictures come again, of the second stream and in order.
    loop {
        let picture = next(&mut subscription).await;
        let frame = frame(&picture, second);
        shown.push(frame.number);
        if frame.capture_ns > back.unix_nanos() {
            break;
        }
    }
    assert!(shown.windows(2).all(|two| two[0] < two[1]), "{shown:?}");
    // And units of the first one.
    let newest = || hold.key_frames().last().map(|key| key.captured);
    let again = async {
        while newest() < Some(back) {
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
        // Impossible is a kick of a session whose socket is not known. There need be none: a camera
        // whose packets come again by themselves gets none.
        assert_eq!(kicks[2], 0.0, "{source:?}: {kicks:?}");
        // Each unit once, though two sessions may have sent it.
        assert!(units <= sent.len() as f64, "{source:?}");
        assert!(units + 50.0 >= sent.len() as f64, "{source:?}");
    }

    let window = Span {
        begin: down,
        end: back,
    };
    // The camera's own numbers are the truth.
    let holes = holes(main, window);
    let (folder, catalog) = yard.close().await;
    let camera = CameraName::new("slipway").unwrap();
    let coverage = catalog.coverage(&camera, window).unwrap().unwrap();
    drop(folder);
    let seconds = |span: &Span| (span.end.unix_nanos() - span.begin.unix_nanos()) as f64 / 1e9;
    let gaps: Vec<f64> = coverage.gaps.iter().map(|gap| seconds(&gap.span)).collect();
    println!("holes in the camera's numbers of {holes:.3?} s, gaps in the ledger of {gaps:.3?} s");
    assert!(!holes.is_empty(), "the camera's queue has held all of it");
    let (missing, told): (f64, f64) = (holes.iter().sum(), gaps.iter().sum());
    // The edges of a gap are a picture's duration off, which a busy camera makes longer.
    assert!(
        (told - missing).abs() <= holes.len() as f64,
        "{told} s for {missing} s: {:?}",
        coverage.gaps
    );
    let long = |gap: &&Gap| seconds(&gap.span) > 1.0;
    let mut long = coverage.gaps.iter().filter(long);
    assert!(
        long.all(|gap| gap.cause == GapCause::Uplink),
        "{:?}",
        coverage.gaps
    );
}
