//! The archive with its threads on the real disk, and repaired files in a real player.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr
)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use bytes::Bytes;

use super::mp4::tests::{fragment, header};
use super::mp4::{stale_durations, whole_prefix};
use super::{
    Archive, ArchiveError, ArchiveEvent, ArchiveOptions, AwayReason, ObjectKey, OpenError,
    Published, RealDisk, RecoveryReport,
};
use crate::units::{CaptureTime, Name};

type Events = Arc<Mutex<Vec<ArchiveEvent>>>;

fn open_in(folder: &Path, events: &Events) -> Result<(Archive, RecoveryReport), OpenError> {
    let mut options = ArchiveOptions::new(folder.join("spool"), folder.join("archive"));
    options.flush_interval = Duration::from_millis(100);
    let events = Arc::clone(events);
    let on_event = move |event| events.lock().unwrap().push(event);
    Archive::open(options, Arc::new(RealDisk), Arc::new(on_event))
}

fn key(extension: &str) -> ObjectKey {
    ObjectKey {
        camera: Name::new("gate").unwrap(),
        sink: Name::new("footage").unwrap(),
        purpose: "footage".into(),
        extension: extension.into(),
        // 2026-05-04T07:31:00.120Z, by GNU date.
        begin: CaptureTime::from_unix_nanos(1_777_879_860_120_000_000),
    }
}

fn end() -> CaptureTime {
    CaptureTime::from_unix_nanos(1_777_879_920_000_000_000)
}

fn wait_for(what: &str, is_there: impl Fn() -> bool) {
    let start = Instant::now();
    while !is_there() {
        assert!(
            start.elapsed() < Duration::from_secs(20),
            "waited in vain for {what}"
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn bytes(text: &str) -> [Bytes; 1] {
    [Bytes::copy_from_slice(text.as_bytes())]
}

fn final_path(folder: &Path, name: &str) -> PathBuf {
    folder.join("archive/gate/footage/2026-05-04").join(name)
}

#[test]
fn finished_objects_are_published_and_never_overwritten() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    let (archive, report) = open_in(folder.path(), &events).unwrap();
    assert_eq!(report, RecoveryReport::default());
    let mut names = Vec::new();
    for text in ["first", "other", "first", "third one"] {
        let mut object = archive.create(&key("jpg")).unwrap();
        assert_eq!(archive.open_objects(), 1);
        assert_eq!(
            object
                .append(&[bytes("??"), bytes(&text[2..])].concat())
                .unwrap(),
            text.len() as u64
        );
        object.patch(0, &text.as_bytes()[..2]).unwrap();
        for (offset, patch) in [
            (text.len() as u64, &b"x"[..]),
            (u64::MAX, b"xy"),
            (0, &[0; 99]),
        ] {
            assert!(matches!(
                object.patch(offset, patch),
                Err(ArchiveError::Denied(_))
            ));
        }
        let Published::Now { path, bytes } = object.finish(end()).unwrap() else {
            panic!()
        };
        assert_eq!(
            (std::fs::read(&path).unwrap(), bytes),
            (text.into(), text.len() as u64)
        );
        names.push(path);
    }
    let final_path = |name| final_path(folder.path(), name);
    let first = final_path("2026-05-04T073100.120Z.jpg");
    let second = final_path("2026-05-04T073100.120Z-2.jpg");
    let third = final_path("2026-05-04T073100.120Z-3.jpg");
    assert_eq!(
        names,
        [first.clone(), second, first, third],
        "the same content again is the same file"
    );
    assert_eq!(archive.open_objects(), 0);
    assert!(matches!(
        archive.create(&key("j/g")),
        Err(ArchiveError::Denied(_))
    ));
    assert_eq!(
        archive.create(&key("jpg")).unwrap().finish(end()).unwrap(),
        Published::Nothing
    );
    for folder in archive.folders().map(Option::unwrap) {
        let space = archive.space(folder).unwrap();
        assert!(space.free_bytes < space.total_bytes);
    }
    assert!(archive.close(Duration::from_secs(10)));
    assert!(matches!(
        archive.create(&key("jpg")),
        Err(ArchiveError::Denied(_))
    ));
}

#[test]
fn many_parts_stay_in_order() {
    // More than one system call takes (IOV_MAX, 1024).
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    let (archive, _) = open_in(folder.path(), &events).unwrap();
    let parts: Vec<_> = (0..3000_u16)
        .map(|n| Bytes::copy_from_slice(&n.to_be_bytes()))
        .collect();
    let mut object = archive.create(&key("bin")).unwrap();
    assert_eq!(object.append(&[]).unwrap(), 0);
    object.append(&parts).unwrap();
    let Published::Now { path, .. } = object.finish(end()).unwrap() else {
        panic!()
    };
    assert_eq!(std::fs::read(path).unwrap(), parts.concat());
}

#[test]
fn a_second_relay_is_told_what_to_do() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    let (archive, _) = open_in(folder.path(), &events).unwrap();
    let error = open_in(folder.path(), &events).unwrap_err().to_string();
    let process = format!("(process {})", std::process::id());
    for part in [folder.path().to_str().unwrap(), &process, "stop that one"] {
        assert!(error.contains(part), "{error}");
    }
    let clone = archive.clone();
    drop(archive);
    assert!(matches!(
        open_in(folder.path(), &events),
        Err(OpenError::Locked { .. })
    ));
    assert!(clone.close(Duration::from_secs(10)));
    drop(clone);
    open_in(folder.path(), &events).unwrap();
}

#[test]
fn a_spool_that_cannot_be_is_an_error() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    std::fs::write(folder.path().join("spool"), "").unwrap();
    let error = open_in(folder.path(), &events).unwrap_err();
    assert!(matches!(error, OpenError::Spool(_)), "{error}");
}

