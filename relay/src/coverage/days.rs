//! Accounts split into civil days.
//!
//! A day lasts from one midnight of the site's zone to the next: 23 or 25 hours where clocks
//! change. A gap that crosses midnight is cut there for the days' figures, counted once on each,
//! and whole in the totals: the days' seconds add up to the totals, their numbers of gaps need not.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::stills::StillDays;
use crate::archive::ledger::{Coverage, Gap, GapCause, Span};
use crate::units::{CameraName, CaptureTime, SiteName};

/// The accounts of a site's cameras, as asked for.
#[derive(Debug, Clone)]
pub struct SiteAccounts {
    /// Which site.
    pub site: SiteName,
    /// Its zone, whose midnights part the days.
    pub time_zone: TimeZone,
    /// The zone's name in the IANA database.
    pub time_zone_name: String,
    /// The window asked for; an account whose window ends before is settled until there.
    pub asked: Span,
    /// The accounts, in the order in which they are to be shown.
    pub accounts: Vec<Coverage>,
}

/// All that is shown.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// When it was made.
    pub made: CaptureTime,
    /// Site by site.
    pub sites: Vec<SiteSheet>,
    /// Over all cameras of all sites.
    pub totals: Figures,
}

/// A site's part of it.
#[derive(Debug, Clone)]
pub struct SiteSheet {
    /// Which site.
    pub site: SiteName,
    /// Its zone.
    pub time_zone: TimeZone,
    /// The zone's name in the IANA database.
    pub time_zone_name: String,
    /// The window asked for.
    pub asked: Span,
    /// Camera by camera.
    pub cameras: Vec<CameraSheet>,
    /// Over the site's cameras.
    pub totals: Figures,
}

impl SiteSheet {
    /// Until when the accounts of all of the site's cameras are settled.
    #[must_use]
    pub fn settled_until(&self) -> CaptureTime {
        let ends = self.cameras.iter().map(|camera| camera.settled_until);
        ends.min().unwrap_or(self.asked.end)
    }
}

/// A camera's part of it.
#[derive(Debug, Clone)]
pub struct CameraSheet {
    /// Which camera.
    pub camera: CameraName,
    /// Until when the account is settled; later time may still become recorded or a gap. The
    /// window's begin where nothing of it is settled.
    pub settled_until: CaptureTime,
    /// Where the account begins: the window's begin, or later where the camera was configured
    /// later. None where the window holds no account at all.
    pub account_begin: Option<CaptureTime>,
    /// The days from the account's begin to where it is settled.
    pub days: Vec<Day>,
    /// Over these days.
    pub totals: Figures,
    /// Every gap, whole; the planned ones too.
    pub gaps: Vec<Gap>,
    /// Stills of the window asked for, where any were wanted.
    pub stills: StillDays,
}

impl CameraSheet {
    /// Why there are no days, where there are none, in words.
    #[must_use]
    pub fn no_account(&self, asked: Span) -> Option<&'static str> {
        let why = if self.settled_until <= asked.begin {
            "no account yet: nothing of this window is settled"
        } else {
            "no account in this window: the camera was not configured then"
        };
        self.days.is_empty().then_some(why)
    }

    /// The gaps in what was wanted.
    pub fn missing(&self) -> impl Iterator<Item = &Gap> {
        let missing = |gap: &&Gap| gap.cause != GapCause::Planned;
        self.gaps.iter().filter(missing)
    }

    /// Gaps in what was wanted that have not ended.
    pub fn lasting(&self) -> impl Iterator<Item = &Gap> {
        self.missing().filter(|gap| gap.lasts)
    }
}

/// A civil day of a camera's account.
#[derive(Debug, Clone)]
pub struct Day {
    /// Its date in the site's zone.
    pub date: Date,
    /// From midnight to midnight.
    pub whole: Span,
    /// What of it the account covers.
    pub covered: Span,
    /// Its figures.
    pub figures: Figures,
    /// What of it is recorded.
    pub recorded: Vec<Span>,
    /// Its gaps, cut at midnight.
    pub gaps: Vec<Gap>,
}

/// Sums over a stretch of time. Seconds are kept as nanoseconds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Figures {
    /// How long footage was wanted.
    pub wanted_nanos: u64,
    /// How much of that is recorded.
    pub recorded_nanos: u64,
    /// How much of the recorded has only its key frames left.
    pub thinned_nanos: u64,
    /// How much of the recorded is gone, by the rules of how long it is kept.
    pub expired_nanos: u64,
    /// How many gaps there are in what was wanted.
    pub gaps: u64,
    /// The longest of these.
    pub longest_nanos: u64,
    /// Seconds not recorded by cause, in the order of [`GapCause::ALL`]; those of
    /// [`GapCause::Planned`] were not wanted.
    pub by_cause_nanos: [u64; GapCause::ALL.len()],
}

