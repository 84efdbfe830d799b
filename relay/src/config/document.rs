//! TOML's tree with the place of each value, and its syntax errors.

use toml::Spanned;
use toml::de::{DeTable, Error};

use super::problem::Report;

/// The tree; or nothing, with the syntax errors in `report`.
pub(super) fn read<'t>(text: &'t str, report: &Report) -> Option<Spanned<DeTable<'t>>> {
    let (tree, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Some(tree);
    }
    // After a broken table header its keys fall into the table before: those duplicates are
    // consequences, as are further errors on the same line.
    let duplicate = |error: &&Error| error.message().contains("duplicate key");
    let only_duplicates = errors.iter().all(|error| duplicate(&error));
    let mut errors: Vec<_> = errors
        .iter()
        .filter(|error| only_duplicates || !duplicate(error))
        .map(|error| (error.span().unwrap_or(0..0), error.message()))
        .collect();
    errors.sort_by_key(|(span, _)| span.start);
    let mut line_end = None;
    for (span, message) in errors {
        if line_end.is_some_and(|end| span.start <= end) {
            continue;
        }
        let rest = text.get(span.start..).unwrap_or("");
        line_end = Some(span.start + rest.find('\n').unwrap_or(rest.len()));
        let (what, advice) = explain(message);
        report.at(span, what, advice);
    }
    None
}

/// The message in plain words, and what helps most often. The messages are those of the `toml`
/// crate; one that is not known here is shown as it is.
fn explain(message: &str) -> (String, &'static str) {
    const HEADER: &str = "A table begins with a line [relay], or [[camera]] for each camera.";
    const LIST: &str = "A list is written: [\"slipway\", \"gate\"]";
    const LINE: &str = "A line is: key = value. Text stands in quotes, a comment behind #.";
    const DATE: &str =
        "A date is written 2026-12-20 or 2026-12-20T16:00:00, a time of day in quotes: \"18:00\"";
    const KNOWN: [(&str, Option<&str>, &str); 11] = [
        (
            "duplicate key",
            Some("this is here for the second time"),
            "It stands further up in the same table: remove one of the two. A further camera\n\
             begins with a line [[camera]], in two brackets.",
        ),
        (
            "must be quoted",
            Some("text without quotes"),
            "Put it in quotes: \"like this\"",
        ),
        (
            "missing escaped value",
            Some("a backslash that escapes nothing"),
            "Write it twice, or put the text in single quotes.",
        ),
        (
            "multi-line",
            Some("a text in three quotes has no end"),
            "Close it with three quotes of the same kind.",
        ),
        (
            "invalid basic string",
            Some("a text has no end"),
            "Close it with \" on the line on which it begins.",
        ),
        (
            "invalid literal string",
            Some("a text has no end"),
            "Close it with ' on the line on which it begins.",
        ),
        ("unclosed table", Some("the closing ] is missing"), HEADER),
        (
            "unclosed array table",
            Some("the closing ]] is missing"),
            HEADER,
        ),
        ("array", None, LIST),
        ("invalid date", None, DATE),
        ("invalid time", None, DATE),
    ];
    let known = KNOWN.iter().find(|(part, ..)| message.contains(part));
    let what = match known {
        Some((_, Some(what), _)) => (*what).to_owned(),
        _ => format!("this isn't TOML: {message}"),
    };
    (what, known.map_or(LINE, |(_, _, advice)| *advice))
}
