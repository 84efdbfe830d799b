//! Guests that use as much of the processor as a call may take, and never more: nothing ends
//! them, and still intake is served in time.

use std::sync::LazyLock;
use std::time::Duration;

use super::guests::guest;
use super::session::Session;

/// Two on each camera, on a machine that may have two processors.
const BURNERS: [&str; 2] = ["burns-one", "burns-two"];
/// How late intake may take a picture up. A camera's or the system's buffer holds more.
const LATENESS_SECONDS_MAX: f64 = 0.5;

static BURNT: LazyLock<Session> = LazyLock::new(|| {
    let toml: String = BURNERS
        .iter()
        .map(|name| {
            format!(
                "\n[[sink]]\nname = {name:?}\nplugin = {:?}\n\
                 [sink.settings]\nhow = \"burns\"\nseconds = 0.9\n\
                 [sink.limits]\ncall_seconds = 5.0\n",
                guest("loops")
            )
        })
        .collect();
    Session::hold("burners", &toml, Duration::from_secs(12), |page| {
        page.sum("forebay_plugin_up", &[]) == Some(6.0)
    })
});

#[test]
fn the_recorder_beside_burners_loses_no_picture() {
    let lost = BURNT
        .page
        .sum("forebay_sink_lost_units_total", &[("sink", "footage")]);
    assert_eq!(lost, Some(0.0));
    BURNT.footage().check(2.0);
}

#[test]
fn burners_live_and_are_seen() {
    for name in BURNERS {
        let labels = [("sink", name)];
        let sum = |name| BURNT.page.sum(name, &labels).unwrap();
        assert_eq!(sum("forebay_plugin_ends_total"), 0.0, "{name}");
        // Only time at work counts: four of them share two processors for 12 s with all else.
        let busy = sum("forebay_plugin_busy_seconds_total");
        assert!(busy > 2.0, "{name}: {busy} s");
    }
}

#[test]
fn intake_is_in_time_beside_burners() {
    let (late, page) = (BURNT.footage().lateness(), BURNT.slowest_answer);
    println!("intake late by at most {late:.3} s; slowest answer to /metrics {page:?}");
    assert!(late < LATENESS_SECONDS_MAX, "late by {late:.3} s");
    assert!(page.as_secs_f64() < 0.5, "{page:?}");
}

#[test]
fn sigterm_ends_a_relay_with_burners_in_time() {
    let took = BURNT.stopped.took;
    assert!(BURNT.stopped.status.success(), "{}", BURNT.stopped.status);
    assert!(took.as_secs_f64() < 5.0, "{took:?}");
}
