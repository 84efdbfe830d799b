use super::super::sample::{at, finding, is_jpeg, outcome, picture};
use super::super::{json, text};
use super::*;
use crate::archive::findings::Phase;
use crate::pictures::PixelFormat;
use crate::sinks::Told;

/// Read back by an XML parser that knows nothing of how it was made.
fn read(page: &str) -> roxmltree::Document<'_> {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        ..Default::default()
    };
    roxmltree::Document::parse_with_options(page, options).unwrap()
}

#[test]
fn the_page_is_whole_and_needs_nothing_else() {
    let outcome = outcome();
    let text = page(&outcome);
    let page = read(&text);
    let count = |name: &str| page.descendants().filter(|n| n.has_tag_name(name)).count();
    assert_eq!(count("script"), 0);
    assert_eq!(count("img"), outcome.album.plates.len());
    // Six marks of motion; both edges of dark are told so late that they stand beside the oldest
    // picture that is still there.
    assert_eq!((outcome.findings.len(), count("img")), (8, 7));
    for node in page.descendants() {
        for attribute in node.attributes() {
            let value = attribute.value();
            match attribute.name() {
                "href" => {
                    let id = value.strip_prefix('#').unwrap();
                    assert!(page.descendants().any(|n| n.attribute("id") == Some(id)));
                }
                "src" => assert!(value.starts_with("data:image/jpeg;base64,/9j/")),
                _ => assert!(!value.contains("://"), "{value}"),
            }
        }
    }
    // Each region twice: a light line and a dark one.
    let regions = page
        .descendants()
        .filter(|n| n.has_tag_name("rect") && n.attribute("x") == Some("0.25000"));
    assert_eq!(regions.count(), 12);
    // One state, from a third to two thirds.
    let state = page
        .descendants()
        .find(|n| n.attribute("class") == Some("state"))
        .unwrap();
    assert_eq!(
        (state.attribute("x"), state.attribute("width")),
        (Some("333.3"), Some("333.3"))
    );
    assert!(text.contains("a &lt;boat&gt; &amp; &quot;crew&quot;"));
    let texts = |name: &str| -> Vec<_> {
        let nodes = page.descendants().filter(|node| node.has_tag_name(name));
        nodes.filter_map(|node| node.text()).collect()
    };
    // A kind that is of states alone has a bar and no curve, a gauge a curve by its own scale.
    assert_eq!(texts("b"), ["dark", "motion", "brightness_mean"]);
    let lanes = page.descendants().filter(|node| node.has_tag_name("svg"));
    let lanes = lanes.filter(|node| node.attribute("class").is_some());
    let inside: Vec<Vec<_>> = lanes
        .map(|lane| {
            lane.descendants()
                .filter_map(|node| node.attribute("class"))
                .collect()
        })
        .collect();
    let has = |lane: usize, class: &str| inside[lane].contains(&class);
    assert!(has(0, "lane flat") && has(0, "state") && !has(0, "score") && !has(0, "mark"));
    assert!(has(1, "lane") && has(1, "score") && has(1, "mark") && !has(1, "state"));
    assert!(has(2, "lane") && has(2, "gauge") && !has(2, "score"));
    assert!(texts("small").contains(&"0 to 29"));
    // Once for the scores, once for the gauges.
    assert_eq!(
        texts("span"),
        ["07:31:00", "07:31:15", "07:31:30", "07:31:45", "07:32:00"].repeat(2)
    );
}

#[test]
fn values_are_told_to_four_digits() {
    for (value, word) in [
        (0.0, "0"),
        (0.5, "0.5"),
        (0.123_456, "0.1235"),
        (-12.345_6, "-12.35"),
        (255.0, "255"),
        (1_777_879_860.12, "1777879860"),
        (1.5e-7, "1.500e-7"),
        (f64::MAX, "1.798e308"),
    ] {
        assert_eq!(super::super::tell::value_word(value), word);
    }
}

