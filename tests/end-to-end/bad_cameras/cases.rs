//! The cameras of the sessions, how each misbehaves, and what must come of it.

use std::time::Duration;

use forebay_site::{Account, Behaviour, CameraSpec, Method, Scene, Scheme, Step};

/// Pictures a second.
pub(super) const FPS: u32 = 15;
/// Pictures from key frame to key frame: a second.
const GOP: u32 = 15;
/// `hold` and `access_unit` of every camera, in bytes.
pub(super) const HOLD: u64 = 1 << 20;
pub(super) const ACCESS_UNIT: u64 = 256 << 10;
/// The size that a camera changes to.
pub(super) const OTHER_SIZE: (usize, usize) = (128, 160);
pub(super) const SIZE: (usize, usize) = (160, 96);
/// Who may view the cameras that ask. The last is the first in base64, as basic authentication
/// sends it: none may show anywhere.
pub(super) const USER: &str = "relay";
pub(super) const PASSWORD: &str = "Vinsj-7!kai";
pub(super) const WRONG_PASSWORD: &str = "Naust42-feil";
pub(super) const SECRETS: [&str; 3] = [PASSWORD, WRONG_PASSWORD, "cmVsYXk6Vmluc2otNyFrYWk="];

/// What must be recorded of what a camera sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Footage {
    /// All of it; where a session ended, the last three frames may have been under way.
    All,
    /// All but what the camera sent between the beginning of its misbehaviour and the first
    /// session after it: it sent that into a stream that nobody could read, or to nobody.
    OutsideFault,
    /// The frames that came whole, but for those between a damaged one and the next key frame,
    /// which refer to it.
    Undamaged,
    /// All but one run of frames that ends before a key frame.
    AllButOneRun,
}

/// What must come of the misbehaviour.
#[derive(Debug, Clone, Copy)]
pub(super) enum Fate {
    /// The session goes on; the stream's faults are counted under this cause, if any.
    Survives(Option<&'static str>),
    /// Sessions end or don't begin, for the first cause; the others may be counted too. The log
    /// says the words. After a while the line is in the first phase at times, and never in one
    /// that isn't named.
    Ends {
        causes: &'static [&'static str],
        words: &'static str,
        phases: &'static [&'static str],
    },
}

/// A camera of a session.
#[derive(Debug, Clone, Copy)]
pub(super) struct Case {
    pub(super) name: &'static str,
    pub(super) behaviour: Behaviour,
    /// The behaviour shows only in a new session: the running one is cut.
    pub(super) cut: bool,
    pub(super) fate: Fate,
    pub(super) footage: Footage,
    pub(super) login: Option<Scheme>,
    /// The relay has the wrong password until the cameras behave.
    pub(super) wrong_password: bool,
    pub(super) udp: bool,
    /// The camera ends a session without a sign of life after so long; the relay gives one twice
    /// as often.
    session_seconds: u64,
    gop: u32,
}

const REFUSED: &[&str] = &["refused", "seeking", "connecting", "resting"];
/// The camera does not want us, or the path is not there.
const AWAY: &[&str] = &["resting", "seeking", "connecting"];
/// A session stands and is silent, beside others that are tried.
const SILENT: &[&str] = &[
    "splicing",
    "hedging",
    "silent",
    "flowing",
    "waiting",
    "seeking",
    "connecting",
    "resting",
];
/// The camera is cut off to make it misbehave: the first session ends as `closed`.
const fn refuses(causes: &'static [&'static str], words: &'static str) -> Fate {
    let phases = REFUSED;
    Fate::Ends {
        causes,
        words,
        phases,
    }
}

const fn hangs(words: &'static str) -> Fate {
    let (causes, phases): (&[&str], &[&str]) = (
        &["timeout", "closed"],
        &["connecting", "resting", "seeking"],
    );
    Fate::Ends {
        causes,
        words,
        phases,
    }
}

const fn flows(causes: &'static [&'static str], words: &'static str) -> Fate {
    let phases = &[
        "flowing",
        "refused",
        "resting",
        "seeking",
        "connecting",
        "waiting",
    ];
    Fate::Ends {
        causes,
        words,
        phases,
    }
}

const fn case(name: &'static str, behaviour: Behaviour, fate: Fate) -> Case {
    Case {
        name,
        behaviour,
        cut: false,
        fate,
        footage: Footage::All,
        login: None,
        wrong_password: false,
        udp: false,
        session_seconds: 60,
        gop: GOP,
    }
}

