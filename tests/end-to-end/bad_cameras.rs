//! Cameras that misbehave for a while, each in its own way, all at the same time and before one
//! relay: each has a clear state and log line, costs no more memory than it may, is recorded
//! again once it behaves, and its neighbour loses nothing. The cameras are those of `tests/site`;
//! they know what they sent.

mod cases;
mod footage;
mod session;
mod sight;
pub(crate) mod site;

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use forebay_tests::{mp4_files, silent};
use serde_json::Value;

use cases::{Case, FAULTS, Fate, Footage, HOLD, OTHER_SIZE, SECRETS, SIZE};
use session::{SESSIONS, Session};
use sight::Sight;

/// What a camera may cost in memory beside its hold: the relay's own budget.
const CAMERA_BYTES: f64 = (4 << 20) as f64;
/// How long nothing may come from a camera that sends all the time, seconds.
const STALL_MAX: f64 = 1.5;
/// Lines about one camera: each kind of complaint once a minute, and a line a session.
const LINES_MAX: usize = 60;
/// From the end of a misbehaviour to recording, where the relay does not back off: a step of the
/// set-up (1 s) or silence (2 s) that it is waiting for, the time for a good-bye (2 s), its rest
/// (0.6 s), the next key frame (1 s), and the frames that show it (1.4 s).
const RECOVERY_MAX: f64 = 8.0;

