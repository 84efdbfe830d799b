//! What a valid configuration says. The field names are the keys of the file unless noted.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use jiff::tz::TimeZone;
use url::Url;

use crate::telemetry::logs::LogLevel;
use crate::units::{CameraName, SinkName, SiteName};

use super::plan::Plan;
use super::quantity::ByteCount;
use super::secrets::Credentials;

/// The plugins that the relay brings along, written `builtin:NAME` in [`Sink::plugin`].
pub const BUILTIN_PLUGINS: &[&str] = &["recorder", "stills", "motion"];

/// Under this name the relay itself publishes findings: no sink may have it.
pub const PICTURES_SINK: &str = "pictures";

/// Under this name the relay itself writes what is left of thinned footage: no sink may have it.
pub const LADDER_SINK: &str = "ladder";

/// A whole configuration. Names are unique within their kind, and every reference points to
/// something that exists. Relative paths of the file have been joined to the file's folder.
#[derive(Debug, Clone)]
pub struct Config {
    /// `[relay]`
    pub relay: Relay,
    /// `[[site]]`, at least one.
    pub sites: Vec<Site>,
    /// `[pictures]`: how coded pictures are decoded for plugins that look at them.
    pub pictures: Pictures,
    /// `[carry]`: how finished files come from the spool to the archive.
    pub carry: Carry,
    /// `[scrub]`: how the archive is read again beside the rest.
    pub scrub: Scrub,
    /// `[ladder]`: how long what is in the archive is kept.
    pub ladder: Ladder,
    /// `[heartbeat]`: a sign of life to an outside URL.
    pub heartbeat: Option<Heartbeat>,
    /// `[[camera]]`, at least one.
    pub cameras: Vec<Camera>,
    /// `[[sink]]`, none or more.
    pub sinks: Vec<Sink>,
}

impl Config {
    /// The sinks that take the camera's media, in the order of the file.
    pub fn sinks_of(&self, camera: &CameraName) -> impl Iterator<Item = &Sink> {
        self.sinks
            .iter()
            .filter(move |sink| sink.cameras.contains(camera))
    }

    /// The site of that name.
    #[must_use]
    pub fn site(&self, name: &SiteName) -> Option<&Site> {
        self.sites.iter().find(|site| site.name == *name)
    }
}

/// `[relay]`: the relay itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Relay {
    /// Folder of finished footage. Required. In a [`store`](Self::store): `s3://bucket/prefix`.
    pub archive: PathBuf,
    /// `archive = "s3://bucket/prefix"` and `[store]`. Default: none; the archive is a folder.
    pub store: Option<Store>,
    /// Folder where footage is written before it is finished and moved to the archive; best on the
    /// same file system. Another folder than the archive. Default: `.spool` in the archive.
    pub spool: PathBuf,
    /// Address and port of the web server. Anything but a loopback address needs a
    /// [`token_file`](Self::token_file). Port 0 takes any free one. Default: `127.0.0.1:8473`.
    pub listen: SocketAddr,
    /// File with the bearer token (RFC 6750) that web requests must carry: at least 16 characters.
    /// Default: none, which is allowed on a loopback address only.
    pub token_file: Option<PathBuf>,
    /// Folder of compiled plugins. Whoever can write there can run code as the relay.
    /// Default: `plugin-cache` in the spool.
    pub plugin_cache: PathBuf,
    /// How much `forebay run` logs, unless `--log-level` says so: `error`, `warn`, `info` or `debug`.
    /// Default: `info`.
    pub log_level: LogLevel,
}

/// What an upload to a store has in memory at the most, whatever the length of its object.
pub const UPLOAD_BYTES_MAX: ByteCount = ByteCount::mib(64);

