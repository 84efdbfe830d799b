//! What stands behind the question mark.

use std::str::FromStr;

use axum::http::Uri;

use super::error::Problem;
use crate::archive::ledger::Span;
use crate::config::Site;
use crate::coverage::When;
use crate::units::CaptureTime;

/// Parameters, each once; none but those that are known.
#[derive(Debug)]
pub(super) struct Query(Vec<(String, String)>);

impl Query {
    /// # Errors
    /// For one that is not known, or given twice.
    pub(super) fn of(uri: &Uri, known: &[&str]) -> Result<Self, Problem> {
        let mut all: Vec<(String, String)> = Vec::new();
        let given = uri.query().unwrap_or_default();
        for (name, value) in url::form_urlencoded::parse(given.as_bytes()) {
            let shown = shown(&name);
            if !known.contains(&name.as_ref()) {
                let advice = match known {
                    [] => "It takes no parameters.".to_owned(),
                    known => format!("It takes {}.", known.join(", ")),
                };
                let detail = format!("there is no parameter {shown} here");
                return Err(Problem::bad(detail, advice));
            }
            if all.iter().any(|(other, _)| *other == name) {
                let detail = format!("the parameter {shown} is given twice");
                return Err(Problem::bad(detail, "Give it once."));
            }
            all.push((name.into_owned(), value.into_owned()));
        }
        Ok(Self(all))
    }

    pub(super) fn get(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(other, _)| other == name);
        found.map(|(_, value)| value.as_str())
    }

    /// A number of a list of parameters.
    ///
    /// # Errors
    /// Where it is none, or there is none.
    pub(super) fn number<T: FromStr>(&self, name: &str) -> Result<T, Problem> {
        let value = self.get(name).unwrap_or_default();
        let wrong = |_| {
            let detail = format!("{name}={} is no number that can be meant", shown(value));
            Problem::bad(detail, "Take the address from the playlist as it is.")
        };
        value.parse().map_err(wrong)
    }

    /// The stretch from `from` to `to`, at most `most` long. Times without an offset are those of the
    /// site. `usual`: where no `from` is given, so long before `to`; none where it must be.
    ///
    /// # Errors
    /// Where there is no such stretch.
    pub(super) fn window(
        &self,
        site: &Site,
        now: CaptureTime,
        usual: Option<i64>,
        most: i64,
    ) -> Result<Span, Problem> {
        let time = |name: &str| match self.get(name) {
            None => Ok(None),
            Some(text) => instant(name, text, site).map(Some),
        };
        let end = time("to")?.unwrap_or(now).min(now);
        let begin = match (time("from")?, usual) {
            (Some(begin), _) => begin,
            (None, Some(usual)) => {
                CaptureTime::from_unix_nanos(end.unix_nanos().saturating_sub(usual))
            }
            (None, None) => {
                let advice =
                    "Add from=2026-05-04T07:30 (the site's time) or from=2026-05-04T05:30:00Z.";
                return Err(Problem::bad("the parameter from is missing", advice));
            }
        };
        if begin >= end {
            let detail = format!("from ({begin}) is not before to ({end})");
            let advice = "Swap them, or leave to out for now; what is to come can't be asked for.";
            return Err(Problem::bad(detail, advice));
        }
        let nanos = end.unix_nanos().saturating_sub(begin.unix_nanos());
        if nanos > most {
            let hours = most / 3_600_000_000_000;
            let detail = format!("from {begin} to {end} is more than {hours} hours");
            return Err(Problem::bad(detail, "Ask for less at a time."));
        }
        Ok(Span { begin, end })
    }
}

fn instant(name: &str, text: &str, site: &Site) -> Result<CaptureTime, Problem> {
    // A plus sign that was not written as %2B has become a space.
    let text = text.replace(' ', "+");
    let when: Result<When, _> = text.parse();
    let wrong = |advice: String| {
        let detail = format!("{name}={} is no time", shown(&text));
        Problem::bad(detail, advice)
    };
    let when = when.map_err(|allowed| wrong(format!("Allowed: {allowed}.")))?;
    let years = || wrong("Allowed: times between the years 1678 and 2261.".to_owned());
    when.at(&site.time_zone).ok_or_else(years)
}

/// What came from outside, to be shown: bounded, printable.
pub(super) fn shown(text: &str) -> String {
    const CHARS_MAX: usize = 60;
    let mut short: String = text.chars().take(CHARS_MAX).collect();
    if text.chars().count() > CHARS_MAX {
        short.push('…');
    }
    format!("{short:?}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    fn window(query: &str) -> Result<Span, Problem> {
        let site = Site {
            name: crate::units::Name::new("boatyard").unwrap(),
            time_zone: TimeZone::get("Europe/Oslo").unwrap(),
            time_zone_name: "Europe/Oslo".to_owned(),
            position: None,
            uplink: crate::config::Uplink::default(),
        };
        let uri: Uri = format!("/x?{query}").parse().unwrap();
        let now = CaptureTime::from_unix_nanos(1_777_900_000_000_000_000); // 2026-05-04T13:06:40Z
        Query::of(&uri, &["from", "to"])?.window(&site, now, None, 86_400_000_000_000)
    }

    #[test]
    fn times_are_the_sites_or_have_an_offset() {
        let begin = |query: &str| window(query).unwrap().begin.to_string();
        assert_eq!(begin("from=2026-05-04T07:30"), "2026-05-04T05:30:00.000Z");
        for same in ["07:30:00%2B02:00", "07:30:00+02:00", "05:30:00Z"] {
            let query = format!("from=2026-05-04T{same}&to=2026-05-04T10:00");
            assert_eq!(begin(&query), "2026-05-04T05:30:00.000Z");
        }
    }

    #[test]
    fn what_can_not_be_meant_is_refused() {
        for wrong in [
            "",
            "from=yesterday",
            "from=2026-05-04&from=2026-05-04",
            "from=2026-05-04&until=2026-05-05",
            "from=2026-05-04T10:00&to=2026-05-04T09:00",
            "from=2026-05-01",
            "from=2030-01-01",
            "from=9999-12-31",
        ] {
            assert!(window(wrong).is_err(), "{wrong}");
        }
    }
}