/// What of the recorded is not whole any more.
#[derive(Clone, Copy)]
struct Kept<'a> {
    thinned: &'a [Span],
    expired: &'a [Span],
}

impl Figures {
    fn of(wanted: &[Span], recorded: &[Span], kept: Kept<'_>, gaps: &[Gap]) -> Self {
        let sum = |spans: &[Span]| {
            let lengths = spans.iter().map(|span| length_nanos(*span));
            lengths.fold(0, u64::saturating_add)
        };
        let mut figures = Self {
            wanted_nanos: sum(wanted),
            recorded_nanos: sum(recorded),
            thinned_nanos: sum(kept.thinned),
            expired_nanos: sum(kept.expired),
            ..Self::default()
        };
        for gap in gaps {
            let nanos = length_nanos(gap.span);
            for (cause, total) in GapCause::ALL.into_iter().zip(&mut figures.by_cause_nanos) {
                if cause == gap.cause {
                    *total = total.saturating_add(nanos);
                }
            }
            if gap.cause != GapCause::Planned {
                figures.gaps += 1;
                figures.longest_nanos = figures.longest_nanos.max(nanos);
            }
        }
        figures
    }

    fn add(&mut self, other: &Self) {
        self.wanted_nanos = self.wanted_nanos.saturating_add(other.wanted_nanos);
        self.recorded_nanos = self.recorded_nanos.saturating_add(other.recorded_nanos);
        self.thinned_nanos = self.thinned_nanos.saturating_add(other.thinned_nanos);
        self.expired_nanos = self.expired_nanos.saturating_add(other.expired_nanos);
        self.gaps = self.gaps.saturating_add(other.gaps);
        self.longest_nanos = self.longest_nanos.max(other.longest_nanos);
        for (sum, more) in self.by_cause_nanos.iter_mut().zip(other.by_cause_nanos) {
            *sum = sum.saturating_add(more);
        }
    }

    fn sum<'a>(all: impl IntoIterator<Item = &'a Self>) -> Self {
        let mut sum = Self::default();
        all.into_iter().for_each(|figures| sum.add(figures));
        sum
    }

    /// Recorded in percent of wanted; none where nothing was wanted.
    #[must_use]
    pub fn percent(&self) -> Option<f64> {
        let wanted = self.wanted_nanos as f64;
        (self.wanted_nanos > 0).then(|| self.recorded_nanos as f64 * 100.0 / wanted)
    }

    /// The causes with seconds to their name, the planned ones included.
    pub fn causes(&self) -> impl Iterator<Item = (GapCause, u64)> {
        let all = GapCause::ALL.into_iter().zip(self.by_cause_nanos);
        all.filter(|(_, nanos)| *nanos > 0)
    }

    /// Seconds that are wanted and not recorded, as nanoseconds.
    #[must_use]
    pub fn missing_nanos(&self) -> u64 {
        let missing = self
            .causes()
            .filter(|(cause, _)| *cause != GapCause::Planned);
        missing.fold(0, |sum, (_, nanos)| sum.saturating_add(nanos))
    }
}

impl Sheet {
    /// Splits the accounts into days and sums them up.
    #[must_use]
    pub fn new(made: CaptureTime, sites: Vec<SiteAccounts>) -> Self {
        let sites: Vec<_> = sites.into_iter().map(SiteSheet::new).collect();
        let totals = Figures::sum(sites.iter().map(|site| &site.totals));
        Self {
            made,
            sites,
            totals,
        }
    }
}

impl SiteSheet {
    fn new(accounts: SiteAccounts) -> Self {
        let zone = &accounts.time_zone;
        let sheet = |account| CameraSheet::new(account, zone);
        let cameras: Vec<_> = accounts.accounts.into_iter().map(sheet).collect();
        Self {
            totals: Figures::sum(cameras.iter().map(|camera| &camera.totals)),
            cameras,
            site: accounts.site,
            time_zone: accounts.time_zone,
            time_zone_name: accounts.time_zone_name,
            asked: accounts.asked,
        }
    }
}