/// Checks each camera of both sessions, and tells of all that fail.
fn each(check: impl Fn(&Session, &Case) -> Result<(), String>) {
    let mut wrong = String::new();
    for session in &SESSIONS {
        for case in session.cases {
            if let Err(what) = check(session, case) {
                wrong += &format!("\n{}, {}: {what}", session.name(), case.name);
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

/// An error with this text unless it is so.
fn so(right: bool, otherwise: impl FnOnce() -> String) -> Result<(), String> {
    if right { Ok(()) } else { Err(otherwise()) }
}

#[test]
fn the_end_of_a_session_has_its_cause() {
    each(|session, case| {
        let family = "forebay_camera_sessions_ended_total";
        let mut ended = sight::by_label(&session.page, family, case.name, "cause");
        so(ended.len() > 10, || format!("{family} has only {ended:?}"))?;
        ended.retain(|_, ends| *ends > 0.0);
        let allowed: &[&str] = match case.fate {
            Fate::Survives(_) => &[],
            Fate::Ends { causes, .. } => causes,
        };
        let right = allowed
            .first()
            .is_none_or(|cause| ended.contains_key(cause))
            && ended.keys().all(|cause| allowed.contains(cause));
        so(right, || {
            format!("sessions ended: {ended:?}, not {allowed:?}")
        })
    });
}

#[test]
fn the_relay_itself_did_not_fail() {
    for session in &SESSIONS {
        for family in ["forebay_task_failures_total", "forebay_plugin_ends_total"] {
            assert_eq!(session.page.sum(family, &[]), Some(0.0), "{family}");
        }
        assert!(session.stopped.status.success(), "{:?}", session.stopped);
        let took = session.stopped.took;
        println!("ended after {took:?}");
        assert!(took.as_secs_f64() < 5.0, "{took:?}");
    }
}

#[test]
fn faults_that_a_session_survives_are_counted() {
    each(|session, case| {
        let family = "forebay_camera_stream_faults_total";
        let mut faults = sight::by_label(&session.page, family, case.name, "cause");
        faults.retain(|_, count| *count > 0.0);
        match case.fate {
            Fate::Survives(None) => so(faults.is_empty(), || format!("faults: {faults:?}")),
            Fate::Survives(Some(cause)) => {
                let right = faults.len() == 1 && faults.get(cause) == Some(&1.0);
                so(right, || format!("faults: {faults:?}, not one of {cause}"))
            }
            Fate::Ends { .. } => Ok(()),
        }
    });
}

#[test]
fn lost_packets_are_counted() {
    each(|session, case| {
        let family = "forebay_camera_packets_lost_total";
        let lost = sight::by_label(&session.page, family, case.name, "kind")["video"];
        let broken = session.sent[case.name]
            .iter()
            .filter(|frame| !frame.whole)
            .count();
        match case.footage {
            // A frame has many packets, and the one that is missing can be of any.
            Footage::Undamaged => {
                println!(
                    "{}: {lost} packets lost, {broken} frames damaged",
                    case.name
                );
                so(broken > 2 && lost >= broken as f64, || {
                    format!("{lost} packets counted, {broken} frames damaged")
                })
            }
            _ if case.survives() => so(lost == 0.0, || format!("{lost} packets lost")),
            _ => Ok(()),
        }
    });
}

/// Two seconds into its misbehaviour what a running session does with it is over.
#[test]
fn the_line_has_a_clear_phase() {
    each(|session, case| {
        let (first, allowed): (&str, &[&str]) = match case.fate {
            Fate::Survives(_) => ("flowing", &["flowing"]),
            Fate::Ends { phases, .. } => (phases[0], phases),
        };
        let seen = session
            .during(3.0)
            .flat_map(|sight| &sight.line(case.name).phases);
        let seen: BTreeSet<&str> = seen.map(String::as_str).collect();
        let right = seen.contains(first) && seen.iter().all(|phase| allowed.contains(phase));
        so(right, || format!("phases {seen:?}, not {allowed:?}"))?;
        let last = &session.sights.last().unwrap().line(case.name).phases;
        so(*last == ["flowing"], || format!("in the end {last:?}"))
    });
}

#[test]
fn the_log_tells_camera_cause_and_advice() {
    each(|session, case| {
        let mut ends = Vec::new();
        let mut lines = 0;
        for line in session.stopped.log.lines() {
            let line: Value =
                serde_json::from_str(line).map_err(|e| format!("{e}: {line:.300}"))?;
            if line["camera"] == case.name {
                lines += 1;
                if line["message"] == "session ended" {
                    ends.push(line);
                }
            }
        }
        so(lines < LINES_MAX, || format!("{lines} lines"))?;
        let Fate::Ends { causes, words, .. } = case.fate else {
            return so(ends.is_empty(), || format!("{ends:#?}"));
        };
        let told = |line: &&Value| {
            let text = |field: &str| line[field].as_str().unwrap_or_default().to_owned();
            causes.contains(&&*text("cause"))
                && text("error").contains(words)
                && text("advice").len() > 10
        };
        so(ends.iter().any(|line| told(&line)), || {
            format!("no line with one of {causes:?}, advice, and {words:?} in {ends:#?}")
        })?;
        let caused = |cause| ends.iter().any(|line| line["cause"] == cause);
        so(caused(causes[0]), || {
            format!("no line of cause {:?}: {ends:#?}", causes[0])
        })
    });
}

#[test]
fn the_log_is_clean() {
    for session in &SESSIONS {
        let log = &session.stopped.log;
        for line in log.lines() {
            assert!(line.len() < 2048, "{} bytes: {line:.300}", line.len());
            let fields: Value = serde_json::from_str(line).unwrap();
            for (key, value) in fields.as_object().expect("an object a line") {
                let text = value.as_str().unwrap_or_default();
                assert!(!text.contains(char::is_control), "{key}: {text:.300?}");
            }
        }
        println!("{} bytes of log", log.len());
        for secret in SECRETS {
            assert!(!log.contains(secret), "a password is in the log");
            assert!(
                !session.page.text().contains(secret),
                "a password is in /metrics"
            );
        }
    }
}

/// Holds may fill, and each camera may take its share, but nothing that a camera sends is kept
/// beyond that.
#[test]
fn memory_stays_bounded() {
    let mut wrong = String::new();
    for session in &SESSIONS {
        let resident = |sight: &Sight| sight.resident;
        let before = session
            .sights
            .iter()
            .filter(|sight| sight.at < session.switched);
        let before = before.map(resident).fold(0.0, f64::max) / 1e6;
        let most = session.sights.iter().map(resident).fold(0.0, f64::max) / 1e6;
        let cameras = session.cases.len();
        let more_max = cameras as f64 * (HOLD as f64 + CAMERA_BYTES) / 1e6;
        let told = format!(
            "{}: {before:.1} MB resident with {cameras} cameras, {:.1} MB more while they misbehave, bound {more_max:.1} MB\n",
            session.name(),
            most - before,
        );
        print!("{told}");
        if most - before > more_max {
            wrong += &told;
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn each_camera_is_recorded_again() {
    each(|session, case| {
        let Some(recovered) = session.recovered.get(case.name) else {
            return Err("never".into());
        };
        let took = recovered - session.mended;
        // A rest after a refusal is twice the one before (2 s at first), give or take a quarter:
        // at most as long as all rests before it and 2 s, by 1.25 / 0.75.
        let begun = if case.begins_well() {
            session.switched
        } else {
            session.begun
        };
        let rest = (session.mended - begun + 2.0) * 1.25 / 0.75;
        println!("{}: recorded again after {took:.1} s", case.name);
        let took_max = RECOVERY_MAX + if case.is_refusal() { rest } else { 0.0 };
        so(took < took_max, || {
            format!("after {took:.1} s, not {took_max:.1}")
        })
    });
}

#[test]
fn what_is_recorded_is_what_was_sent() {
    each(|session, case| {
        let told = footage::compare(session, case)?;
        println!("{}: {told}", case.name);
        Ok(())
    });
}

#[test]
fn files_are_named_by_the_present() {
    each(|session, case| {
        for file in session.recorded(case) {
            // All have a time of capture but what the camera damaged.
            let Some(captured) = file.samples()[0].captured else {
                continue;
            };
            let captured = captured as f64 / 1e9;
            let name = file.recording.file.display();
            let late = file.recording.begin() - captured;
            so((-0.1..2.0).contains(&late), || {
                format!("{name} begins {late:.2} s late")
            })?;
        }
        Ok(())
    });
}

/// Cameras that send all the time are pulled all the time.
#[test]
fn nothing_stalls() {
    each(|session, case| {
        if !case.survives() || case.footage == Footage::Undamaged {
            return Ok(());
        }
        let (mut longest, mut risen) = (0.0_f64, (0.0, 0.0));
        for sight in session.during(0.0) {
            let units = sight.line(case.name).units;
            if risen.1 == 0.0 || units > risen.0 {
                if risen.1 > 0.0 {
                    longest = longest.max(sight.at - risen.1);
                }
                risen = (units, sight.at);
            }
        }
        longest = longest.max(session.mended - risen.1);
        println!("{}: at most {longest:.2} s without a frame", case.name);
        so(longest < STALL_MAX, || {
            format!("{longest:.2} s without a frame")
        })
    });
}

#[test]
fn a_new_size_is_a_new_file() {
    let session = &SESSIONS[0];
    let case = FAULTS.iter().find(|case| case.name == "resizes").unwrap();
    let size = |(width, height): (usize, usize)| (width as u32, height as u32);
    let mut sizes: Vec<(u32, u32)> = Vec::new();
    for file in session.recorded(case) {
        let track = file.recording.video();
        sizes.push((track.width, track.height));
        let decoded = decoded_sizes(&file.recording.file);
        let right = decoded
            .iter()
            .all(|size| *size == (track.width, track.height));
        assert!(right, "{}: {decoded:?}", file.recording.file.display());
    }
    sizes.dedup();
    assert_eq!(sizes, [size(SIZE), size(OTHER_SIZE), size(SIZE)]);
}

/// Sizes of the pictures as ffprobe decodes them; nothing without ffprobe.
fn decoded_sizes(file: &Path) -> Vec<(u32, u32)> {
    if !has_ffmpeg() {
        return Vec::new();
    }
    let output = silent(
        Command::new("ffprobe")
            .args(["-v", "warning", "-select_streams", "v:0"])
            .args(["-show_entries", "frame=width,height", "-of", "csv=p=0"])
            .arg(file),
    );
    let text = String::from_utf8(output.stdout).unwrap();
    let pair = |line: &str| {
        let (width, rest) = line.split_once(',')?;
        let height = rest.trim_end_matches(',').parse().ok()?;
        Some((width.parse().ok()?, height))
    };
    let sizes: Vec<_> = text.lines().filter_map(pair).collect();
    assert!(!sizes.is_empty(), "{}: {text}", file.display());
    sizes
}

#[test]
fn each_file_plays() {
    if !has_ffmpeg() {
        return;
    }
    each(|session, case| {
        let files = session.files(case);
        so(!files.is_empty(), || "no file".into())?;
        for file in files {
            let output = Command::new("ffmpeg")
                .args(["-v", "warning", "-nostdin", "-threads", "1", "-i"])
                .arg(&file)
                .args(["-f", "null", "-"])
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&output.stderr);
            let right = output.status.success() && said.trim().is_empty();
            so(right, || {
                format!("{}: {:.600}", file.display(), said.trim())
            })?;
        }
        Ok(())
    });
}

/// Whether ffmpeg and ffprobe are there. Where nothing may be skipped their absence fails.
fn has_ffmpeg() -> bool {
    let runs = |name| Command::new(name).arg("-version").output().is_ok();
    let there = runs("ffmpeg") && runs("ffprobe");
    if !there {
        assert_ne!(
            std::env::var("CI").as_deref(),
            Ok("true"),
            "ffmpeg or ffprobe is missing"
        );
        println!("skipped: ffmpeg or ffprobe is missing");
    }
    there
}

/// All that was begun is published.
#[test]
fn nothing_is_left_in_the_spool() {
    for session in &SESSIONS {
        let left = mp4_files(&session.folder.join("archive/.spool"));
        assert!(left.is_empty(), "{left:?}");
    }
}