/// `[store]`: the S3-compatible store that the archive is in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Store {
    /// From `archive`.
    pub bucket: String,
    /// From `archive`, without `/` at its ends; may be empty.
    pub prefix: String,
    /// `https://` or `http://`, host and maybe port. Required.
    pub endpoint: String,
    /// The region that requests are signed for. Default: `us-east-1`.
    pub region: String,
    /// The bucket's name stands in the path of requests, and not in the host's name. Default: true.
    pub path_style: bool,
    /// `access_key`, and `secret_key_file` or `secret_key_env`. Required.
    pub credentials: Credentials,
    /// PEM file with the certificates that the store is known by. Default: those of the system.
    pub ca_file: Option<PathBuf>,
    /// `connect_seconds`: longest that a connection may take, 0.1 to 300 s. Default: 10 s.
    pub connect: Duration,
    /// `silence_seconds`: without a byte for so long, a request is given up. 0.1 to 3600 s.
    /// Default: 30 s.
    pub silence: Duration,
    /// `request_seconds`: longest that a request may take with all its tries, and 1 s more for each
    /// KiB that goes over the wire for it: what goes on is not cut off. 1 s to a day. Default: 300 s.
    pub request: Duration,
    /// Larger objects are sent in parts of 16 MiB; what is sent at a time is in memory. 5 MiB to
    /// 64 MiB ([`UPLOAD_BYTES_MAX`]). Default: `64 MiB`.
    pub multipart_over: ByteCount,
    /// Each object is read back once it is sent. Default: false; then only where the store does not
    /// confirm the SHA-256 of what it has taken.
    pub read_back: bool,
    /// What fetched objects may take in the spool. 64 MiB to 1 TiB. Default: `2 GiB`.
    pub cache: ByteCount,
}

/// `[pictures]`: how coded pictures are decoded for plugins that look at them. Nothing is decoded
/// that no plugin wants.
#[derive(Debug, Clone, PartialEq)]
pub struct Pictures {
    /// Path of the program ffmpeg. It is started for streams that the built-in decoder can't do:
    /// monochrome (thermal cameras), interlaced, H.264 in 10 bit, 4:2:2, slices that begin within a
    /// row. It is bounded in time and memory, but runs outside of the sandbox that holds the
    /// built-in one. Default: none; such a stream has no pictures, and a finding says so.
    pub ffmpeg: Option<PathBuf>,
    /// Most memory of one decoder; there is one for each stream that somebody wants pictures of.
    /// 16 MiB to 2 GiB. Default: `192 MiB`, enough for 3840 × 2160 in H.265.
    pub decoder_memory: ByteCount,
    /// `decode_seconds`: longest that the decoding of one picture may take, 0.1 to 60 s.
    /// Default: 5 s.
    pub decode: Duration,
    /// Most pixels of a picture; larger ones are not decoded. 16 384 to 134 217 728.
    /// Default: 9 437 184, the largest of H.264 level 5.1 (4096 × 2304).
    pub pixels_max: u32,
    /// Pictures decoded at a time, over all cameras: each takes one core. 1 to 64. Default: 1.
    pub workers: u32,
}

impl Default for Pictures {
    fn default() -> Self {
        Self {
            ffmpeg: None,
            decoder_memory: ByteCount::mib(192),
            decode: Duration::from_secs(5),
            // 36 864 macroblocks (H.264 table A-1).
            pixels_max: 36_864 * 256,
            workers: 1,
        }
    }
}

/// `[carry]`: how finished files come from the spool to the archive, where that is another file
/// system, and what happens when they can't.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Carry {
    /// Bytes that may wait in the spool. 1 MiB to 1024 TiB. Default: as much as its file system has
    /// room for, but for a reserve: a 64th of its size, at least 64 MiB, at most 1 GiB, never more
    /// than a quarter of it, nor than half of the ladder's `free_space`. The reserve holds in any
    /// case: it is for stills, findings, journals and the catalog.
    pub waiting_max: Option<ByteCount>,
    /// What is lost when no more may wait. Default: `stop`.
    pub when_full: WhenFull,
    /// Bytes that are copied to the archive in a second, and read back from it: 1 kB to 10 GiB.
    /// Default: none, as fast as it goes.
    pub bytes_per_second: Option<ByteCount>,
}

/// What is lost when the spool is full.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum WhenFull {
    /// `stop`: new footage is not recorded until there is room.
    #[default]
    Stop,
    /// `drop-oldest`: the oldest footage that waits goes.
    DropOldest,
}

/// `[scrub]`: how the archive is read again, slowly, to find what is not what was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Scrub {
    /// Whether it is. Default: true.
    pub enabled: bool,
    /// From the start of the relay to the first pass, and after one that could not begin: 1 s to 24 h.
    /// Default: 300 s.
    pub first_after: Duration,
    /// Bytes of the archive that are read in a second, 1 kB to 10 GiB. Should be more than what the
    /// cameras add. Default: `10 MB`.
    pub bytes_per_second: ByteCount,
    /// Damaged files are moved to `.quarantine` in the archive, and their footage counts as
    /// missing. Default: false; they stay where they are.
    pub quarantine: bool,
}

