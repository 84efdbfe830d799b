//! What the command asks for, and what it says when it can't.

use crate::archive::ledger::Coverage;
use std::path::Path;

use clap::Parser as _;

use super::*;
use crate::config::parse;

const CONFIG: &str = r#"
[relay]
archive = "/srv/footage"

[[site]]
name = "boatyard"
time_zone = "Europe/Oslo"

[[site]]
name = "quarry"
time_zone = "Asia/Kathmandu"

[[camera]]
name = "slipway"
site = "boatyard"
url = "rtsp://192.0.2.10/main"

[[camera]]
name = "crusher"
site = "quarry"
url = "rtsp://192.0.2.20/main"

[[camera]]
name = "gate"
site = "boatyard"
url = "rtsp://192.0.2.11/main"
"#;

#[derive(Debug, clap::Parser)]
struct Line {
    #[command(flatten)]
    arguments: CoverageArguments,
}

fn arguments(line: &str) -> CoverageArguments {
    let words = ["coverage"].into_iter().chain(line.split_whitespace());
    Line::try_parse_from(words).unwrap().arguments
}

fn config() -> Config {
    parse(CONFIG, Path::new("forebay.toml")).unwrap()
}

fn at(text: &str) -> CaptureTime {
    When::Instant(text.parse().unwrap())
        .at(&TimeZone::UTC)
        .unwrap()
}

/// Everything was recorded.
fn whole(camera: &CameraName, window: Span) -> Account {
    Ok(Some(Coverage {
        camera: camera.clone(),
        site: config().sites[0].name.clone(),
        window,
        wanted: vec![window],
        recorded: vec![window],
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps: Vec::new(),
    }))
}

const NOW: &str = "2026-10-28T13:42:55Z";

fn sheet(line: &str) -> Result<Sheet, Failure> {
    let (arguments, config) = (arguments(line), config());
    let cameras = arguments.cameras(&config)?;
    arguments.sheet(&config, &cameras, at(NOW), whole)
}

#[test]
fn windows_are_those_of_each_site() {
    // Midnights by Python's zoneinfo; Oslo's clocks go back on 25 October.
    let oslo_week = "2026-10-21T22:00:00Z";
    for (line, oslo, kathmandu) in [
        ("", [oslo_week, NOW], ["2026-10-21T18:15:00Z", NOW]),
        (
            "--days 1",
            ["2026-10-27T23:00:00Z", NOW],
            ["2026-10-27T18:15:00Z", NOW],
        ),
        (
            "--from 2026-10-22",
            [oslo_week, NOW],
            ["2026-10-21T18:15:00Z", NOW],
        ),
        (
            "--from 2026-10-22T06:30 --to 2026-10-22T05:00:00Z",
            ["2026-10-22T04:30:00Z", "2026-10-22T05:00:00Z"],
            ["2026-10-22T00:45:00Z", "2026-10-22T05:00:00Z"],
        ),
        // The day that ends at the midnight is the last.
        (
            "--days 2 --to 2026-10-26",
            ["2026-10-23T22:00:00Z", "2026-10-25T23:00:00Z"],
            ["2026-10-23T18:15:00Z", "2026-10-25T18:15:00Z"],
        ),
        // It is not later than now.
        (
            "--from 2026-10-22 --to 2030-01-01",
            [oslo_week, NOW],
            ["2026-10-21T18:15:00Z", NOW],
        ),
    ] {
        let sheet = sheet(line).unwrap();
        for (site, [begin, end]) in sheet.sites.iter().zip([oslo, kathmandu]) {
            let expected = Span {
                begin: at(begin),
                end: at(end),
            };
            assert_eq!(site.asked, expected, "{line}: {}", site.site);
        }
    }
}

