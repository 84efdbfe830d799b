//! The configurations that the documents print: each is right by the word of `forebay check`, which
//! lets the plugins that it names judge their settings.

use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::iter::repeat_with;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use fastrand::Rng;
use forebay_tests::{Relay, fresh_folder};

use crate::foreign::DARK;
use crate::guide::{blocks, root};
use crate::{SCRATCH, beside};

/// What stands around those that are a part of a file.
const FRAME: &str = "
[relay]
archive = \"/srv/forebay\"

[[site]]
name = \"boatyard\"
time_zone = \"Europe/Oslo\"
latitude = 60.39
longitude = 5.32

[[sink]]
name = \"frame\"
plugin = \"builtin:recorder\"
";
/// Digits that are left out where the first six of a view are printed (`plugins/examples/gate`).
const DIGITS_LEFT_OUT: usize = 12 * 8 * 2 - 6;

/// The README files of the repository, of the plugins and of what is deployed.
fn documents() -> Vec<PathBuf> {
    let plugins = fs::read_dir(root().join("plugins")).unwrap();
    let of_plugins = plugins.map(|entry| entry.unwrap().path().join("README.md"));
    let mut found: Vec<_> = of_plugins.filter(|path| path.is_file()).collect();
    found.push(root().join("README.md"));
    found.push(root().join("deploy/prometheus/README.md"));
    found.sort();
    found
}

/// The block as a whole file. One without `[relay]` is a part of one, and may go on with a camera; one with
/// nothing but the relay gets cameras.
fn whole(block: &str) -> String {
    let has = |line: &str| block.lines().any(|other| other == line);
    if has("[relay]") && has("[[camera]]") {
        return block.to_owned();
    }
    let site = FRAME.find("[[site]]").unwrap();
    let frame = if has("[relay]") {
        FRAME.split_at(site).1
    } else {
        FRAME
    };
    let mut text = frame.to_owned();
    for name in ["gate", "slipway"] {
        let name = format!("name = {name:?}");
        if !(has("[[camera]]") && has(&name)) {
            text += &format!(
                "\n[[camera]]\n{name}\nsite = \"boatyard\"\nurl = \"rtsp://10.40.0.12/main\"\n"
            );
        }
    }
    text + "\n" + block
}

/// With digits in place of those that are left out.
fn spelled_out(text: &str) -> String {
    let mut random = Rng::with_seed(4);
    let mut parts = text.split("…\"");
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        out.extend(repeat_with(|| random.digit(16)).take(DIGITS_LEFT_OUT));
        out.push('"');
        out += part;
    }
    out
}

/// All files that the documents name, below a folder.
fn furnish(folder: &Path) {
    fs::create_dir(folder.join("archive")).unwrap();
    for (name, secret) in [
        ("slipway.password", "hunter2\n"),
        ("store.key", "hunter2\n"),
        ("heartbeat.url", "https://watch.example.org/hunter2\n"),
    ] {
        let mut file = OpenOptions::new();
        let mut file = file
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(folder.join(name))
            .unwrap();
        file.write_all(secret.as_bytes()).unwrap();
    }
    let gate = DARK.with_file_name("gate.wasm");
    let built = folder.join("target/wasm32-wasip2/release");
    fs::create_dir_all(&built).unwrap();
    for (plugin, place) in [
        (&*DARK, folder.join("brightness.wasm")),
        (&gate, folder.join("gate.wasm")),
        (&*DARK, built.join("nothing.wasm")),
    ] {
        fs::copy(plugin, place).unwrap();
    }
}

#[test]
fn configurations_that_are_printed_are_right() {
    let _beside = beside();
    let folder = fresh_folder(SCRATCH, "printed");
    furnish(&folder);
    let file = folder.join("forebay.toml");
    let (mut judged, mut wrong) = (0, Vec::new());
    for document in documents() {
        let markdown = fs::read_to_string(&document).unwrap();
        // A manifest of cargo's says in its first line that it is one.
        let printed = blocks(&markdown)
            .into_iter()
            .filter(|(info, text)| info == "toml" && !text.starts_with("# Cargo.toml\n"));
        for (_, block) in printed {
            let text = spelled_out(&whole(&block))
                .replace("/srv/forebay", folder.join("archive").to_str().unwrap())
                .replace("/etc/forebay", folder.to_str().unwrap());
            fs::write(&file, text).unwrap();
            let output = Command::new(Relay::program())
                .args(["check", "--config"])
                .arg(&file)
                .stdin(Stdio::null())
                .output()
                .unwrap();
            judged += 1;
            if !output.status.success() {
                let said = [output.stdout, output.stderr].concat();
                let said = String::from_utf8_lossy(&said);
                wrong.push(format!("{}:\n{block}{said}", document.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(judged >= 9, "only {judged} are found");
}