impl Default for Scrub {
    fn default() -> Self {
        Self {
            enabled: true,
            first_after: Duration::from_secs(300),
            bytes_per_second: ByteCount::new(10_000_000),
            quarantine: false,
        }
    }
}

/// `[heartbeat]`: a request to an outside URL while all is well, so that somebody is told when it
/// ceases. Without it there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heartbeat {
    /// A file whose only line is the URL; whoever knows it can send heartbeats, so it is a secret.
    /// Required.
    pub url_file: PathBuf,
    /// From one to the next, 1 s to 1 day. Default: 60 s.
    pub every: Duration,
    /// While a gap of any camera has lasted for so long, none is sent: 10 s to 7 days. Default:
    /// 900 s.
    pub gap: Duration,
}

/// `[ladder]`: how long what is in the archive is kept. Without it everything is, for good.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ladder {
    /// What shall be free at least on the archive's file system: where less is, the oldest footage
    /// of all cameras goes, never stills, findings, or what is pinned. 1 MiB to 1024 TiB.
    /// Default: none.
    pub free_space: Option<ByteCount>,
    /// What holds for a camera that has no `[camera.ladder]`.
    pub rule: LadderRule,
}

/// How long something is kept, from its capture on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Period {
    /// `"for good"`
    ForGood,
    /// So long.
    Of(Duration),
}

/// How long what a camera has in the archive is kept: keys of `[ladder]` for all cameras, and of
/// `[camera.ladder]` for one, where each key takes the place of the same one of `[ladder]`. Days are
/// of 24 hours and may have fractions; 0.01 to 36 525, or `"for good"`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LadderRule {
    /// `footage_days`: how long footage is kept whole. Default: for good.
    pub footage: Period,
    /// `key_frame_days`: how long key frames are kept of footage that is no longer kept whole, from
    /// the capture on, so more than `footage_days`. Default: 0, footage goes as a whole.
    pub key_frames: Period,
    /// `stills_days`: how long stills are kept. Default: for good.
    pub stills: Period,
    /// `findings_days`: how long findings are kept. Default: for good.
    pub findings: Period,
    /// `least_days`: nothing younger goes, not even for room. Default: 0.
    pub least: Duration,
    /// `most_days`: nothing older stays, whatever it is, unless it is pinned: what the law allows.
    /// Default: no such limit.
    pub most: Option<Duration>,
    /// Most bytes that the camera may have in the archive, in all that it has there: beyond it, its
    /// oldest footage goes. 1 MiB to 1024 TiB. Default: no such bound.
    pub quota: Option<ByteCount>,
}

impl Default for LadderRule {
    fn default() -> Self {
        Self {
            footage: Period::ForGood,
            key_frames: Period::Of(Duration::ZERO),
            stills: Period::ForGood,
            findings: Period::ForGood,
            least: Duration::ZERO,
            most: None,
            quota: None,
        }
    }
}

/// `[[site]]`: a place with cameras.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// The site's name; cameras refer to it. Required.
    pub name: SiteName,
    /// The time zone, in the file by its name in the IANA database, as `Europe/Oslo`. Required.
    pub time_zone: TimeZone,
    /// The name of [`time_zone`](Self::time_zone), in the database's spelling.
    pub time_zone_name: String,
    /// `latitude` and `longitude` of the file: both or none. Default: none.
    pub position: Option<Position>,
    /// What its uplink can do; only `forebay budget` counts with it.
    pub uplink: Uplink,
}

/// What a site's uplink can do: keys of `[[site]]`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Uplink {
    /// `uplink_megabits_per_second`: what it carries in the direction home, 0.01 to 100 000.
    /// Default: not known.
    pub rate: Option<BitRate>,
    /// `uplink_bytes_per_month`: the volume of its contract, for 30 days. 1 MiB to 1024 TiB.
    /// Default: no such bound.
    pub monthly: Option<ByteCount>,
}

/// Bits in a second.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct BitRate(f64);

impl BitRate {
    /// A number of bits in a second.
    #[must_use]
    pub const fn from_bits(bits_per_second: f64) -> Self {
        Self(bits_per_second)
    }

    /// A number of megabits (10⁶) in a second.
    #[must_use]
    pub fn from_megabits(megabits_per_second: f64) -> Self {
        Self(megabits_per_second * 1e6)
    }

    /// Bits in a second.
    #[must_use]
    pub const fn bits(self) -> f64 {
        self.0
    }

