use std::path::Path;

use super::*;
use crate::telemetry::logs::LogLevel;
use crate::units::Name;

const BASE: &str = r#"
[relay]
archive = "/srv/forebay"

[[site]]
name = "boatyard"
time_zone = "Europe/Oslo"

[[camera]]
name = "slipway"
site = "boatyard"
url = "rtsp://10.40.0.11/main"
analysis_url = "rtsp://10.40.0.11/sub"

[[camera]]
name = "gate"
site = "boatyard"
url = "rtsp://10.40.0.12/main"

[[sink]]
name = "footage"
plugin = "builtin:recorder"

[[sink]]
name = "stills"
plugin = "builtin:stills"
cameras = ["slipway"]
[sink.settings]
every_minutes = 10
"#;

fn config(text: &str) -> Config {
    crate::config::parse(text, Path::new("/etc/forebay/forebay.toml"))
        .unwrap_or_else(|error| panic!("{error}"))
}

/// What differs once each `from` of the base is `to`, in words.
fn words(changes: &[(&str, &str)]) -> Vec<String> {
    let mut text = BASE.to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    Difference::between(&config(BASE), &config(&text), &[]).words()
}

fn stay(difference: &Difference, camera: &str) -> bool {
    let fate = difference.of(&Name::new(camera).unwrap());
    let untouched = |stay: &Stay| {
        !stay.line
            && !stay.plan
            && !stay.moved
            && matches!(stay.analysis, None | Some(Fate::Kept))
            && stay.sinks.iter().all(|(_, fate)| *fate == Fate::Kept)
    };
    matches!(fate, Some(CameraFate::Stays(stay)) if untouched(stay))
}

#[test]
fn the_same_again_is_no_difference() {
    assert!(words(&[]).is_empty());
    // What only the budget counts with.
    let uplink = "time_zone = \"Europe/Oslo\"\nuplink_megabits_per_second = 8\n# new";
    assert!(words(&[("time_zone = \"Europe/Oslo\"", uplink)]).is_empty());
}

#[test]
fn cameras_come_and_go_alone() {
    let other = BASE.replace("\"gate\"", "\"mast-crane\"");
    let difference = Difference::between(&config(BASE), &config(&other), &[]);
    let named = |name: &str| Name::new(name).unwrap();
    assert_eq!(
        difference.of(&named("mast-crane")),
        Some(&CameraFate::Added)
    );
    assert_eq!(difference.of(&named("gate")), Some(&CameraFate::Removed));
    assert!(stay(&difference, "slipway"), "{difference:?}");
    assert!(difference.is_other_set());
    assert_eq!(
        difference.words(),
        ["camera mast-crane: added", "camera gate: left out"]
    );
}

#[test]
fn of_a_camera_only_what_has_changed_is_touched() {
    let line = [("10.40.0.12/main", "10.40.0.12/other")];
    assert_eq!(words(&line), ["camera gate: pulled anew"]);
    let second = [("10.40.0.11/sub", "10.40.0.11/other")];
    let told = ["camera slipway: its second stream is pulled anew"];
    assert_eq!(words(&second), told);
    let none = [("analysis_url = \"rtsp://10.40.0.11/sub\"\n", "")];
    let told = ["camera slipway: its second stream is left out"];
    assert_eq!(words(&none), told);
    let added = "10.40.0.12/main\"\nanalysis_url = \"rtsp://10.40.0.12/sub";
    let told = ["camera gate: its second stream is added"];
    assert_eq!(words(&[("10.40.0.12/main", added)]), told);
    let pause = "10.40.0.12/main\"\n[[camera.pause]]\nfrom = \"12:00\"\nuntil = \"13:00\"\n# \"";
    let told = ["camera gate: its pauses"];
    assert_eq!(words(&[("10.40.0.12/main", pause)]), told);
    // Both streams are of one camera.
    let times = "10.40.0.11/sub\"\nstep_seconds = 7\n# \"";
    let told = [
        "camera slipway: pulled anew",
        "camera slipway: its second stream is pulled anew",
    ];
    assert_eq!(words(&[("10.40.0.11/sub", times)]), told);
}

