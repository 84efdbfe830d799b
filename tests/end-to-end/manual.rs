//! Man pages and completions: of every command, and understood by the programs that read them.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use forebay_tests::{Relay, fresh_folder, run};

use crate::SCRATCH;

fn forebay(arguments: &[&str]) -> String {
    let output = run(Command::new(Relay::program()).args(arguments));
    String::from_utf8(output.stdout).unwrap()
}

/// The words that begin lines of a section of a help text.
fn section(help: &str, heading: &str) -> Vec<String> {
    let after = help.split_once(&format!("\n{heading}:\n"));
    let lines = after.map(|(_, after)| after).unwrap_or_default().lines();
    lines
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .map(str::to_owned)
        .collect()
}

/// Every command by its words, as `--help` tells them, with its long options.
fn commands(words: &[String], found: &mut Vec<(Vec<String>, BTreeSet<String>)>) {
    let arguments: Vec<&str> = words.iter().map(String::as_str).chain(["--help"]).collect();
    let help = forebay(&arguments);
    let options = help.lines().filter_map(|line| {
        let word = line
            .trim_start()
            .split([' ', ','])
            .find(|word| word.starts_with("--"))?;
        let is_option =
            line.trim_start().starts_with('-') && line.len() - line.trim_start().len() < 8;
        is_option.then(|| word.trim_end_matches(['.', ']']).to_owned())
    });
    found.push((words.to_vec(), options.collect()));
    for command in section(&help, "Commands") {
        if command != "help" {
            commands(&[words, &[command]].concat(), found);
        }
    }
}

/// Whether a program is there; what it can't judge is judged elsewhere.
fn has(program: &str) -> bool {
    let found = Command::new("sh")
        .args(["-c", &format!("command -v {program}")])
        .stdout(Stdio::null())
        .status();
    let found = found.unwrap().success();
    if !found {
        println!("{program} is not installed: it judges nothing here");
    }
    found
}

#[test]
fn each_command_has_a_page_that_man_can_show() {
    let folder = fresh_folder(SCRATCH, "manual").join("man1");
    forebay(&["manual", "--out", folder.to_str().unwrap()]);
    let mut all = Vec::new();
    commands(&[], &mut all);
    assert!(all.len() > 15, "{all:?}");
    let mut pages = BTreeSet::new();
    for (words, options) in &all {
        let name = [vec!["forebay".to_owned()], words.clone()]
            .concat()
            .join("-");
        let page = folder.join(format!("{name}.1"));
        let text = fs::read_to_string(&page).unwrap_or_else(|_| panic!("no page {name}"));
        // roff writes a hyphen that stays one as \-.
        let plain = text.replace("\\-", "-");
        assert!(!options.is_empty());
        for option in options {
            assert!(plain.contains(option.as_str()), "{name}: {option}\n{plain}");
        }
        pages.insert(page);
    }
    for page in &pages {
        if has("mandoc") {
            let output = Command::new("mandoc")
                .args(["-T", "lint", "-W", "error"])
                .arg(page)
                .output();
            let output = output.unwrap();
            let said = String::from_utf8_lossy(&output.stdout);
            assert!(output.status.success(), "{}: {said}", page.display());
        }
        if has("man") && has("groff") {
            let shown = Command::new("man")
                .args(["--warnings=w", "-l"])
                .arg(page)
                .envs([
                    ("MANPAGER", "cat"),
                    ("MANROFFOPT", ""),
                    ("LC_ALL", "C.UTF-8"),
                ])
                .output()
                .unwrap();
            let (out, said) = (
                String::from_utf8_lossy(&shown.stdout),
                String::from_utf8_lossy(&shown.stderr),
            );
            assert!(
                shown.status.success() && said.trim().is_empty(),
                "{}: {said}",
                page.display()
            );
            assert!(out.contains("SYNOPSIS"), "{out}");
        }
    }
    let missing = Command::new(Relay::program())
        .args(["manual", "--out", "/proc/nowhere"])
        .output()
        .unwrap();
    assert_eq!(missing.status.code(), Some(73));
    let said = String::from_utf8_lossy(&missing.stderr);
    assert!(
        said.contains("can't write the manual to /proc/nowhere"),
        "{said}"
    );
}

#[test]
fn shells_take_their_completions() {
    let mut all = Vec::new();
    commands(&[], &mut all);
    for (shell, check) in [("bash", "-n"), ("zsh", "-n"), ("fish", "--no-execute")] {
        let script = forebay(&["completions", shell]);
        for (words, options) in &all {
            for word in words.iter().chain(options) {
                // fish names long options without their hyphens.
                let word = if shell == "fish" {
                    word.trim_start_matches("--")
                } else {
                    word
                };
                assert!(script.contains(word), "{shell}: {word}");
            }
        }
        if has(shell) {
            judge(shell, check, &script);
        }
    }
    // And it completes: what bash proposes for the begin of a command.
    let script = forebay(&["completions", "bash"]);
    let ask = "\nCOMP_WORDS=(forebay cov) COMP_CWORD=1\n_forebay forebay cov forebay\n\
               echo \"${COMPREPLY[@]}\"\n";
    let mut bash = Command::new("bash")
        .args(["--norc", "--noprofile"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = bash.stdin.take().unwrap();
    write!(input, "{script}{ask}").unwrap();
    drop(input);
    let output = bash.wait_with_output().unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "coverage");
}

fn judge(shell: &str, check: &str, script: &str) {
    let file = fresh_folder(SCRATCH, "completions").join(Path::new(shell));
    fs::write(&file, script).unwrap();
    let output = Command::new(shell).arg(check).arg(&file).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && said.is_empty(),
        "{shell}: {said}"
    );
}