const fn cut(name: &'static str, behaviour: Behaviour, fate: Fate) -> Case {
    let cut = true;
    Case {
        cut,
        ..case(name, behaviour, fate)
    }
}

const fn status(method: Method, code: u16) -> Behaviour {
    Behaviour::Status { method, code }
}

/// The camera that does nothing wrong, in every session.
pub(super) const HEALTHY: Case = case("slipway", Behaviour::Normal, Fate::Survives(None));

/// All kinds of misbehaviour, at the same time.
#[rustfmt::skip]
pub(super) const FAULTS: &[Case] = &[
    HEALTHY,
    cut("refuses", Behaviour::RefuseConnections, Fate::Ends {
        causes: &["connect", "closed"], words: "connect", phases: AWAY }),
    Case { login: Some(Scheme::DigestMd5), wrong_password: true,
           ..case("wrong-password", Behaviour::Normal, refuses(&["unauthorized"], "DESCRIBE")) },
    Case { login: Some(Scheme::Basic),
           ..cut("unauthorized", Behaviour::Unauthorized, refuses(&["unauthorized", "closed"], "DESCRIBE")) },
    cut("forbidden", status(Method::Describe, 403), refuses(&["unauthorized", "closed"], "DESCRIBE")),
    cut("not-found", Behaviour::NotFound, refuses(&["not_found", "closed"], "DESCRIBE")),
    cut("busy-453", status(Method::Setup, 453), refuses(&["busy", "closed"], "SETUP")),
    cut("busy-503", status(Method::Play, 503), refuses(&["busy", "closed"], "PLAY")),
    cut("fails-500", status(Method::Describe, 500), refuses(&["status", "closed"], "DESCRIBE")),
    cut("hang-accept", Behaviour::HangAt(Step::Accept), hangs("DESCRIBE: no answer within 1 s")),
    cut("hang-describe", Behaviour::HangAt(Step::Describe), hangs("DESCRIBE: no answer within 1 s")),
    cut("hang-setup", Behaviour::HangAt(Step::Setup), hangs("SETUP: no answer within 1 s")),
    cut("hang-play", Behaviour::HangAt(Step::Play), hangs("PLAY: no answer within 1 s")),
    // OPTIONS is the first sign of life. Silence shows before its answer is due, in 3 s.
    Case { session_seconds: 6, ..cut("hang-options", Behaviour::HangAt(Step::Options), Fate::Ends {
           causes: &["silent", "closed"], words: "stayed silent", phases: SILENT }) },
    case("hang-media", Behaviour::HangAt(Step::AfterPlay(20)), Fate::Ends {
        causes: &["silent"], words: "stayed silent", phases: SILENT }),
    cut("hang-first", Behaviour::HangAt(Step::AfterPlay(0)), Fate::Ends {
        causes: &["silent", "closed"], words: "no unit arrived within 3 s",
        phases: &["waiting", "resting", "seeking", "connecting"] }),
    cut("garbage-replies", Behaviour::GarbageReplies, Fate::Ends {
        causes: &["protocol", "closed", "timeout"], words: "DESCRIBE", phases: AWAY }),
    Case { footage: Footage::OutsideFault, ..case("garbage-media", Behaviour::GarbageMedia, Fate::Ends {
        causes: &["protocol", "closed", "silent"], words: "PLAY", phases: &["resting", "seeking", "connecting", "waiting"] }) },
    Case { footage: Footage::OutsideFault, udp: true, ..case("garbage-udp", Behaviour::GarbageMedia, Fate::Ends {
        causes: &["silent", "protocol"], words: "arrived", phases: SILENT }) },
    Case { session_seconds: 4, ..case("no-sign-of-life", status(Method::GetParameter, 501), Fate::Survives(None)) },
    Case { footage: Footage::AllButOneRun, ..case("oversize", Behaviour::OversizeUnit { bytes: 3 * ACCESS_UNIT },
           Fate::Survives(Some("oversize"))) },
    Case { footage: Footage::OutsideFault, ..case("oversize-huge", Behaviour::OversizeUnit { bytes: 16 * ACCESS_UNIT },
           Fate::Ends {
        causes: &["oversize"], words: "no end", phases: &["refused", "flowing", "seeking", "connecting", "waiting"] }) },
    Case { footage: Footage::OutsideFault, ..case("endless", Behaviour::EndlessFragment { bytes_per_second: 2_000_000 },
           Fate::Ends { causes: &["oversize"], words: "no end", phases: &["refused", "seeking", "connecting", "waiting"] }) },
    // So slow that it stays under all bounds, and then goes on with the next unit.
    Case { footage: Footage::OutsideFault, ..case("stuck-unit", Behaviour::EndlessFragment { bytes_per_second: 20_000 },
           Fate::Ends { causes: &["silent"], words: "although packets did", phases: &["waiting", "resting", "seeking", "connecting"] }) },
    case("closes", Behaviour::CloseMidUnit, flows(&["closed"], "closed the connection")),
    case("resizes", Behaviour::ChangeResolution, Fate::Survives(None)),
    case("restarts-1970", Behaviour::RestartWithClock1970, Fate::Ends {
        causes: &["closed"], words: "closed the connection", phases: &["flowing"] }),
    Case { footage: Footage::Undamaged, ..case("loses-some", Behaviour::LosePackets { every: 97 }, Fate::Survives(None)) },
    // Short groups of pictures: each place in one is hit, the first packet of a key frame too.
    Case { footage: Footage::Undamaged, gop: 2, ..case("loses-many", Behaviour::LosePackets { every: 13 },
           Fate::Survives(None)) },
    cut("long-header", Behaviour::LongHeader { bytes_per_second: 500_000 }, hangs("DESCRIBE: no answer within 1 s")),
    cut("huge-length", Behaviour::HugeContentLength { bytes_per_second: 500_000 }, hangs("DESCRIBE: no answer within 1 s")),
    case("asks-back", Behaviour::RequestToClient, Fate::Survives(None)),
    Case { footage: Footage::OutsideFault, ..case("freezes", Behaviour::Freeze, Fate::Ends {
        causes: &["timeout", "silent"], words: "no answer within 1 s", phases: &["hedging", "silent"] }) },
];