    /// Megabits (10⁶) in a second.
    #[must_use]
    pub fn megabits(self) -> f64 {
        self.0 / 1e6
    }
}

/// What `forebay budget` is told of a camera: keys of `[[camera]]`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Expected {
    /// `expected_megabits_per_second`: what the stream of `url` will take, as long as there is no
    /// footage to measure it by. 0.01 to 100 000. Default: not known.
    pub main: Option<BitRate>,
    /// `expected_analysis_megabits_per_second`: the same of `analysis_url`, which is never recorded.
    pub analysis: Option<BitRate>,
    /// `[camera.view]`: what it looks at. Default: not known.
    pub view: Option<View>,
}

/// `[camera.view]`: how finely a camera sees something.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    /// Pixels across the picture. 16 to 65 536. Required.
    pub width_pixels: u32,
    /// `distance_metres`: how far away it is, 0.1 to 100 000. Required.
    pub distance_metres: f64,
    /// How wide the camera looks. Required.
    pub lens: Lens,
}

/// How wide a camera looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lens {
    /// `angle_degrees`: the horizontal angle of view, 0.1 to 179.
    Angle {
        /// In degrees.
        degrees: f64,
    },
    /// `focal_millimetres` and `sensor_millimetres`: focal length, and the width of the sensor.
    Focal {
        /// Focal length in millimetres.
        focal_mm: f64,
        /// Width of the sensor in millimetres.
        sensor_mm: f64,
    },
}

/// A place on earth (WGS 84).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// Degrees north of the equator, −90 to 90.
    pub latitude: f64,
    /// Degrees east of Greenwich, −180 to 180.
    pub longitude: f64,
}

/// `[[camera]]`: a stream to be pulled.
#[derive(Debug, Clone, PartialEq)]
pub struct Camera {
    /// The camera's name: a folder of the archive and a label of metrics. Required.
    pub name: CameraName,
    /// The name of the site where it stands. Required.
    pub site: SiteName,
    /// Where the stream is: `rtsp://HOST:PORT/PATH`, port 554 by default, without user and
    /// password. It appears in no log and no metric. Required.
    pub url: Url,
    /// Where a second, small stream of the same camera is, for plugins that look at pictures: from
    /// the same host, with the same user, transport and quirks, without sound, and not recorded.
    /// It crosses the uplink beside the first one. Default: none, pictures come from `url`.
    pub analysis_url: Option<Url>,
    /// Most bytes of recent media of [`analysis_url`](Self::analysis_url) kept in memory: what
    /// decoding may lag behind. 1 MiB to 1 GiB. Default: `8 MiB`.
    pub analysis_hold: ByteCount,
    /// `username` with one of `password_file` and `password_env` of the file. Default: none, the
    /// camera asks for no password.
    pub credentials: Option<Credentials>,
    /// How media travel: `tcp` or `udp`. Default: `tcp`.
    pub transport: Transport,
    /// Whether sound is pulled too. Default: `true`.
    pub audio: bool,
    /// Most bytes of recent media kept in memory for this camera, shared by all its sinks: what a
    /// slow sink may lag behind. 1 MiB to 64 GiB. Default: `64 MiB`.
    pub hold: ByteCount,
    /// Largest access unit (one coded picture) accepted; a larger one is dropped, and what follows
    /// it up to the next key frame is useless; one that grows to four times of it ends the session. 64 KiB to
    /// 64 MiB and at most [`hold`](Self::hold). Default: `8 MiB`.
    pub access_unit: ByteCount,
    /// `dropout_seconds`: how long no packet may come from a camera that was sending before the line
    /// counts as silent and the path to it is probed, 0.5 to 60 s. The relay waits at least three of
    /// the camera's usual picture intervals in any case. Default: 1 s.
    pub dropout: Duration,
    /// `silence_seconds`: how long no whole picture may come from a camera that was sending (no
    /// sound, where it has no pictures) before the session counts as dead, even if
    /// packets arrive; 1 to 300 s and at least [`dropout`](Self::dropout). Default: 5 s.
    pub silence: Duration,
    /// `first_unit_seconds`: how long a new session may take to its first unit, 1 to 300 s; longer
    /// than two of the camera's key-frame intervals. Default: 20 s.
    pub first_unit: Duration,
    /// `step_seconds`: how long each step of setting up a session may take (connect, describe,
    /// set-up, play, teardown), 1 to 120 s. Default: 10 s.
    pub step: Duration,
    /// `[[camera.pause]]`: times at which the camera is not wanted, any number of them, with `from`
    /// and `until`. In a pause it is neither pulled nor recorded, and what is missing then counts as
    /// planned. Default: it is always wanted.
    ///
    /// Weekly: times of day of the site's zone, `"00:00"` to `"23:59"` (`until` also `"24:00"`), and
    /// `days` on which the pause begins, `"mon"` to `"sun"` (default: all). `until` at or before
    /// `from` is on the next day; so equal times mean a whole day. Once: two dates of the years
    /// 1970 to 2200, with or without a time (a date alone is its first instant) and an offset from
    /// UTC (without it, in the site's zone). [`Plan`] tells how changes of the clocks count.
    pub plan: Plan,
    /// `[camera.ladder]`: where it differs from `[ladder]`.
    pub ladder: LadderRule,
    /// `[camera.quirks]`: how to deal with a camera that departs from the standards.
    pub quirks: Quirks,
    /// What only `forebay budget` counts with.
    pub expected: Expected,
}

