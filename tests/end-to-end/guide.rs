//! The guide of `plugins/examples/README.md`, walked as it is printed: a newcomer's home, a shell,
//! every block in order. Only the port is another one, since the guide's may be taken.
//!
//! Blocks of `sh` are typed; a block that names a file (`rust src/lib.rs`) is put into it, below the
//! folder that the shell is in then. All others are for people.

use std::fmt::Write as _;
use std::fs::{self, File};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::fs::symlink;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use forebay_tests::{Relay, Running, wait_for};
use rustix::process::{Pid, Signal, kill_process_group};

use crate::beside;

/// With the compiling of the library's macros on a busy machine.
const WALK_MAX: Duration = Duration::from_secs(1200);
/// For what runs to end after the walk, on a busy machine.
const END_MAX: Duration = Duration::from_secs(60);

/// Something to do.
#[derive(Debug, PartialEq)]
enum Step {
    /// Lines for the shell.
    Type(String),
    /// A file to write, and its text.
    Write(String, String),
}

pub(crate) fn root() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent();
    root.expect("tests/ lies in the repository").to_owned()
}

/// A document's blocks in order: what stands behind the fence, and the text.
pub(crate) fn blocks(markdown: &str) -> Vec<(String, String)> {
    let mut blocks = Vec::new();
    let mut lines = markdown.lines();
    while let Some(line) = lines.next() {
        if let Some(info) = line.strip_prefix("```") {
            let block = lines.by_ref().take_while(|line| *line != "```");
            let text = block.flat_map(|line| [line, "\n"]).collect();
            blocks.push((info.to_owned(), text));
        }
    }
    blocks
}

/// What the guide's blocks say to do, in order.
fn steps(markdown: &str) -> Vec<Step> {
    let step = |(info, text): (String, String)| match info.split_once(' ') {
        None if info == "sh" => Some(Step::Type(text)),
        Some((_, file)) => Some(Step::Write(file.to_owned(), text)),
        None => None,
    };
    blocks(markdown).into_iter().filter_map(step).collect()
}

/// The guide as one script, that says which line of it is at work.
fn script(steps: &[Step]) -> String {
    let mut script = "set -euo pipefail\n".to_owned();
    for (number, step) in (1..).zip(steps) {
        writeln!(script, "echo '### step {number}'").unwrap();
        match step {
            Step::Type(text) => script += text,
            Step::Write(file, text) => {
                // Text that holds the mark would end early.
                assert!(!text.contains("END OF FILE"), "{file}");
                writeln!(script, "cat > {file} <<'END OF FILE'\n{text}END OF FILE").unwrap();
            }
        }
    }
    script + "echo '### done'\n"
}

/// What the newcomer has of the repository: its files, and the relay where a build puts it.
fn clone(folder: &Path) {
    let built = folder.join("target/release");
    fs::create_dir_all(&built).unwrap();
    for entry in fs::read_dir(root()).unwrap() {
        let entry = entry.unwrap();
        if entry.file_name() != "target" {
            symlink(entry.path(), folder.join(entry.file_name())).unwrap();
        }
    }
    let program = Relay::program().canonicalize().unwrap();
    symlink(program, built.join("forebay")).unwrap();
}

/// The script with a port that is free in place of the guide's, where the relay listens and where it
/// is asked.
fn on_a_free_port(script: &str) -> String {
    const ADDRESS: &str = "127.0.0.1:8473";
    assert_eq!(script.matches(ADDRESS).count(), 2, "{script}");
    let free = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    let address = free.local_addr().unwrap();
    script.replace(ADDRESS, &address.to_string())
}