#[test]
fn curves_are_bounded_and_say_so() {
    let mut outcome = outcome();
    for index in 0..100 {
        outcome.gauge(format!("level_{index}"), at(1.0), 1.0);
        outcome.told(Told::Score(finding(
            &format!("kind-{index}"),
            1.0,
            0.5,
            Phase::Mark,
        )));
    }
    let text = page(&outcome);
    let lanes = text.matches("<svg class=\"lane").count();
    assert_eq!(lanes, 2 * 64);
    assert!(text.contains("38 further kinds are not drawn."));
    assert!(text.contains("37 further gauges are not drawn."));
}

#[test]
fn the_same_outcome_gives_the_same_texts() {
    assert_eq!(page(&outcome()), page(&outcome()));
    assert_eq!(text(&outcome()), text(&outcome()));
    let told: serde_json::Value = serde_json::from_str(&json(&outcome()).unwrap()).unwrap();
    assert_eq!(told["findings"].as_array().unwrap().len(), 8);
    assert_eq!(told["findings"][0]["region"]["left"], 0.25);
    assert_eq!(told["findings"][7]["phase"], "end");
    assert_eq!(told["calls"]["analyze"], 120);
}

#[test]
fn the_page_is_bounded_and_says_so() {
    let mut outcome = outcome();
    for index in 0..5000 {
        let seconds = f64::from(index) / 100.0;
        outcome.album.show(&picture(seconds, PixelFormat::Rgb8));
        outcome.told(Told::Finding(finding("motion", seconds, 0.9, Phase::Mark)));
    }
    let text = page(&outcome);
    let page = read(&text);
    let count = |name: &str| page.descendants().filter(|n| n.has_tag_name(name)).count();
    assert_eq!(count("img"), 240);
    // Seven pictures were there before, and six of the findings are of those.
    assert!(text.contains("4761 findings are listed below without their picture."));
    assert!(text.contains("3008 further findings are not listed here."));
}

#[test]
fn pictures_of_every_format_are_kept() {
    for format in [PixelFormat::Gray8, PixelFormat::Rgb8, PixelFormat::I420] {
        let mut outcome = outcome();
        outcome.album.plates.clear();
        outcome.album.show(&picture(0.0, format));
        outcome.told(Told::Finding(finding("a", 0.0, 0.9, Phase::Mark)));
        let plate = &outcome.album.plates[0];
        assert!(is_jpeg(&plate.jpeg));
        assert_eq!((plate.width, plate.height), (64, 36));
    }
}

#[test]
fn a_finding_stands_beside_the_picture_that_it_is_about() {
    let mut outcome = outcome();
    outcome.album.plates.clear();
    let before = outcome.findings.len();
    for seconds in [70.0, 71.0, 72.0] {
        outcome.album.show(&picture(seconds, PixelFormat::Gray8));
    }
    for at in [70.9, 72.0, 71.0] {
        outcome.told(Told::Finding(finding("late", at, 0.9, Phase::Mark)));
    }
    let plates = outcome.album.plates.iter();
    let told: Vec<_> = plates
        .map(|plate| (plate.captured.unix_seconds(), &plate.findings[..]))
        .collect();
    let first = picture(71.0, PixelFormat::Gray8).captured.unix_seconds();
    assert_eq!(
        told,
        [
            (first, &[before, before + 2][..]),
            (first + 1.0, &[before + 1][..])
        ]
    );
}

/// A plugin that looks at many pictures a second, and tells the strongest of five seconds.
#[test]
fn a_finding_that_is_told_late_has_its_own_picture() {
    let mut outcome = outcome();
    outcome.album.plates.clear();
    for index in 0..100 {
        outcome
            .album
            .show(&picture(70.0 + f64::from(index) / 8.0, PixelFormat::Gray8));
    }
    outcome.told(Told::Finding(finding("late", 77.375, 0.9, Phase::Mark)));
    let plate = &outcome.album.plates[0];
    assert_eq!(plate.captured, at(77.375));
    // What lies further back stands beside the oldest that is kept.
    for second in 83..200 {
        outcome
            .album
            .show(&picture(f64::from(second), PixelFormat::Gray8));
    }
    outcome.told(Told::Finding(finding("later", 80.0, 0.9, Phase::Mark)));
    assert_eq!(outcome.album.plates[1].captured, at(184.0));
}
