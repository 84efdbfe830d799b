//! The page as an XML parser and a reader find it.

use roxmltree::{Document, Node, ParsingOptions};

use super::super::sample::*;
use super::super::strip;
use super::*;
use crate::archive::ledger::Span;

fn read(page: &str) -> Document<'_> {
    let options = ParsingOptions {
        allow_dtd: true,
        ..ParsingOptions::default()
    };
    Document::parse_with_options(page, options).unwrap()
}

fn all<'a>(document: &'a Document<'_>, name: &str, class: &str) -> Vec<Node<'a, 'a>> {
    let is_meant = |node: &Node<'_, '_>| {
        let classes = node.attribute("class").unwrap_or_default();
        node.has_tag_name(name) && classes.split(' ').any(|c| c == class)
    };
    document.descendants().filter(is_meant).collect()
}

fn text_of(node: Node<'_, '_>) -> String {
    let texts = node.descendants().filter_map(|node| match node.is_text() {
        true => node.text(),
        false => None,
    });
    texts.collect()
}

#[test]
fn the_page_is_whole_and_needs_nothing_else() {
    let sheet = week();
    let page = write(&sheet).unwrap();
    let document = read(&page);
    let cameras = &sheet.sites[0].cameras;
    let days = cameras
        .iter()
        .map(|camera| camera.days.len())
        .sum::<usize>();
    let strips = all(&document, "svg", "strip");
    assert_eq!(strips.len(), days);
    for strip in strips {
        let title = strip.first_element_child().unwrap();
        assert!(title.has_tag_name("title"));
        assert!(text_of(title).contains("% recorded"), "{}", text_of(title));
    }
    // Each gap has a row.
    let gaps = cameras.iter().map(|camera| camera.totals.gaps).sum::<u64>();
    let rows = all(&document, "td", "seen").len();
    assert_eq!(rows as u64, gaps);
    // Whatever is referred to is in the page.
    let ids: Vec<_> = document
        .descendants()
        .filter_map(|node| node.attribute("id"))
        .collect();
    let uses = document
        .descendants()
        .filter_map(|node| node.attribute("href"));
    let fills = page
        .split("url(")
        .skip(1)
        .filter_map(|rest| rest.split(')').next());
    for reference in uses.chain(fills) {
        assert!(
            ids.contains(&reference.strip_prefix('#').unwrap()),
            "{reference}"
        );
    }
    for elsewhere in [
        "http:",
        "https:",
        "<script",
        "@import",
        "src=",
        "<link",
        "javascript",
    ] {
        assert!(!page.contains(elsewhere), "{elsewhere}");
    }
    assert!(page.contains("Account settled until</dt>\n<dd>Wed 2026-10-28 14:42:45 CET"));
    let lasts = all(&document, "p", "lasts");
    assert_eq!(lasts.len(), 1);
    let said = text_of(lasts[0]);
    assert!(said.contains("slipway, camera since Wed 2026-10-28 14:30:15 CET, 12 min 30 s so far"));
}

#[test]
fn hostile_details_stay_text() {
    let window = span("2026-10-23T22:00:00Z", "2026-10-24T22:00:00Z");
    let hostile = "</td><script>alert('1')</script>\"&amp;\u{1b}[2J\u{0}\u{202e}\u{fffe}]]> --> {}";
    let mut gap = gap(
        at("2026-10-24T05:00:00Z"),
        3 * SECOND,
        GapCause::Loss,
        hostile,
    );
    gap.lasts = true;
    let sheet = sheet(window, vec![account("gate", window, vec![gap])]);
    let page = write(&sheet).unwrap();
    let document = read(&page);
    let [seen] = *all(&document, "td", "seen") else {
        panic!()
    };
    let expected = "</td><script>alert('1')</script>\"&amp; [2J   ]]> --> {}";
    assert_eq!(text_of(seen), expected);
    assert!(text_of(all(&document, "p", "lasts")[0]).ends_with(expected));
    assert!(
        !document
            .descendants()
            .any(|node| node.has_tag_name("script"))
    );
}