impl Camera {
    /// What a second session may keep waiting, on top of the hold: a quarter of it, but a whole unit
    /// in any case.
    #[must_use]
    pub fn splice_bytes_max(&self) -> usize {
        self.access_unit.as_usize().max(self.hold.as_usize() / 4)
    }

    /// Its second stream as a camera of its own: what a task needs to pull it.
    #[must_use]
    pub fn analysis(&self) -> Option<Self> {
        Some(Self {
            url: self.analysis_url.clone()?,
            analysis_url: None,
            audio: false,
            hold: self.analysis_hold,
            access_unit: self.access_unit.min(self.analysis_hold),
            ..self.clone()
        })
    }
}

/// How media travel from the camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Transport {
    /// `tcp`: interleaved in the RTSP connection (RFC 2326 §10.12). What the link loses is sent
    /// again, and one connection passes any router.
    #[default]
    Tcp,
    /// `udp`: datagrams beside the RTSP connection. What the link loses is lost; the camera must
    /// reach the relay at ports that it is told.
    Udp,
}

/// `[camera.quirks]`: what to do where a camera departs from the standards. The defaults suit a
/// camera that keeps to them; change one when a log line or `check` says so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Quirks {
    /// What if the camera changes the session id between two SETUP requests: `strict` or `first`.
    /// Default: `strict`.
    pub session_id: SessionId,
    /// Where the media times of video and audio begin: `announced`, `lenient` or `zero`.
    /// Default: `lenient`.
    pub start_time: StartTime,
    /// From which RTP sequence number on lost packets are counted: `plausible`, `announced` or
    /// `received`. Default: `plausible`.
    pub first_sequence: FirstSequence,
    /// Which RTCP sender reports are believed: `matching` or `any`. Default: `matching`.
    pub sender_reports: SenderReports,
    /// What if data come on an interleaved channel that nobody set up: `auto` or `ignore`. Default:
    /// `auto`.
    pub stray_data: StrayData,
}

/// What if the camera changes the session id between two SETUP requests (RFC 2326 §12.37).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SessionId {
    /// `strict`: the session fails.
    #[default]
    Strict,
    /// `first`: the first id is kept, the others are ignored.
    First,
}

/// Where the media times of video and audio begin: the `rtptime` of the RTP-Info header of the
/// PLAY answer (RFC 2326 §12.33). It matters only where audio is pulled too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StartTime {
    /// `announced`: at the camera's `rtptime`; the session fails where it is missing.
    Announced,
    /// `lenient`: at the camera's `rtptime` where every stream has one, else as `zero`.
    #[default]
    Lenient,
    /// `zero`: at the first packet of each stream, for a camera whose `rtptime` is wrong. Sound
    /// may be off by the distance between the first packets.
    Zero,
}

/// From which RTP sequence number on lost packets are counted: the `seq` of the RTP-Info header
/// of the PLAY answer (RFC 2326 §12.33).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FirstSequence {
    /// `plausible`: the camera's `seq`, except 0 and 1, which some cameras always send.
    #[default]
    Plausible,
    /// `announced`: the camera's `seq` in any case.
    Announced,
    /// `received`: the first packet received, for a camera whose `seq` is wrong.
    Received,
}

