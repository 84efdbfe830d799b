use jiff::tz::TimeZone;
use roxmltree::{Document, ParsingOptions};

use super::*;
use crate::archive::ledger::{Coverage, Gap, GapCause};
use crate::outlet::state::{Condition, State, Trouble};
use crate::units::Name;

const HOUR: i64 = 3_600_000_000_000;
/// 2026-10-25T00:00 in Oslo; that day has 25 hours.
const MIDNIGHT: i64 = 1_792_879_200_000_000_000;

fn at(nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(MIDNIGHT + nanos)
}

fn site() -> Arc<Site> {
    Arc::new(Site {
        name: Name::new("boatyard").unwrap(),
        time_zone: TimeZone::get("Europe/Oslo").unwrap(),
        time_zone_name: "Europe/Oslo".to_owned(),
        position: None,
        uplink: crate::config::Uplink::default(),
    })
}

fn read(page: &str) -> Document<'_> {
    let options = ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    Document::parse_with_options(page, options).unwrap()
}

fn text(document: &Document<'_>, id: &str) -> String {
    let found = document
        .descendants()
        .find(|node| node.attribute("id") == Some(id));
    let parts = found.unwrap().descendants().filter(|node| node.is_text());
    parts.filter_map(|node| node.text()).collect()
}

fn account(site: &Site, until: i64) -> Option<CameraSheet> {
    let window = Span {
        begin: at(0),
        end: at(until),
    };
    let gap = Span {
        begin: at(2 * HOUR),
        end: at(4 * HOUR),
    };
    let recorded = [(window.begin, gap.begin), (gap.end, window.end)];
    let recorded = recorded.map(|(begin, end)| Span { begin, end });
    let coverage = Coverage {
        camera: Name::new("gate").unwrap(),
        site: site.name.clone(),
        window,
        wanted: vec![window],
        recorded: recorded.to_vec(),
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps: vec![Gap {
            span: gap,
            cause: GapCause::Uplink,
            detail: "<b>no & route</b>".to_owned(),
            lasts: false,
        }],
    };
    sheet(window.end, site, window, coverage)
}

fn front(state: Option<State>) -> FrontView {
    let site = site();
    FrontView {
        now: at(20 * HOUR),
        unread: false,
        sites: vec![SiteView {
            cameras: vec![CameraView {
                name: Name::new("gate").unwrap(),
                state,
                pictured: Some(at(20 * HOUR - 5_000_000_000)),
                why_no_film: None,
                sheet: account(&site, 20 * HOUR),
            }],
            site,
        }],
    }
}

fn state(condition: Condition, problems: Vec<Trouble>) -> Option<State> {
    Some(State {
        state: condition,
        since: at(19 * HOUR),
        summary: "as <it> is".to_owned(),
        problems,
        states: Vec::new(),
    })
}

#[test]
fn the_first_answer_is_whether_anything_is_wrong() {
    let page = front::write(&front(state(Condition::Fine, Vec::new())));
    let page = read(&page);
    assert_eq!(text(&page, "answer"), "No. The camera is as it should be.");
    assert_eq!(text(&page, "gate-words").trim(), "As <it> is.");
    assert!(text(&page, "gate-picture").contains("5 s ago"));
    let missing = text(&page, "days");
    assert!(
        missing.contains("2 h 00 min 00 s missing in 1 gap"),
        "{missing}"
    );

    let trouble = Trouble {
        kind: "uplink",
        since: at(19 * HOUR),
        text: "no camera of the site <boatyard> is heard".to_owned(),
        advice: "Look at the site's router.".to_owned(),
    };
    let page = front::write(&front(state(Condition::Silent, vec![trouble])));
    let page = read(&page);
    assert_eq!(
        text(&page, "answer"),
        "Yes. Something is wrong with 1 of 1 cameras."
    );
    let told = text(&page, "problems");
    // Clocks went back: 19 hours after midnight it is 18:00.
    let expected = "no camera of the site <boatyard> is heard, since 18:00 (1 h 00 min). Look at";
    assert!(
        told.split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
            .contains(expected),
        "{told}"
    );

    let page = front::write(&front(None));
    assert!(text(&read(&page), "answer").starts_with("Not known yet."));
}

fn day_view(chosen: Option<i64>) -> DayView {
    let site = site();
    let whole = times::day_span("2026-10-25".parse().unwrap(), &site.time_zone).unwrap();
    assert_eq!(whole.begin, at(0));
    let mut motion = Curve::new(whole);
    motion.note(at(0), 0.25);
    motion.note(at(1), 0.75);
    motion.note(at(25 * HOUR - 1), 1.5);
    DayView {
        camera: Name::new("gate").unwrap(),
        others: vec![Name::new("gate").unwrap(), Name::new("slipway").unwrap()],
        date: "2026-10-25".parse().unwrap(),
        whole,
        now: at(40 * HOUR),
        sheet: account(&site, 25 * HOUR),
        unread: false,
        motion: motion.scores,
        shots: vec![(at(HOUR), "2026-10-24T230000.000Z.jpg".to_owned())],
        at: chosen.map(at),
        minutes: 30,
        site,
    }
}

#[test]
fn a_day_of_25_hours_has_each_of_them() {
    let page = day::write(&day_view(Some(5 * HOUR)));
    let page = read(&page);
    let has = |node: &roxmltree::Node<'_, '_>, class: &str| node.attribute("class") == Some(class);
    let hours = page.descendants().find(|node| has(node, "hours")).unwrap();
    let links: Vec<_> = hours.children().filter(|node| node.is_element()).collect();
    let labels: Vec<_> = links.iter().filter_map(|link| link.text()).collect();
    assert_eq!(labels.len(), 25);
    assert_eq!(labels[..5], ["00", "01", "02", "02", "03"]);
    let current: Vec<_> = links
        .iter()
        .filter(|link| link.has_attribute("aria-current"))
        .collect();
    // Five hours after midnight it is four o'clock.
    assert_eq!(current.len(), 1);
    assert_eq!(current[0].text(), Some("04"));
    let video = page.descendants().find(|node| node.has_tag_name("video"));
    assert_eq!(
        video.unwrap().attribute("src"),
        Some("/v1/cameras/gate/footage.mp4?from=2026-10-25T03:00:00Z&to=2026-10-25T03:30:00Z")
    );
    let curve = page.descendants().find(|node| has(node, "motion")).unwrap();
    let path = curve.last_element_child().unwrap().attribute("d").unwrap();
    assert_eq!(path, "M0 60V15.0h1V60zM719 60V0.0h1V60z");
}

#[test]
fn what_is_missing_is_not_played() {
    let page = day::write(&day_view(Some(3 * HOUR)));
    let page = read(&page);
    assert!(!page.descendants().any(|node| node.has_tag_name("video")));
    let told = text(&page, "player");
    assert!(
        told.contains("Nothing is recorded from 02:00:00 to 02:30:00: uplink."),
        "{told}"
    );
    let details = page.descendants().filter(|node| node.has_tag_name("td"));
    assert!(
        details
            .filter_map(|node| node.text())
            .any(|text| text == "<b>no & route</b>")
    );
}

#[test]
fn pictures_are_spread_over_the_day() {
    assert_eq!(spread((0..100).collect(), 5), [0, 24, 49, 74, 99]);
    assert_eq!(spread(vec![1, 2], 24), [1, 2]);
    assert!(spread(Vec::<u8>::new(), 24).is_empty());
}