#[test]
fn data_is_flushed_in_time_without_being_asked() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    let (archive, _) = open_in(folder.path(), &events).unwrap();
    let mut object = archive.create(&key("mp4")).unwrap();
    object.append(&bytes("footage")).unwrap();
    assert_eq!(archive.unflushed_bytes(), 7);
    wait_for("the flush", || archive.unflushed_bytes() == 0);
}

#[test]
fn dropped_objects_are_repaired_by_a_thread() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    let (archive, _) = open_in(folder.path(), &events).unwrap();
    let whole = [header(), fragment(b"one")].concat();
    for (extension, content) in [
        ("mp4", [&whole[..], b"cut off"].concat()),
        ("jpg", b"half".into()),
    ] {
        let mut object = archive.create(&key(extension)).unwrap();
        object.append(&[content.into()]).unwrap();
        drop(object);
    }
    let path = final_path(folder.path(), "2026-05-04T073100.120Z.mp4");
    wait_for("the repair", || path.exists());
    assert_eq!(std::fs::read(path).unwrap(), whole);
    let is_set_aside =
        |event: &ArchiveEvent| matches!(event, ArchiveEvent::SetAside { bytes: 4, .. });
    wait_for("the other", || {
        events.lock().unwrap().iter().any(is_set_aside)
    });
    let events = events.lock().unwrap();
    let repaired =
        |event: &ArchiveEvent| matches!(event, ArchiveEvent::Repaired { bytes_cut: 7, .. });
    assert!(events.iter().any(repaired), "{events:?}");
    drop(events);
    // At once, when asked for.
    let mut object = archive.create(&key("jpg")).unwrap();
    object.append(&bytes("half")).unwrap();
    assert!(matches!(
        object.abandon().unwrap(),
        Published::SetAside { .. }
    ));
}