#[test]
fn cameras_stand_with_their_site() {
    let names = |sheet: Sheet| -> Vec<String> {
        let of = |site: &crate::coverage::SiteSheet| {
            let cameras = site.cameras.iter().map(|camera| camera.camera.as_str());
            format!("{}: {}", site.site, cameras.collect::<Vec<_>>().join(" "))
        };
        sheet.sites.iter().map(of).collect()
    };
    assert_eq!(
        names(sheet("").unwrap()),
        ["boatyard: slipway gate", "quarry: crusher"]
    );
    assert_eq!(
        names(sheet("--camera gate --camera gate").unwrap()),
        ["boatyard: gate"]
    );
}

#[test]
fn a_camera_that_never_ran_has_no_account() {
    let (arguments, config) = (arguments("--camera gate"), config());
    let cameras = arguments.cameras(&config).unwrap();
    let sheet = arguments.sheet(&config, &cameras, at(NOW), |_, _| Ok(None));
    let sheet = sheet.unwrap();
    assert_eq!(sheet.sites[0].cameras[0].account_begin, None);
    let told = text::write(&sheet, 100);
    assert!(told.contains("gate\n  no account"), "{told}");
}

#[test]
fn errors_say_what_to_do() {
    for (line, message) in [
        (
            "--config forebay.toml --camera gate --camera jetty",
            "forebay: --camera jetty: no such camera in forebay.toml; it has slipway, crusher, gate",
        ),
        (
            "--from 2026-10-22 --to 2026-10-21",
            "forebay: site boatyard: --from Thu 2026-10-22 00:00:00 CEST is not before --to Wed \
             2026-10-21 00:00:00 CEST: swap them, or leave --to out for now",
        ),
        (
            "--from 2026-10-29",
            "forebay: site boatyard: --from Thu 2026-10-29 00:00:00 CET has not come yet: it is \
             Wed 2026-10-28 14:42:55 CET",
        ),
        (
            "--from 1500-01-01",
            "forebay: --from: a time between the years 1678 and 2261 is needed",
        ),
    ] {
        let failure = sheet(line).unwrap_err();
        assert_eq!(failure.message, message);
        assert_eq!(failure.code, exit::USAGE);
    }
    let wrong = Line::try_parse_from(["coverage", "--from", "yesterday"]).unwrap_err();
    assert!(
        wrong.to_string().contains("a date like 2026-05-04"),
        "{wrong}"
    );
    assert!(Line::try_parse_from(["coverage", "--days", "0"]).is_err());
    assert!(Line::try_parse_from(["coverage", "--days", "3", "--from", "2026-10-22"]).is_err());
}

#[test]
fn an_account_that_is_not_there_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = config();
    config.relay.spool = folder.path().to_owned();
    let error = accounts(&config.relay.spool).err().unwrap();
    let path = folder.path().join("catalog.sqlite");
    assert_eq!(error, AccountError::Absent { path: path.clone() });
    let failure = unavailable(error);
    assert_eq!(failure.code, exit::UNAVAILABLE);
    let told = format!(
        "forebay: there is no catalog at {}: has the relay run",
        path.display()
    );
    assert!(failure.message.starts_with(&told), "{}", failure.message);

    let arguments = arguments("");
    let cameras = arguments.cameras(&config).unwrap();
    let reason = "not a database".to_owned();
    let damaged = AccountError::Unreadable { path, reason };
    let sheet = arguments.sheet(&config, &cameras, at(NOW), |_, _| Err(damaged.clone()));
    let failure = sheet.unwrap_err();
    assert_eq!(failure.code, exit::UNAVAILABLE);
    assert!(
        failure.message.contains("forebay catalog rebuild"),
        "{}",
        failure.message
    );
}

#[test]
fn a_file_is_the_old_one_or_the_new_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("sheet.html");
    std::fs::write(&path, "old").unwrap();
    output::write_whole(&path, "new").unwrap();
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "new");
    // A folder has the name: nothing is left beside it.
    let taken = folder.path().join("taken");
    std::fs::create_dir_all(taken.join("inner")).unwrap();
    output::write_whole(&taken, "new").unwrap_err();
    output::write_whole(&folder.path().join("nowhere/sheet.html"), "new").unwrap_err();
    let mut names: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["sheet.html", "taken"]);
}
