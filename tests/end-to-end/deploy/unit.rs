//! `deploy/systemd` by systemd's own judgement; and with `FOREBAY_BOOT` set, started by a systemd that
//! is booted for it.

use std::fs;
use std::process::Command;

use forebay_site::CameraSpec;
use forebay_tests::{Relay, fresh_folder, run, script, silent};

use super::{file, has};
use crate::bad_cameras::site::Running;
use crate::{SCRATCH, beside};

/// Of systemd's figure: 0 is shut, 10 is open.
const EXPOSURE_MAX: f64 = 1.5;

#[test]
fn systemd_has_nothing_to_say_against_the_unit() {
    if !has("systemd-analyze") {
        return;
    }
    let folder = fresh_folder(SCRATCH, "unit");
    // It looks for the programs.
    let text = fs::read_to_string(file("systemd/forebay.service")).unwrap();
    let program = Relay::program().to_str().unwrap();
    assert_eq!(text.matches("/usr/local/bin/forebay").count(), 2, "{text}");
    let unit = folder.join("forebay.service");
    fs::write(&unit, text.replace("/usr/local/bin/forebay", program)).unwrap();
    silent(
        Command::new("systemd-analyze")
            .args(["verify", "--man=no", "--recursive-errors=no"])
            .arg(&unit),
    );
}

#[test]
fn the_unit_shuts_what_can_be_shut() {
    if !has("systemd-analyze") {
        return;
    }
    // It fails where its figure is above a tenth of the threshold.
    run(Command::new("systemd-analyze")
        .args(["security", "--offline=yes", "--no-pager"])
        .arg(format!("--threshold={}", EXPOSURE_MAX * 10.0))
        .arg(file("systemd/forebay.service")));
}

/// A minute or two, and 300 MB of a Debian the first time.
#[test]
fn the_unit_starts_under_systemd() {
    if std::env::var_os("FOREBAY_BOOT").is_none() {
        return;
    }
    let _beside = beside();
    let site = Running::start(vec![CameraSpec::looped("slipway", 1_000_000)]);
    // Kept: the system in it takes long to make.
    let folder = std::path::Path::new(SCRATCH).join("boot");
    fs::create_dir_all(&folder).unwrap();
    let said = run(Command::new(script("boot_unit.sh"))
        .arg(&folder)
        .arg(file("systemd/forebay.service"))
        .arg(Relay::program())
        .arg(site.cameras[0].url()));
    println!("{}", String::from_utf8_lossy(&said.stdout));
}