impl CameraSheet {
    fn new(account: Coverage, zone: &TimeZone) -> Self {
        let Coverage {
            camera,
            window,
            wanted,
            recorded,
            thinned,
            expired,
            gaps,
            ..
        } = account;
        let begins = [
            wanted.first().map(|span| span.begin),
            gaps.first().map(|gap| gap.span.begin),
        ];
        let account_begin = begins.into_iter().flatten().min();
        let day = |(date, whole): (Date, Span)| {
            let covered = intersection(whole, window)?;
            let within = |spans: &[Span]| cut(spans, |span| *span, |_, span| span, covered);
            let (wanted, recorded) = (within(&wanted), within(&recorded));
            let kept = Kept {
                thinned: &within(&thinned),
                expired: &within(&expired),
            };
            let shorten = |gap: &Gap, span| Gap {
                span,
                cause: gap.cause,
                detail: gap.detail.clone(),
                // What goes on after midnight has not ended at midnight.
                lasts: gap.lasts && gap.span.end == span.end,
            };
            let gaps = cut(&gaps, |gap| gap.span, shorten, covered);
            Some(Day {
                date,
                whole,
                covered,
                figures: Figures::of(&wanted, &recorded, kept, &gaps),
                recorded,
                gaps,
            })
        };
        let begin = account_begin.map(|begin| begin.max(window.begin));
        let since = |begin| Span { begin, ..window };
        let days = begin.map(|begin| civil_days(since(begin), zone));
        let kept = Kept {
            thinned: &thinned,
            expired: &expired,
        };
        Self {
            camera,
            settled_until: window.end.max(window.begin),
            account_begin: begin,
            days: days.into_iter().flatten().filter_map(day).collect(),
            totals: Figures::of(&wanted, &recorded, kept, &gaps),
            gaps,
            stills: StillDays::default(),
        }
    }
}

/// Length in nanoseconds; 0 for a span that ends before it begins.
pub(super) fn length_nanos(span: Span) -> u64 {
    let nanos = i128::from(span.end.unix_nanos()) - i128::from(span.begin.unix_nanos());
    u64::try_from(nanos).unwrap_or(0)
}

fn intersection(a: Span, b: Span) -> Option<Span> {
    let (begin, end) = (a.begin.max(b.begin), a.end.min(b.end));
    (begin < end).then_some(Span { begin, end })
}

/// The parts within `bounds` of items that are in order and don't overlap.
fn cut<T>(
    items: &[T],
    span: impl Fn(&T) -> Span,
    shorten: impl Fn(&T, Span) -> T,
    bounds: Span,
) -> Vec<T> {
    let first = items.partition_point(|item| span(item).end <= bounds.begin);
    let rest = items.get(first..).unwrap_or_default();
    rest.iter()
        .take_while(|item| span(item).begin < bounds.end)
        .filter_map(|item| Some(shorten(item, intersection(span(item), bounds)?)))
        .collect()
}

/// The civil days that the window touches, from midnight to midnight. A day that a zone skipped
/// (when it crossed the date line) has no length and is left out.
pub(super) fn civil_days(window: Span, zone: &TimeZone) -> impl Iterator<Item = (Date, Span)> {
    let mut next = Some(zoned(window.begin, zone).date());
    let zone = zone.clone();
    std::iter::from_fn(move || {
        let date = next?;
        next = date.tomorrow().ok();
        let begin = midnight(date, &zone)?;
        let end = midnight(next?, &zone)?;
        (begin < window.end).then_some((date, Span { begin, end }))
    })
    .filter(|(_, span)| span.begin < span.end)
}

/// Where a day begins; none beyond the years that [`CaptureTime`] holds.
#[must_use]
pub fn midnight(date: Date, zone: &TimeZone) -> Option<CaptureTime> {
    // Where clocks skip midnight, the day begins with what comes instead.
    let zoned = date.to_zoned(zone.clone()).ok()?;
    let nanos = i64::try_from(zoned.timestamp().as_nanosecond()).ok()?;
    Some(CaptureTime::from_unix_nanos(nanos))
}

/// An instant in a zone.
pub(super) fn zoned(time: CaptureTime, zone: &TimeZone) -> jiff::Zoned {
    timestamp(time).to_zoned(zone.clone())
}

/// An instant for jiff.
pub(super) fn timestamp(time: CaptureTime) -> Timestamp {
    // Any i64 of nanoseconds lies between the years 1677 and 2262, which the calendar holds.
    Timestamp::from_nanosecond(time.unix_nanos().into()).unwrap_or(Timestamp::UNIX_EPOCH)
}