/// As fast as a link of 256 Mb/s carries it.
const FLOOD: u64 = 32_000_000;

/// Cameras that send more than anyone can keep.
#[rustfmt::skip]
pub(super) const FLOODS: &[Case] = &[
    HEALTHY,
    cut("long-header", Behaviour::LongHeader { bytes_per_second: FLOOD },
        refuses(&["oversize", "closed"], "without end")),
    cut("huge-length", Behaviour::HugeContentLength { bytes_per_second: FLOOD },
        refuses(&["oversize", "closed"], "without end")),
    Case { footage: Footage::OutsideFault, ..case("endless", Behaviour::EndlessFragment { bytes_per_second: FLOOD },
           Fate::Ends { causes: &["oversize"], words: "no end", phases: &["refused", "seeking", "connecting", "waiting"] }) },
    Case { footage: Footage::OutsideFault, ..case("oversize-huge", Behaviour::OversizeUnit { bytes: 3 * FLOOD },
           Fate::Ends {
        causes: &["oversize"], words: "no end", phases: &["refused", "flowing", "seeking", "connecting", "waiting"] }) },
];

impl Case {
    /// The camera as the site makes it.
    pub(super) fn spec(&self) -> CameraSpec {
        CameraSpec {
            // One loop for all cameras of a size.
            scene: Scene::Slipway,
            width: SIZE.0,
            height: SIZE.1,
            changed_size: OTHER_SIZE,
            fps: FPS,
            gop: self.gop,
            account: self.login.map(|scheme| Account {
                scheme,
                user: USER.into(),
                password: PASSWORD.into(),
            }),
            session_timeout: Duration::from_secs(self.session_seconds),
            ..CameraSpec::looped(self.name, 300_000)
        }
    }

    /// Whether the relay gets media from it before it is told to misbehave.
    pub(super) fn begins_well(&self) -> bool {
        !self.wrong_password
    }

    /// Whether its line must go on flowing.
    pub(super) fn survives(&self) -> bool {
        matches!(self.fate, Fate::Survives(_))
    }

    /// Whether the relay backs off from what it does.
    pub(super) fn is_refusal(&self) -> bool {
        // As the relay's operators are told: a refusal is an answer, the rest may be the link.
        let Fate::Ends {
            causes: [cause, ..],
            ..
        } = self.fate
        else {
            return false;
        };
        ["unauthorized", "not_found", "busy", "status", "oversize"].contains(cause)
    }
}