#[test]
fn of_the_sinks_only_what_has_changed_is_touched() {
    let settings = [("every_minutes = 10", "every_minutes = 20")];
    let told = ["sink stills on slipway: started anew"];
    assert_eq!(words(&settings), told);
    // On one camera more it is the same as before on the others.
    let more = [("[\"slipway\"]", "[\"slipway\", \"gate\"]")];
    assert_eq!(words(&more), ["sink stills on gate: added"]);
    let less = [(
        "\"builtin:recorder\"",
        "\"builtin:recorder\"\ncameras = [\"gate\"]",
    )];
    assert_eq!(words(&less), ["sink footage on slipway: left out"]);
    // Plugins are told of their site.
    let site = "\"Europe/Oslo\"\nlatitude = 59.9\nlongitude = 10.7";
    let told = [
        "sink footage on slipway: started anew",
        "sink stills on slipway: started anew",
        "sink footage on gate: started anew",
    ];
    assert_eq!(words(&[("\"Europe/Oslo\"", site)]), told);
    let same = config(BASE);
    let code = [Plugin::Builtin("stills")];
    let difference = Difference::between(&same, &same, &code);
    assert_eq!(difference.words(), ["sink stills on slipway: started anew"]);
    assert!(stay(&difference, "gate") && !difference.is_other_set());
}

#[test]
fn a_camera_at_another_site_is_another_in_the_books() {
    let site = "[[site]]\nname = \"harbour\"\ntime_zone = \"Europe/Oslo\"\n\n[[camera]]\nname = \"gate\"\nsite = \"harbour\"";
    let moved = BASE.replace("[[camera]]\nname = \"gate\"\nsite = \"boatyard\"", site);
    let difference = Difference::between(&config(BASE), &config(&moved), &[]);
    assert!(difference.is_other_set());
    let told = [
        "camera gate: pulled anew",
        "sink footage on gate: started anew",
    ];
    assert_eq!(difference.words(), told);
}

#[test]
fn what_all_cameras_share_is_named() {
    let pictures = "[pictures]\nworkers = 2\n[ladder]\nfootage_days = 30\n[scrub]\nenabled = false\n\
                    [heartbeat]\nurl_file = \"/etc/forebay/url\"\n[[site]]";
    let told = words(&[
        ("[[site]]", pictures),
        (
            "\"/srv/forebay\"",
            "\"/srv/forebay\"\nlog_level = \"debug\"",
        ),
    ]);
    let shared = [
        "pictures: how they are decoded",
        "ladder: what is kept for how long",
        "scrub: how the archive is read again",
        "heartbeat",
        "log_level",
    ];
    assert_eq!(told, shared);
}

#[test]
fn what_needs_a_restart_is_named_and_stays() {
    let running = config(BASE);
    let elsewhere = "\"/srv/elsewhere\"\nlisten = \"127.0.0.1:9000\"\nlog_level = \"warn\"\n\
                     [carry]\nwhen_full = \"drop-oldest\"\n[ladder]\nfree_space = \"1 GiB\"";
    let text = BASE.replace("\"/srv/forebay\"", elsewhere);
    let mut next = config(&text.replace("every_minutes = 10", "every_minutes = 20"));
    let named = keep_fixed(&running, &mut next);
    let all = [
        "archive in [relay]",
        "spool in [relay]",
        "listen in [relay]",
        "plugin_cache in [relay]",
        "[carry]",
        "free_space in [ladder]",
    ];
    assert_eq!(named, all);
    assert_eq!(next.relay.archive, running.relay.archive);
    assert_eq!(next.relay.listen, running.relay.listen);
    assert_eq!(next.carry, running.carry);
    assert_eq!(next.relay.log_level, LogLevel::Warn);
    // The rest of it is followed.
    let told = ["sink stills on slipway: started anew", "log_level"];
    assert_eq!(Difference::between(&running, &next, &[]).words(), told);
    assert!(keep_fixed(&running, &mut next).is_empty());
}