#[test]
fn gaps_stand_at_their_place() {
    let window = span("2026-10-24T22:00:00Z", "2026-10-26T23:00:00Z");
    let gaps = vec![
        // 25 October: 10:00 by clocks that went back is 11 of the day's 25 hours after midnight.
        gap(at("2026-10-25T09:00:00Z"), 5 * HOUR, GapCause::Camera, ""),
        // The day after, 06:00, a quarter of 24 hours on a scale of 25.
        gap(at("2026-10-26T05:00:00Z"), HOUR, GapCause::Sink, ""),
    ];
    let sheet = sheet(window, vec![account("gate", window, gaps)]);
    let page = write(&sheet).unwrap();
    let document = read(&page);
    let strips = all(&document, "svg", "strip");
    let place = |strip: Node<'_, '_>, class: &str| {
        let is_gap = |node: &Node<'_, '_>| {
            node.attribute("class")
                .is_some_and(|c| c.split(' ').any(|c| c == class))
        };
        let node = strip.descendants().find(is_gap).unwrap();
        ["x", "width"].map(|name| node.attribute(name).unwrap().to_owned())
    };
    assert_eq!(place(strips[0], "gC"), ["44%", "20%"]);
    assert_eq!(place(strips[1], "gS"), ["24%", "4%"]);
    assert_eq!(place(strips[1], "frame"), ["0%", "96%"]);
    // The day of the change has hours of its own: 03:00 is four hours after midnight.
    let hours = all(&document, "text", "scale").into_iter();
    let three = hours.filter(|node| node.text() == Some("03"));
    let three: Vec<_> = three.map(|node| node.attribute("x").unwrap()).collect();
    assert_eq!(three, ["12%", "16%"]);
    assert!(page.contains("clocks back 1 h to 02:00"), "{page}");
}

#[test]
fn a_long_page_stays_usable() {
    let sheet = many(8, 90, 20);
    let page = write(&sheet).unwrap();
    // What a browser opens at once.
    assert!(page.len() < 4_000_000, "{}", page.len());
    let document = read(&page);
    let rows = all(&document, "td", "seen").len();
    assert_eq!(rows, LISTED_MAX);
    let left_out = sheet.totals.gaps - LISTED_MAX as u64;
    assert!(page.contains(&format!("{left_out} shorter ones, ")));
    // The listed ones are the longest.
    let mut lengths: Vec<_> = sheet.sites[0]
        .cameras
        .iter()
        .flat_map(|camera| camera.missing().map(|gap| length_nanos(gap.span)))
        .collect();
    lengths.sort_unstable();
    let least = lengths[lengths.len() - LISTED_MAX];
    let listed = longest(&sheet);
    assert!(
        listed
            .iter()
            .all(|listed| length_nanos(listed.gap.span) >= least)
    );
}

#[test]
fn gaps_without_number_are_drawn_as_fewer() {
    let sheet = many(4, 30, 400);
    let gaps = sheet.totals.gaps as usize;
    assert!(gaps > 2 * SLIVERS_MAX, "{gaps}");
    let days = || {
        sheet.sites[0]
            .cameras
            .iter()
            .flat_map(|camera| &camera.days)
    };
    let merge = strip::merge_nanos(days(), SLIVERS_MAX);
    let page = write(&sheet).unwrap();
    let drawn = all(&read(&page), "rect", "gap").len();
    // The legend has 13.
    assert!(drawn <= SLIVERS_MAX + 13, "{drawn}");
    assert!(page.contains(&format!("within {} are drawn as one", length(merge))));
    // With one for each cause and strip as the bound, the merging ends.
    let least = strip::merge_nanos(days(), 0);
    assert!(least > 24 * strip::HOUR);
}

#[test]
fn too_many_days_are_refused() {
    let begin = oslo_midnight("2016-01-01");
    let window = Span {
        begin,
        end: after(begin, 3001 * 24 * HOUR),
    };
    let sheet = sheet(window, vec![account("gate", window, Vec::new())]);
    let error = write(&sheet).unwrap_err();
    // The window ends an hour or less into a further day, or not at all.
    assert!((3001..=3002).contains(&error.strips), "{error}");
    assert!(error.to_string().contains("fewer days"), "{error}");
}
