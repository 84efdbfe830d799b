//! Whether it fits: what cameras take of their uplink, of the spool and of the archive, how long the
//! film of their stills is, and how finely they see. All of it is computed from the configuration and
//! from what has been recorded so far; [`uplink`], [`film`] and [`optics`] have the formulas, with their
//! sources. Pure.

pub mod film;
pub mod optics;
pub mod uplink;

use std::time::Duration;

use crate::archive::ladder::forecast::Point;
use crate::config::{BitRate, Camera, Config, Plugin, Sink, Site, Transport};
use crate::units::{CameraName, CaptureTime, SiteName};
use uplink::{MONTH, catch_up, overhead, volume, wanted_seconds};

/// Outages for which the catching up is told.
pub const OUTAGES: [Duration; 3] = [
    Duration::from_secs(10),
    Duration::from_secs(60),
    Duration::from_secs(600),
];

/// What a rate is known by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// By so many seconds of footage.
    Footage {
        /// Of footage.
        seconds: u64,
    },
    /// The configuration expects it.
    Expected,
}

/// A stream that crosses an uplink.
#[derive(Debug, Clone, PartialEq)]
pub struct Stream {
    /// Whose.
    pub camera: CameraName,
    /// Where it stands.
    pub site: SiteName,
    /// Its second one.
    pub is_analysis: bool,
    /// How much media it sends, and how that is known.
    pub media: Option<(BitRate, Known)>,
    /// The same on the wire, with the headers of the tunnel.
    pub wire: Option<BitRate>,
    /// For how many seconds of the next month it is wanted.
    pub wanted_seconds: f64,
    /// Some sink takes it into the archive: the recorder, or a plugin from a file, of which nobody
    /// knows what it keeps.
    pub is_recorded: bool,
}

/// What has been recorded of a camera lately.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Bytes of files.
    pub bytes: u64,
    /// Of footage in them.
    pub seconds: f64,
}

/// Less footage than this says little: a camera's rate differs by hour and weather.
const SECONDS_MIN: f64 = 600.0;

/// The streams of a configuration, in its order.
pub fn streams(
    config: &Config,
    now: CaptureTime,
    mut measured: impl FnMut(&CameraName) -> Option<Measured>,
) -> Vec<Stream> {
    let mut streams = Vec::new();
    for camera in &config.cameras {
        let footage = measured(&camera.name).filter(|found| found.seconds > 0.0);
        let expected = |rate: Option<BitRate>| Some((rate?, Known::Expected));
        let by_footage = footage.map(|found| {
            let rate = BitRate::from_bits(found.bytes as f64 * 8.0 / found.seconds);
            let seconds = found.seconds as u64;
            (rate, Known::Footage { seconds })
        });
        let long = footage.is_some_and(|found| found.seconds >= SECONDS_MIN);
        let main = match expected(camera.expected.main) {
            Some(rate) if !long => Some(rate),
            rate => by_footage.or(rate),
        };
        let wanted_seconds = wanted_seconds(&camera.plan, now);
        let stream = |media: Option<(BitRate, Known)>, is_analysis| Stream {
            camera: camera.name.clone(),
            site: camera.site.clone(),
            is_analysis,
            media,
            wire: media.map(|(rate, _)| on_the_wire(camera, rate)),
            wanted_seconds,
            is_recorded: !is_analysis && config.sinks_of(&camera.name).any(records),
        };
        streams.push(stream(main, false));
        if camera.analysis_url.is_some() {
            streams.push(stream(expected(camera.expected.analysis), true));
        }
    }
    streams
}

/// Whether a sink may keep all that it gets.
fn records(sink: &Sink) -> bool {
    match &sink.plugin {
        Plugin::Builtin(name) => *name == "recorder",
        Plugin::File(_) => true,
    }
}

fn on_the_wire(camera: &Camera, media: BitRate) -> BitRate {
    BitRate::from_bits(media.bits() * overhead(camera.transport))
}

