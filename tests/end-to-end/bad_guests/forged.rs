//! Files that are no plugins. At the start they are refused with the configuration; when they
//! come in the place of a plugin later, the relay goes on, says what is wrong, and takes a good
//! file as soon as there is one.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::{Relay, Running, fresh_folder, wait_for};
use rustix::process::Signal;

use super::guests::guest;
use super::session::{configuration, site};
use super::sinks::CAMERAS;
use crate::{SCRATCH, alone};

/// A component without a content, which looks like a plugin from outside (component model,
/// Binary.md: magic number, version 13, layer 1).
const HOLLOW: &[u8] = b"\0asm\x0d\0\x01\0";
/// A core module without a content (WebAssembly core specification §5.5.16).
const MODULE: &[u8] = b"\0asm\x01\0\0\0";

/// Name of the sink, the file's content (none: there is no file), what the log must say.
fn forgeries() -> Vec<(&'static str, Option<Vec<u8>>, &'static str)> {
    let whole = fs::read(guest("loops")).unwrap();
    let mut spoilt = whole.clone();
    let half = whole.len() / 2;
    for byte in &mut spoilt[half..half + 64] {
        *byte ^= 0xff;
    }
    let component = "not a WebAssembly component";
    vec![
        ("hollow", Some(HOLLOW.to_vec()), "it is no plugin"),
        ("module", Some(MODULE.to_vec()), component),
        ("truncated", Some(whole[..half].to_vec()), component),
        ("spoilt", Some(spoilt), component),
        (
            "text",
            Some(b"no plugin\n".to_vec()),
            "not a WebAssembly file",
        ),
        ("empty", Some(Vec::new()), "not a WebAssembly file"),
        ("gone", None, "No such file"),
    ]
}

#[test]
fn forged_plugins_are_refused_and_replaced() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "forged");
    let file = |name: &str| folder.join(format!("{name}.wasm"));
    let forgeries = forgeries();
    let mut toml = String::new();
    for (name, ..) in &forgeries {
        fs::write(file(name), HOLLOW).unwrap();
        toml += &format!(
            "\n[[sink]]\nname = {name:?}\nplugin = {:?}\ncameras = [{:?}]\n",
            file(name),
            CAMERAS[0]
        );
    }
    let site = site();
    let relay = Relay::start(&configuration(&folder, &site).extra(&toml));
    for (name, content, _) in &forgeries {
        match content {
            Some(content) => fs::write(file(name), content).unwrap(),
            None => fs::remove_file(file(name)).unwrap(),
        }
    }
    let said = |name: &str, words: &str| {
        let of_sink = format!("\"sink\":{name:?}");
        relay.log().lines().any(|line| {
            line.contains(&of_sink) && line.contains("\"reason\":\"load\"") && line.contains(words)
        })
    };
    for (name, _, words) in &forgeries {
        let heard = wait_for(Duration::from_secs(20), || said(name, words).then_some(()));
        assert!(heard.is_some(), "{name}: no {words:?} in\n{}", relay.log());
        let place = file(name).display().to_string();
        assert!(said(name, &place), "{name}: its path isn't told");
    }
    for (name, ..) in &forgeries {
        fs::copy(guest("loops"), file(name)).unwrap();
    }
    for (name, ..) in &forgeries {
        let up = || relay.metrics().sum("forebay_plugin_up", &[("sink", name)]);
        let well = wait_for(Duration::from_secs(40), || {
            (up() == Some(1.0)).then_some(())
        });
        assert!(well.is_some(), "{name} did not recover:\n{}", relay.log());
    }
    let page = relay.metrics();
    let footage = [("sink", "footage")];
    assert_eq!(page.sum("forebay_plugin_up", &footage), Some(2.0));
    assert_eq!(page.sum("forebay_plugin_ends_total", &footage), Some(0.0));
    assert_eq!(
        page.sum("forebay_sink_lost_units_total", &footage),
        Some(0.0)
    );
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.status);
}

/// A file that gives no answer, as on a network file system whose server is gone.
#[test]
fn a_plugin_file_that_hangs_holds_up_nobody() {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "hangs");
    let plugin = folder.join("hangs.wasm");
    fs::write(&plugin, HOLLOW).unwrap();
    let other = folder.join("other.wasm");
    fs::write(&other, HOLLOW).unwrap();
    let sink = |name: &str, plugin: &Path| {
        format!("\n[[sink]]\nname = {name:?}\nplugin = {plugin:?}\ncameras = [\"slipway\"]\n")
    };
    let toml = sink("hangs", &plugin) + &sink("other", &other);
    let site = site();
    let relay = Relay::start(&configuration(&folder, &site).extra(&toml));
    fs::remove_file(&plugin).unwrap();
    let made = Command::new("mkfifo").arg(&plugin).status().unwrap();
    assert!(made.success());
    // Long enough that the file was tried again.
    sleep(Duration::from_secs(6));
    fs::copy(guest("loops"), &other).unwrap();
    let up = |sink| relay.metrics().sum("forebay_plugin_up", &[("sink", sink)]);
    let well = wait_for(Duration::from_secs(20), || {
        (up("other") == Some(1.0)).then_some(())
    });
    assert!(
        well.is_some(),
        "`other` waits for `hangs`:\n{}",
        relay.log()
    );
    let stopped = relay.stop();
    assert!(stopped.status.success(), "{}", stopped.status);
    assert!(stopped.took < Duration::from_secs(5), "{:?}", stopped.took);
}

#[test]
fn what_is_plainly_no_plugin_is_refused_at_the_start() {
    let folder = fresh_folder(SCRATCH, "refused");
    let archive = folder.join("archive");
    fs::create_dir(&archive).unwrap();
    fs::create_dir(folder.join("folder.wasm")).unwrap();
    fs::write(folder.join("module.wasm"), MODULE).unwrap();
    fs::write(folder.join("text.wasm"), "no plugin\n").unwrap();
    fs::write(folder.join("empty.wasm"), "").unwrap();
    let made = Command::new("mkfifo")
        .arg(folder.join("pipe.wasm"))
        .status();
    assert!(made.unwrap().success());
    for name in ["folder", "module", "text", "empty", "pipe", "gone"] {
        let plugin = folder.join(format!("{name}.wasm"));
        let file = folder.join(format!("{name}.toml"));
        let text = format!(
            "[relay]\narchive = {archive:?}\nlisten = \"127.0.0.1:0\"\n\
             [[site]]\nname = \"boatyard\"\ntime_zone = \"Europe/Oslo\"\n\
             [[camera]]\nname = \"slipway\"\nsite = \"boatyard\"\nurl = \"rtsp://127.0.0.1:9/\"\n\
             [[sink]]\nname = {name:?}\nplugin = {plugin:?}\n"
        );
        fs::write(&file, text).unwrap();
        let errors = folder.join(format!("{name}.log"));
        let mut process = Running::start(
            Command::new(Relay::program())
                .args(["check", "--config"])
                .arg(&file)
                .stdout(fs::File::create(&errors).unwrap())
                .stderr(Stdio::null()),
        );
        let status = process.wait(Duration::from_secs(20));
        if status.is_none() {
            process.signal(Signal::TERM);
        }
        let said = fs::read_to_string(&errors).unwrap();
        // EX_CONFIG of sysexits.h.
        assert_eq!(
            status.and_then(|status| status.code()),
            Some(78),
            "{name}: {said}"
        );
        let place = plugin.display().to_string();
        assert!(
            said.contains(&place) && said.contains(name),
            "{name}: {said}"
        );
    }
}
