//! Accounts for tests: a week of a boatyard.

use jiff::tz::TimeZone;

use super::days::{Sheet, SiteAccounts, midnight};
use crate::archive::findings::{Finding, Phase};
use crate::archive::ledger::{Coverage, Gap, GapCause, Span};
use crate::pictures::Source;
use crate::units::{CaptureTime, Name};

pub(super) const SECOND: i64 = 1_000_000_000;
pub(super) const MINUTE: i64 = 60 * SECOND;
pub(super) const HOUR: i64 = 60 * MINUTE;

pub(super) fn at(text: &str) -> CaptureTime {
    let timestamp: jiff::Timestamp = text.parse().unwrap();
    CaptureTime::from_unix_nanos(timestamp.as_nanosecond().try_into().unwrap())
}

pub(super) fn after(time: CaptureTime, nanos: i64) -> CaptureTime {
    CaptureTime::from_unix_nanos(time.unix_nanos() + nanos)
}

pub(super) fn span(begin: &str, end: &str) -> Span {
    Span {
        begin: at(begin),
        end: at(end),
    }
}

pub(super) fn gap(begin: CaptureTime, nanos: i64, cause: GapCause, detail: &str) -> Gap {
    Gap {
        span: Span {
            begin,
            end: after(begin, nanos),
        },
        cause,
        detail: detail.to_owned(),
        lasts: false,
    }
}

fn without(window: Span, holes: impl Iterator<Item = Span>) -> Vec<Span> {
    let mut left = Vec::new();
    let mut begin = window.begin;
    for hole in holes {
        if begin < hole.begin {
            left.push(Span {
                begin,
                end: hole.begin,
            });
        }
        begin = hole.end;
    }
    if begin < window.end {
        left.push(Span { begin, ..window });
    }
    left
}

/// The account that has these gaps; of gaps that overlap the first in time stays.
pub(super) fn account(camera: &str, window: Span, mut gaps: Vec<Gap>) -> Coverage {
    gaps.sort_by_key(|gap| gap.span);
    let mut end = window.begin;
    gaps.retain(|gap| {
        let fits = gap.span.begin >= end && gap.span.end <= window.end;
        end = if fits { gap.span.end } else { end };
        fits
    });
    let planned = |gap: &&Gap| gap.cause == GapCause::Planned;
    Coverage {
        camera: Name::new(camera).unwrap(),
        site: Name::new("boatyard").unwrap(),
        window,
        wanted: without(window, gaps.iter().filter(planned).map(|gap| gap.span)),
        recorded: without(window, gaps.iter().map(|gap| gap.span)),
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps,
    }
}

pub(super) fn oslo() -> TimeZone {
    TimeZone::get("Europe/Oslo").unwrap()
}

pub(super) fn sheet(window: Span, accounts: Vec<Coverage>) -> Sheet {
    let site = SiteAccounts {
        site: Name::new("boatyard").unwrap(),
        time_zone: oslo(),
        time_zone_name: "Europe/Oslo".to_owned(),
        asked: window,
        accounts,
    };
    Sheet::new(window.end, vec![site])
}

/// Random, the same at each run (a linear congruential generator, Knuth's MMIX constants).
pub(super) struct Dice(pub(super) u64);

impl Dice {
    pub(super) fn below(&mut self, bound: i64) -> i64 {
        let multiplier = 6_364_136_223_846_793_005;
        self.0 = self
            .0
            .wrapping_mul(multiplier)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as i64 % bound
    }
}

/// A week up to an autumn afternoon with a change of clocks: outages of the link all day, a
/// restart of the relay, a camera that failed for 40 minutes, a crane that is not filmed at night.
pub(super) fn week() -> Sheet {
    let window = span("2026-10-21T22:00:00Z", "2026-10-28T13:42:55.25Z");
    let settled = Span {
        end: after(window.end, -10 * SECOND),
        ..window
    };
    let accounts = ["slipway", "gate", "mast-crane"]
        .map(|camera| account(camera, settled, week_of(camera, settled)));
    let mut sheet = sheet(window, accounts.into());
    // Stills of the gate: each hour of two days, of the second the clocks' change makes 25.
    let begin = at("2026-10-23T22:00:00Z");
    for hour in 0..49 {
        let told: &[&str] = match hour {
            7 | 30 => &["still-missed"],
            8 => &["still", "still-late", "sharpness"],
            _ => &["still", "brightness"],
        };
        for kind in told {
            let finding = Finding {
                sink: Name::new("every-hour").unwrap(),
                kind: (*kind).to_owned(),
                score: 1.0,
                at: after(begin, hour * HOUR),
                phase: Phase::Mark,
                source: Source::Main,
                region: None,
                text: String::new(),
            };
            sheet.sites[0].cameras[1].stills.note(&finding, &oslo());
        }
    }
    sheet
}