#[test]
fn a_lost_archive_is_made_up_for() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    // A file where the archive's folder should be: nothing can be published.
    let root = folder.path().join("archive");
    std::fs::write(&root, "").unwrap();
    let (archive, _) = open_in(folder.path(), &events).unwrap();
    for text in ["one", "two"] {
        let mut object = archive.create(&key("jpg")).unwrap();
        object.append(&bytes(text)).unwrap();
        assert_eq!(object.finish(end()).unwrap(), Published::Deferred);
    }
    let refuses = |event: &ArchiveEvent| matches!(event, ArchiveEvent::Away(Some(away)) if away.reason == AwayReason::Refuses);
    let is_told = |what: &dyn Fn(&ArchiveEvent) -> bool| events.lock().unwrap().iter().any(what);
    wait_for("a word of it", || is_told(&refuses));
    // A start in this state leaves them waiting.
    archive.close(Duration::from_secs(10));
    drop(archive);
    let (archive, report) = open_in(folder.path(), &events).unwrap();
    assert_eq!(
        report,
        RecoveryReport {
            deferred: 2,
            ..RecoveryReport::default()
        }
    );
    std::fs::remove_file(&root).unwrap();
    let last = final_path(folder.path(), "2026-05-04T073100.120Z-2.jpg");
    wait_for("the archive", || last.exists());
    wait_for("a word of its return", || {
        is_told(&|event| matches!(event, ArchiveEvent::Away(None)))
    });
    let is_published = |event: &&ArchiveEvent| matches!(event, ArchiveEvent::Published { end: Some(time), .. } if *time == end());
    wait_for("both", || {
        events.lock().unwrap().iter().filter(is_published).count() == 2
    });
    assert!(archive.close(Duration::from_secs(10)));
}

#[test]
fn what_is_left_in_the_spool_is_sorted() {
    let (folder, events) = (tempfile::tempdir().unwrap(), Events::default());
    drop(open_in(folder.path(), &events).unwrap().0);
    let spool = folder.path().join("spool");
    let whole = [header(), fragment(b"one")].concat();
    let name = |number, extension| {
        format!("gate_footage_footage_2026-05-04T073100.120Z_19df2a5b0a8-{number}.{extension}")
    };
    let put = |path: String, content: &[u8]| std::fs::write(spool.join(path), content).unwrap();
    put(
        format!("open/{}", name(1, "mp4")),
        &[&whole[..], &[0; 100]].concat(),
    );
    put(format!("open/{}", name(2, "mp4")), &header());
    put(format!("open/{}", name(3, "mp4")), b"");
    put(format!("open/{}", name(4, "jpg")), b"half");
    put(format!("finished/{}", name(5, "jpg")), b"a whole one");
    put("open/notes.txt".into(), b"mine");
    std::fs::create_dir(spool.join("open").join(name(6, "mp4"))).unwrap();
    put("finished/notes.txt".into(), b"mine");
    wait_for("the lock", || open_in_is_free(folder.path()));
    let (archive, report) = open_in(folder.path(), &events).unwrap();
    let expected = RecoveryReport {
        published: 2,
        repaired: 1,
        bytes_cut: 100,
        set_aside: 2,
        empty: 1,
        unknown: 3,
        ..RecoveryReport::default()
    };
    assert_eq!(report, expected);
    let mp4 = final_path(folder.path(), "2026-05-04T073100.120Z.mp4");
    assert_eq!(std::fs::read(mp4).unwrap(), whole);
    assert_eq!(
        std::fs::read(spool.join("set-aside").join(name(4, "jpg"))).unwrap(),
        b"half"
    );
    assert_eq!(
        std::fs::read(spool.join("set-aside").join(name(2, "mp4"))).unwrap(),
        header()
    );
    assert_eq!(
        std::fs::read(spool.join("open/notes.txt")).unwrap(),
        b"mine"
    );
    drop(archive);
}

/// Whether the threads of a dropped archive have let the spool go.
fn open_in_is_free(folder: &Path) -> bool {
    let file = std::fs::File::open(folder.join("spool/lock")).unwrap();
    rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive).is_ok()
}

