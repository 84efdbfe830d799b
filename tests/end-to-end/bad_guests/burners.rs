//! Guests that use as much of the processor as a call may take, and never more: nothing ends
//! them, and still intake is served in time.

use std::sync::LazyLock;
use std::time::Duration;

use forebay_tests::Metrics;

use super::guests::guest;
use super::session::Session;

/// Two on each camera, on a machine that may have two processors.
const BURNERS: [&str; 2] = ["burns-one", "burns-two"];
/// How late intake may take a picture up, on a machine that does nothing else. A camera's or the
/// system's buffer holds more.
const LATENESS_MAX: Duration = Duration::from_millis(500);
/// How late a page may be answered there: no call of a burner, which takes 0.9 s, is waited for.
const ANSWER_MAX: Duration = Duration::from_millis(500);
/// Of each burner's work on both cameras.
const BUSY_SECONDS: f64 = 2.0;

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
            && BURNERS.iter().all(|name| busy(page, name) > BUSY_SECONDS)
    })
});

/// Seconds that a burner's instances were at work.
fn busy(page: &Metrics, name: &str) -> f64 {
    let busy = page.sum("forebay_plugin_busy_seconds_total", &[("sink", name)]);
    busy.unwrap_or_default()
}

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
        let ends = BURNT
            .page
            .sum("forebay_plugin_ends_total", &[("sink", name)]);
        assert_eq!(ends, Some(0.0), "{name}");
        // Of that the session has waited for: how long it takes depends on what else is at work.
        let busy = busy(&BURNT.page, name);
        assert!(busy > BUSY_SECONDS, "{name}: {busy} s");
    }
}

#[test]
fn intake_is_in_time_beside_burners() {
    let late = BURNT.footage().lateness();
    // The camera's thread takes the picture, the relay's takes it up: either may have had to wait.
    let allowed = (LATENESS_MAX + 2 * BURNT.strain).as_secs_f64();
    println!("intake late by at most {late:.3} s of {allowed:.3} s");
    assert!(late < allowed, "late by {late:.3} s, not {allowed:.3} s");
    BURNT.check_answers(ANSWER_MAX);
}

#[test]
fn sigterm_ends_a_relay_with_burners_in_time() {
    let took = BURNT.stopped.took;
    assert!(BURNT.stopped.status.success(), "{}", BURNT.stopped.status);
    assert!(took.as_secs_f64() < 5.0, "{took:?}");
}
