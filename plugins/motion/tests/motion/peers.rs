//! Programs of others, to be measured against.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// With `CI=true` nothing is skipped.
fn absent(what: &str) {
    assert!(
        std::env::var("CI").as_deref() != Ok("true"),
        "{what} is needed"
    );
    println!("skipped: {what} is missing");
}

/// Feeds a program and gives what it says; `None`, with a word, where it can't be run.
pub(crate) fn fed(mut command: Command, input: &[u8], what: &str) -> Option<Vec<u8>> {
    let child = command
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        absent(what);
        return None;
    };
    let mut pipe = child.stdin.take().unwrap();
    let input = input.to_vec();
    let writer = std::thread::spawn(move || pipe.write_all(&input));
    let output = child.wait_with_output().unwrap();
    let written = writer.join().unwrap();
    if !output.status.success() {
        let error = String::from_utf8_lossy(&output.stderr);
        if error.contains("No module named") {
            absent(what);
            return None;
        }
        panic!("{what}: {error} ({written:?})");
    }
    Some(output.stdout)
}

/// A Python that has OpenCV: `FOREBAY_PYTHON`, else `python3`.
pub(crate) fn python(script: &str, input: &[u8]) -> Option<Vec<u8>> {
    let python = std::env::var_os("FOREBAY_PYTHON").unwrap_or_else(|| "python3".into());
    let mut command = Command::new(python);
    command.args(["-c", script]);
    fed(
        command,
        input,
        "a Python with OpenCV (opencv-python-headless)",
    )
}

/// ffmpeg with arguments, fed with `input`.
pub(crate) fn ffmpeg(arguments: &[&str], input: &[u8]) -> Option<Vec<u8>> {
    let mut command = Command::new("ffmpeg");
    command.args(["-v", "error", "-nostdin"]).args(arguments);
    command.args(["-f", "rawvideo", "-pix_fmt", "gray", "-"]);
    fed(command, input, "ffmpeg")
}

/// A clip of the folder `FOREBAY_CLIPS`.
pub(crate) fn clip(name: &str) -> Option<PathBuf> {
    let found = std::env::var_os("FOREBAY_CLIPS").map(|folder| PathBuf::from(folder).join(name));
    let found = found.filter(|path| path.is_file());
    if found.is_none() {
        absent(&format!("the clip {name} (FOREBAY_CLIPS is its folder)"));
    }
    found
}