/// Whether a tool runs; where the build must be complete its lack is a failure.
fn has(tool: &str) -> bool {
    let run = Command::new(tool)
        .arg("-version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    let works = run.is_ok_and(|status| status.success());
    assert!(
        works || std::env::var_os("CI").is_none_or(|ci| ci != "true"),
        "{tool} is needed"
    );
    if !works {
        eprintln!("skipped: {tool} does not run here");
    }
    works
}

/// A fragmented file of two tracks by another writer.
fn by_ffmpeg(path: &Path, codec: &str, flags: &str) {
    let run = Command::new("ffmpeg")
        .args([
            "-v",
            "error",
            "-f",
            "lavfi",
            "-i",
            "testsrc=size=64x48:rate=10:duration=3",
        ])
        .args([
            "-f",
            "lavfi",
            "-i",
            "sine=duration=3",
            "-c:v",
            codec,
            "-g",
            "10",
            "-bf",
            "0",
        ])
        .args(["-c:a", "aac", "-movflags", flags, "-f", "mp4", "-y"])
        .arg(path)
        .output()
        .unwrap();
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
}

/// Plays a file whole; gives the number of pictures. Nothing is to be warned of.
fn play(path: &Path, context: &str) -> u64 {
    let run = Command::new("ffmpeg")
        .args(["-v", "warning", "-xerror", "-i"])
        .arg(path)
        .args(["-f", "null", "-"])
        .output()
        .unwrap();
    let warnings = String::from_utf8_lossy(&run.stderr);
    assert!(
        run.status.success() && warnings.is_empty(),
        "{context}: {warnings}"
    );
    let run = Command::new("ffprobe")
        .args([
            "-v",
            "warning",
            "-count_packets",
            "-select_streams",
            "v",
            "-of",
            "csv=p=0",
        ])
        .args(["-show_entries", "stream=nb_read_packets"])
        .arg(path)
        .output()
        .unwrap();
    assert!(
        run.stderr.is_empty(),
        "{context}: {}",
        String::from_utf8_lossy(&run.stderr)
    );
    String::from_utf8_lossy(&run.stdout)
        .trim()
        .trim_end_matches(',')
        .parse()
        .unwrap()
}

/// Where to cut: around all ends of boxes of the file and between them.
fn cuts(file: &[u8]) -> Vec<usize> {
    let mut ends = vec![0];
    while let Some(size) = file
        .get(ends[ends.len() - 1]..)
        .and_then(|rest| rest.first_chunk::<4>())
    {
        let end = ends[ends.len() - 1] + u32::from_be_bytes(*size) as usize;
        ends.push(end.min(file.len()));
    }
    let near = |end: &usize| {
        [
            end.saturating_sub(1),
            *end,
            end + 1,
            end + 7,
            end + 8,
            end + 200,
        ]
    };
    let mut cuts: Vec<_> = ends
        .iter()
        .flat_map(near)
        .filter(|cut| *cut <= file.len())
        .collect();
    cuts.extend((0..file.len()).step_by(file.len() / 40));
    cuts.sort_unstable();
    cuts.dedup();
    cuts
}

#[test]
fn repaired_files_play_without_a_warning() {
    if !has("ffmpeg") || !has("ffprobe") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("whole.mp4");
    for (codec, flags) in [
        ("libx264", "frag_keyframe+empty_moov+default_base_moof"),
        (
            "libx265",
            "frag_keyframe+empty_moov+default_base_moof+write_colr",
        ),
        ("mjpeg", "frag_keyframe+empty_moov+separate_moof"),
    ] {
        by_ffmpeg(&path, codec, flags);
        let file = std::fs::read(&path).unwrap();
        let all = whole_prefix(&file[..]).unwrap();
        assert_eq!(all.bytes, file.len() as u64, "{codec}");
        assert_eq!(play(&path, codec), 30);
        let mut last = (0, 0);
        for cut in cuts(&file) {
            let Ok(whole) = whole_prefix(&file[..cut]) else {
                continue;
            };
            let context = format!(
                "{codec} cut at {cut} of {}, kept {}",
                file.len(),
                whole.bytes
            );
            // The same prefix has been played before.
            if whole.bytes == last.0 {
                continue;
            }
            let mut kept = file[..usize::try_from(whole.bytes).unwrap()].to_vec();
            for patch in stale_durations(&kept[..]).unwrap() {
                let offset = usize::try_from(patch.offset).unwrap();
                kept[offset..offset + patch.bytes.len()].copy_from_slice(&patch.bytes);
            }
            let cut_path = folder.path().join("cut.mp4");
            std::fs::write(&cut_path, kept).unwrap();
            let pictures = play(&cut_path, &context);
            assert!(
                pictures >= last.1,
                "{context}: {pictures} pictures after {}",
                last.1
            );
            last = (whole.bytes, pictures);
        }
        assert_eq!(last, (all.bytes, 30), "{codec}");
    }
}