/// What a site's streams take of its uplink.
#[derive(Debug, Clone)]
pub struct SiteUse {
    /// The site, and what its uplink can do.
    pub site: Site,
    /// All streams at a time, on the wire.
    pub wire: BitRate,
    /// Streams whose rate is not known: they come on top.
    pub unknown: usize,
    /// Of the uplink's rate.
    pub share: Option<f64>,
    /// Bytes of a month.
    pub month_bytes: f64,
    /// Of the contract's volume.
    pub month_share: Option<f64>,
    /// For each of [`OUTAGES`]: how long it takes to catch up; none where that is never.
    pub catch_up: Option<[Option<Duration>; OUTAGES.len()]>,
}

/// What the streams take of each site's uplink.
#[must_use]
pub fn sites(config: &Config, streams: &[Stream]) -> Vec<SiteUse> {
    let site = |site: &Site| {
        let own = || streams.iter().filter(|stream| stream.site == site.name);
        let bits = own().filter_map(|stream| stream.wire).map(BitRate::bits);
        let wire = BitRate::from_bits(bits.sum());
        let month_bytes = own()
            .filter_map(|stream| Some(volume(stream.wire?, stream.wanted_seconds)))
            .sum::<f64>();
        let uplink = site.uplink;
        SiteUse {
            site: site.clone(),
            wire,
            unknown: own().filter(|stream| stream.wire.is_none()).count(),
            share: uplink.rate.map(|rate| wire.bits() / rate.bits()),
            month_bytes,
            month_share: uplink
                .monthly
                .map(|bytes| month_bytes / bytes.bytes() as f64),
            catch_up: uplink
                .rate
                .map(|rate| OUTAGES.map(|outage| catch_up(wire, rate, outage))),
        }
    };
    config.sites.iter().map(site).collect()
}

/// What the spool can take while the archive is away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spool {
    /// Free on its file system.
    pub free_bytes: u64,
    /// It is on the archive's own file system, and away with it.
    pub is_archives: bool,
    /// What comes in, in bytes a second, while all cameras are wanted.
    pub bytes_per_second: f64,
    /// Recorded streams whose rate is not known: they come on top.
    pub unknown: usize,
}

impl Spool {
    /// For the streams that are recorded.
    #[must_use]
    pub fn new(streams: &[Stream], free_bytes: u64, is_archives: bool) -> Self {
        let recorded = || streams.iter().filter(|stream| stream.is_recorded);
        Self {
            free_bytes,
            is_archives,
            bytes_per_second: recorded()
                .filter_map(|stream| stream.media)
                .map(|(rate, _)| volume(rate, 1.0))
                .sum(),
            unknown: recorded().filter(|stream| stream.media.is_none()).count(),
        }
    }

    /// How long the archive may be away; none where nothing comes in.
    #[must_use]
    pub fn lasts_seconds(&self) -> Option<f64> {
        (self.bytes_per_second > 0.0).then(|| self.free_bytes as f64 / self.bytes_per_second)
    }
}

/// An outage of the archive that a spool should take: a night, until somebody comes.
pub const STORE_OUTAGE: Duration = Duration::from_secs(8 * 3600);

/// What doesn't fit, in plain words.
#[must_use]
pub fn warnings(
    streams: &[Stream],
    sites: &[SiteUse],
    spool: &Spool,
    points: &[Point],
) -> Vec<String> {
    let mut told = Vec::new();
    for site in sites {
        told.extend(of_site(site));
    }
    for stream in streams.iter().filter(|stream| stream.media.is_none()) {
        let (what, key) = match stream.is_analysis {
            true => (" (second stream)", "expected_analysis_megabits_per_second"),
            false => ("", "expected_megabits_per_second"),
        };
        told.push(format!(
            "camera {}{what}: how much it sends is not known, and missing in all sums. Give {key}; \
             `forebay check --probe` measures it.",
            stream.camera
        ));
    }
    if spool.is_archives {
        told.push(
            "spool: it lies on the archive's own file system. If that is away, nothing is recorded: \
             put spool on a disk of its own where the archive is on a network."
                .to_owned(),
        );
    } else if let Some(lasts) = spool
        .lasts_seconds()
        .filter(|lasts| *lasts < STORE_OUTAGE.as_secs_f64())
    {
        told.push(format!(
            "spool: it is full after {} without the archive, which is less than a night (8 h). What \
             comes then is lost.",
            length(lasts)
        ));
    }
    told.extend(of_archive(points));
    told
}