fn week_of(camera: &str, window: Span) -> Vec<Gap> {
    // Outages hit all cameras, and each loses a little more or less.
    let mut outages = Dice(7);
    let mut own = Dice(camera.len() as u64);
    let mut gaps = Vec::new();
    for day in super::days::civil_days(window, &oslo()) {
        let midnight = day.1.begin;
        for _ in 0..20 {
            let begin = after(midnight, outages.below(24 * HOUR));
            let length = match outages.below(20) {
                0 => 40 * SECOND + outages.below(200 * SECOND),
                1..8 => 2 * SECOND + outages.below(20 * SECOND),
                _ => 200_000_000 + outages.below(2 * SECOND),
            };
            let begin = after(begin, own.below(SECOND));
            let detail = "silent together with the site’s other cameras";
            gaps.push(gap(begin, length, GapCause::Uplink, detail));
        }
        if own.below(3) == 0 {
            let begin = after(midnight, own.below(24 * HOUR));
            gaps.push(gap(begin, 3 * SECOND, GapCause::Loss, "41 packets lost"));
        }
    }
    let restart = at("2026-10-24T06:11:02.5Z");
    gaps.push(gap(restart, 74 * SECOND, GapCause::Relay, "restarted"));
    if camera == "gate" {
        let begin = at("2026-10-23T11:20:31Z");
        let detail = "connection refused, 231 tries";
        gaps.push(gap(begin, 2412 * SECOND, GapCause::Camera, detail));
        let begin = at("2026-10-26T17:02:00Z");
        gaps.push(gap(
            begin,
            9 * SECOND,
            GapCause::Sink,
            "recorder: trap, restarted",
        ));
    }
    if camera == "slipway" {
        let begin = at("2026-10-27T02:30:00Z");
        let detail = "write refused: no space left on device";
        gaps.push(gap(begin, 5400 * SECOND, GapCause::Storage, detail));
        let begin = after(window.end, -750 * SECOND);
        let mut last = gap(
            begin,
            750 * SECOND,
            GapCause::Camera,
            "no answer to DESCRIBE",
        );
        last.lasts = true;
        gaps.push(last);
    }
    if camera == "mast-crane" {
        let mut night = at("2026-10-22T17:00:00Z");
        while night < window.end {
            gaps.push(gap(night, 12 * HOUR, GapCause::Planned, ""));
            night = after(night, 24 * HOUR);
        }
        let begin = window.begin;
        gaps.push(gap(begin, 5 * HOUR, GapCause::Planned, ""));
        // The outages of the night were not missed.
        let planned: Vec<_> = gaps
            .iter()
            .filter(|g| g.cause == GapCause::Planned)
            .map(|g| g.span)
            .collect();
        gaps.retain(|gap| {
            let inside = |span: &Span| gap.span.begin < span.end && gap.span.end > span.begin;
            gap.cause == GapCause::Planned || !planned.iter().any(inside)
        });
    }
    gaps
}

/// Two days with a change of clocks, short enough to be read whole.
pub(super) fn weekend() -> Sheet {
    let window = span("2026-10-23T22:00:00Z", "2026-10-25T23:00:00Z");
    let link = "silent together with the site’s other cameras";
    let mut refused = gap(
        at("2026-10-25T22:41:10.5Z"),
        1120 * SECOND,
        GapCause::Camera,
        "",
    );
    refused.detail =
        "answers 503 to DESCRIBE: it may have no session left for another client".into();
    let mut slipway = account(
        "slipway",
        Span {
            end: at("2026-10-25T22:59:50.5Z"),
            ..window
        },
        vec![
            gap(
                at("2026-10-24T05:12:44.3Z"),
                12 * SECOND,
                GapCause::Uplink,
                link,
            ),
            gap(
                at("2026-10-24T21:59:30Z"),
                43 * SECOND,
                GapCause::Uplink,
                link,
            ),
            gap(
                at("2026-10-25T00:30:00Z"),
                66_000_000,
                GapCause::Loss,
                "1 packet lost",
            ),
            gap(at("2026-10-25T03:00:00Z"), 74 * SECOND, GapCause::Relay, ""),
            refused,
        ],
    );
    if let Some(last) = slipway.gaps.last_mut() {
        last.lasts = true;
    }
    let nights = [("2026-10-23T22:00:00Z", 7), ("2026-10-24T17:00:00Z", 13)];
    let nights = nights.map(|(begin, hours)| gap(at(begin), hours * HOUR, GapCause::Planned, ""));
    let crane = account("mast-crane", window, nights.into());
    sheet(window, vec![slipway, crane])
}

/// Many cameras over many days, with so many gaps a day.
pub(super) fn many(cameras: usize, days: i64, gaps: i64) -> Sheet {
    let begin = oslo_midnight("2026-03-01");
    let end = after(begin, days * 24 * HOUR);
    let window = Span { begin, end };
    let mut dice = Dice(3);
    let account = |camera| {
        let gaps = (0..days * gaps).map(|_| {
            let begin = after(begin, dice.below(days * 24 * HOUR));
            let cause = GapCause::ALL.into_iter().nth(dice.below(6) as usize);
            gap(begin, SECOND + dice.below(MINUTE), cause.unwrap(), "seen")
        });
        account(&format!("camera-{camera}"), window, gaps.collect())
    };
    sheet(window, (0..cameras).map(account).collect())
}

/// The instant at which a day begins in Oslo.
pub(super) fn oslo_midnight(date: &str) -> CaptureTime {
    midnight(date.parse().unwrap(), &oslo()).unwrap()
}