/// Which RTCP sender reports are believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SenderReports {
    /// `matching`: those with the SSRC of the stream; others are dropped.
    #[default]
    Matching,
    /// `any`: all, for a camera that reports under another SSRC than it sends.
    Any,
}

/// What if data come on an interleaved channel that nobody set up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StrayData {
    /// `auto`: dropped, and counted as faults where the camera's server software is known to leave
    /// sessions running.
    #[default]
    Auto,
    /// `ignore`: drop them, for a camera that sends streams unasked.
    Ignore,
}

/// `[[sink]]`: a plugin at work on some cameras.
#[derive(Debug, Clone, PartialEq)]
pub struct Sink {
    /// The sink's name: a label of metrics. Required.
    pub name: SinkName,
    /// `builtin:NAME` (see [`BUILTIN_PLUGINS`]) or the path of a `.wasm` file. Required.
    pub plugin: Plugin,
    /// The cameras whose media it gets: at least one; in the file a list of names, or `["*"]` for
    /// all. Default: `["*"]`.
    pub cameras: Vec<CameraName>,
    /// What it loses when it falls behind by more than a camera's [`hold`](Camera::hold):
    /// `skip-oldest` or `skip-to-newest`. Default: `skip-oldest`.
    pub when_behind: WhenBehind,
    /// `gather_milliseconds`: how long units may be gathered before they are handed over in one
    /// call, 0 to 2000 ms; longer costs less CPU. Default: 200 ms.
    pub gather: Duration,
    /// `[sink.settings]`: handed to the plugin, which alone knows its keys. Holds no dates and
    /// no infinite numbers. Default: empty.
    pub settings: toml::Table,
    /// `[sink.limits]`: what each instance of the plugin may use.
    pub limits: Limits,
}

/// Where a plugin's code comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Plugin {
    /// Brought along: one of [`BUILTIN_PLUGINS`].
    Builtin(&'static str),
    /// A WebAssembly component in a file.
    File(PathBuf),
}

/// What a sink loses when it is too slow. It is counted either way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WhenBehind {
    /// `skip-oldest`: the oldest whole groups of pictures, as few as must be. Loses least, stays
    /// behind.
    #[default]
    SkipOldest,
    /// `skip-to-newest`: everything up to the latest random access point. Loses more at once, is
    /// up to date again.
    SkipToNewest,
}

/// `[sink.limits]`: what one instance of a plugin (one sink on one camera) may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Most linear memory; growing beyond it fails. 1 MiB to 4 GiB. Default: `64 MiB`.
    pub memory: ByteCount,
    /// `call_seconds`: longest a single call may take before the instance is stopped, 0.1 to 60 s.
    /// Default: 5 s.
    pub call: Duration,
    /// Most handles (access units, objects) held at a time, 16 to 65536. Default: 4096.
    pub handles: u32,
    /// Most bytes of payload kept alive by handles, beyond the camera's hold; at least the
    /// [`access_unit`](Camera::access_unit) of each of its cameras. 1 MiB to 4 GiB.
    /// Default: `64 MiB`.
    pub held: ByteCount,
    /// Most bytes written to the archive in an hour, 1 MiB to 16 TiB. Default: `16 GiB`, which is
    /// 38 Mb/s.
    pub object_bytes_per_hour: ByteCount,
    /// Most objects of the archive begun in a minute, 1 to 6000. Default: 120.
    pub objects_per_minute: u32,
    /// Most objects of the archive open for writing at a time, 1 to 256. Default: 8.
    pub open_objects: u32,
    /// Most log lines in a minute; more are dropped and counted. 1 to 6000. Default: 60.
    pub log_lines_per_minute: u32,
    /// Most names of metrics; values under further names are dropped and counted. 0 to 1024.
    /// Default: 32.
    pub metric_names: u32,
    /// Most findings of an analyzer published in a minute; more are dropped and counted. 1 to 6000.
    /// Default: 120.
    pub findings_per_minute: u32,
    /// Most kinds of findings; those of further kinds are dropped and counted. 1 to 256.
    /// Default: 16.
    pub finding_kinds: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            memory: ByteCount::mib(64),
            call: Duration::from_secs(5),
            handles: 4096,
            held: ByteCount::mib(64),
            object_bytes_per_hour: ByteCount::gib(16),
            objects_per_minute: 120,
            open_objects: 8,
            log_lines_per_minute: 60,
            metric_names: 32,
            findings_per_minute: 120,
            finding_kinds: 16,
        }
    }
}