fn of_site(site: &SiteUse) -> Vec<String> {
    let name = &site.site.name;
    let mut told = Vec::new();
    let known = if site.unknown > 0 { "at least " } else { "" };
    match (site.share, site.site.uplink.rate) {
        (Some(share), Some(rate)) if share >= 1.0 => told.push(format!(
            "site {name}: its cameras send {known}{:.1} Mb/s, and the uplink carries {:.1}. Footage is \
             lost all the time: lower their bit rates or sizes.",
            site.wire.megabits(),
            rate.megabits()
        )),
        (Some(share), _) if share > uplink::USE_MAX => told.push(format!(
            "site {name}: {known}{:.0} % of the uplink is in use all the time. Above 60 % outages are \
             caught up slowly, and rain or a busy cell leave too little.",
            share * 100.0
        )),
        _ => {}
    }
    if let (Some(share), Some(bytes)) = (site.month_share, site.site.uplink.monthly)
        && share > 1.0
    {
        let days = MONTH.as_secs_f64() / 86_400.0 / share;
        told.push(format!(
            "site {name}: a month takes {known}{:.0} GB of a volume of {:.0} GB, which is used up after \
             {days:.0} days.",
            site.month_bytes / 1e9,
            bytes.bytes() as f64 / 1e9
        ));
    }
    told
}

/// What the uplink's numbers rest on, in plain words.
#[must_use]
pub fn assumed_of_the_wire() -> String {
    format!(
        "on the wire: full packets of a WireGuard tunnel with MTU 1420, 80 bytes more each (over IPv6; \
         60 over IPv4), with TCP and interleaved RTP in them: {:.3} times the media. By UDP {:.3} times.",
        uplink::overhead(Transport::Tcp),
        uplink::overhead(Transport::Udp)
    )
}

/// The first day of a forecast on which more comes than there is room for.
#[must_use]
pub fn full_after_days(points: &[Point]) -> Option<usize> {
    points.iter().position(|point| point.full)
}

fn of_archive(points: &[Point]) -> Option<String> {
    let when = match full_after_days(points)? {
        0 => return Some("archive: its disk is full now.".to_owned()),
        1 => "within a day".to_owned(),
        days => format!("after {days} days"),
    };
    Some(format!(
        "archive: its disk is full {when}, and by [ladder] nothing is left that may go: what comes then is \
         lost. Give shorter periods, free_space, or a larger disk."
    ))
}

/// A length of time in its two largest units.
#[must_use]
pub fn length(seconds: f64) -> String {
    const UNITS: [(&str, f64); 4] = [("d", 86_400.0), ("h", 3600.0), ("min", 60.0), ("s", 1.0)];
    if seconds < 59.95 {
        return format!("{seconds:.1} s");
    }
    let whole = seconds.round();
    let first = UNITS.iter().position(|(_, unit)| whole >= *unit);
    let first = first.unwrap_or(UNITS.len() - 1);
    let mut left = whole;
    let mut parts = Vec::new();
    for (name, unit) in UNITS.iter().skip(first).take(2) {
        let count = (left / unit).floor();
        left -= count * unit;
        if count > 0.0 {
            parts.push(format!("{count:.0} {name}"));
        }
    }
    parts.join(" ")
}

#[cfg(test)]
mod tests;