#[test]
fn a_newcomer_walks_through_the_guide() {
    let guide = fs::read_to_string(root().join("plugins/examples/README.md")).unwrap();
    let steps = steps(&guide);
    let typed = steps.iter().filter(|step| matches!(step, Step::Type(_)));
    assert!(typed.count() >= 8, "{steps:#?}");

    let _beside = beside();
    // Outside of the repository, whose workspace would take the new package for its own.
    let home = std::env::temp_dir().join(format!("forebay-guide-{}", std::process::id()));
    fs::create_dir(&home).unwrap();
    clone(&home.join("forebay"));
    fs::write(home.join("guide.sh"), on_a_free_port(&script(&steps))).unwrap();

    let log = home.join("guide.log");
    let output = File::create(&log).unwrap();
    let mut shell = Command::new("bash");
    shell
        .arg(home.join("guide.sh"))
        .current_dir(&home)
        .process_group(0)
        .env("HOME", &home)
        .stdin(Stdio::null())
        .stdout(output.try_clone().unwrap())
        .stderr(output);
    // The toolchain stays where it is, though the home is a new one; all else that the build of the
    // tests was told is not meant for the newcomer.
    let old_home = PathBuf::from(std::env::var_os("HOME").unwrap_or_default());
    for (name, folder) in [("CARGO_HOME", ".cargo"), ("RUSTUP_HOME", ".rustup")] {
        if std::env::var_os(name).is_none() {
            shell.env(name, old_home.join(folder));
        }
    }
    for (name, _) in std::env::vars() {
        let kept = ["CARGO_HOME", "CARGO_HTTP_CAINFO", "CARGO_NET_OFFLINE"];
        let ours = name.starts_with("CARGO") || name.starts_with("FOREBAY") || name == "RUSTFLAGS";
        if ours && !kept.contains(&name.as_str()) {
            shell.env_remove(name);
        }
    }
    let mut shell = Running::start(&mut shell);
    let group = Pid::from_child(shell.child());
    let status = shell.wait(WALK_MAX);
    // What the guide leaves running ends with it.
    kill_process_group(group, Signal::TERM).ok();
    let said = fs::read_to_string(&log).unwrap();
    println!("{said}");
    let folder = home.join("yard");
    let relay = fs::read_to_string(folder.join("relay.log")).unwrap_or_default();
    assert!(
        status.is_some_and(|status| status.success()) && said.contains("### done"),
        "{status:?}; {} has the rest; the relay says:\n{relay}",
        home.display()
    );

    // What the guide promises that one will see.
    let said_of = |typed: &str| {
        let of = |step: &Step| matches!(step, Step::Type(text) if text.contains(typed));
        let number = 1 + steps.iter().position(of).expect(typed);
        let from = said.split(&format!("### step {number}\n")).nth(1);
        from.unwrap_or_default().split("### ").next().unwrap()
    };
    let by_day = said_of("demo --for 60s");
    assert!(by_day.contains("findings  0"), "{by_day}");
    let dark = said_of("below = 255' --out");
    assert!(dark.contains("dark") && dark.contains("begin"), "{dark}");
    let page = fs::read_dir(folder.join("tried")).unwrap().any(|entry| {
        let path = entry.unwrap().path();
        path.extension()
            .is_some_and(|extension| extension == "html")
    });
    assert!(page, "no page in tried/");
    let live = said_of("/metrics");
    assert!(
        live.contains("forebay_findings_total{camera=\"gate\""),
        "{live}"
    );
    let listed = said_of("forebay findings");
    assert!(
        listed.contains("darkness") && listed.contains("begin"),
        "{listed}"
    );
    // The relay and the demo still write while they end.
    let removed = wait_for(END_MAX, || fs::remove_dir_all(&home).ok());
    assert!(removed.is_some(), "{} can't be removed", home.display());
}

#[test]
fn the_guide_shows_the_example_as_it_is() {
    let read = |path: &str| fs::read_to_string(root().join(path)).unwrap();
    let printed = steps(&read("plugins/examples/README.md"))
        .into_iter()
        .find_map(|step| match step {
            Step::Write(file, text) if file == "src/lib.rs" => Some(text),
            _ => None,
        });
    assert_eq!(printed, Some(read("plugins/examples/dark/src/lib.rs")));
}

#[test]
fn blocks_are_told_apart() {
    let markdown =
        "a\n```sh\nls\n```\n```text\nno\n```\n```rust src/lib.rs\n//!\n```\n```sh\nb\n```";
    let expected = [
        Step::Type("ls\n".into()),
        Step::Write("src/lib.rs".into(), "//!\n".into()),
        Step::Type("b\n".into()),
    ];
    assert_eq!(steps(markdown), expected);
}
