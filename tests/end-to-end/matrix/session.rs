//! The recording that the tests of this module look at.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{LazyLock, OnceLock};
use std::thread::sleep;
use std::time::Duration;

use forebay_tests::recording::Recording;
use forebay_tests::{
    Camera, Configuration, Journal, Peer, Relay, Running, Stopped, fresh_folder, mp4_files,
    unix_now, wait_for,
};

use crate::{SCRATCH, alone};

/// How long the cameras are recorded.
pub(super) const RECORDED: Duration = Duration::from_secs(13);
/// Length of the files.
pub(super) const SEGMENT_SECONDS: f64 = 4.0;
/// What must not be in the log.
pub(super) const PASSWORDS: [&str; 2] = ["Vinsj-7!kai", "Naust42"];

/// The session, made when the first test asks for it.
pub(super) static SESSION: LazyLock<Session> = LazyLock::new(record);

/// One camera of the session.
struct Plan {
    name: &'static str,
    codec: &'static str,
    options: &'static [&'static str],
    login: Option<(&'static str, &'static str)>,
    udp: bool,
    fps: u32,
    gop: u32,
    bframes: u32,
    /// The relay is its first viewer, so that the server builds its pipeline meanwhile; else the
    /// camera is already running when the relay comes.
    asleep: bool,
}

#[rustfmt::skip]
const PLANS: [Plan; 5] = [
    Plan { name: "h264-aac-digest", codec: "h264", options: &["--audio", "aac", "--digest", "relay:Vinsj-7!kai"],
           login: Some(("relay", PASSWORDS[0])), udp: false, fps: 25, gop: 25, bframes: 0, asleep: true },
    Plan { name: "h264-bframes-pcmu", codec: "h264", options: &["--audio", "pcmu", "--basic", "relay:Naust42"],
           login: Some(("relay", PASSWORDS[1])), udp: false, fps: 25, gop: 30, bframes: 2, asleep: false },
    Plan { name: "h265-pcma", codec: "h265", options: &["--audio", "pcma"],
           login: None, udp: false, fps: 15, gop: 30, bframes: 0, asleep: false },
    Plan { name: "h265-aac-udp", codec: "h265", options: &["--audio", "aac"],
           login: None, udp: true, fps: 20, gop: 20, bframes: 0, asleep: false },
    Plan { name: "mjpeg-silent", codec: "mjpeg", options: &[],
           login: None, udp: false, fps: 10, gop: 1, bframes: 0, asleep: false },
];

/// What was recorded, and what was sent meanwhile.
pub(super) struct Session {
    pub(super) cameras: BTreeMap<&'static str, Recorded>,
    pub(super) stopped: Stopped,
    /// Folder of the archive.
    pub(super) archive: PathBuf,
}

/// One camera's part of it.
pub(super) struct Recorded {
    pub(super) codec: &'static str,
    pub(super) sent: Journal,
    pub(super) files: Vec<PathBuf>,
    recordings: OnceLock<Vec<Recording>>,
    /// Folder with the audio payload.
    pub(super) dump: PathBuf,
    /// The elementary stream that ffmpeg wrote beside the relay.
    pub(super) other: PathBuf,
    /// Seconds from one picture to the next.
    pub(super) frame: f64,
    /// Seconds from one key frame to the next.
    pub(super) gop: f64,
    /// Pictures that the encoder holds back.
    pub(super) bframes: u32,
    /// When the relay was ready, and when it was told to end; Unix seconds.
    pub(super) session: (f64, f64),
}

impl Session {
    pub(super) fn camera(&self, name: &str) -> &Recorded {
        &self.cameras[name]
    }
}

impl Recorded {
    /// The files as read; a fault in one camera's files does not hide the others'.
    pub(super) fn recordings(&self) -> &[Recording] {
        self.recordings.get_or_init(|| {
            assert!(!self.files.is_empty(), "nothing recorded, see relay.log");
            Recording::read(&self.files, &self.dump)
        })
    }
}

fn record() -> Session {
    let _alone = alone();
    let folder = fresh_folder(SCRATCH, "matrix");
    let peers: Vec<Peer> = PLANS.iter().map(|plan| start(&folder, plan)).collect();
    let mut configuration = Configuration::new(&folder).segment_seconds(SEGMENT_SECONDS as u32);
    for (plan, peer) in PLANS.iter().zip(&peers) {
        configuration = configuration.camera(Camera {
            name: plan.name.into(),
            url: peer.url.clone(),
            login: plan
                .login
                .map(|(user, password)| (user.into(), password.into())),
            udp: plan.udp,
            ..Camera::default()
        });
    }
    // What a second viewer of the server's shared pipeline gets is what the first one gets.
    let pull = |asleep: bool| -> Vec<Running> {
        let plans = PLANS
            .iter()
            .zip(&peers)
            .filter(|(plan, _)| plan.asleep == asleep);
        let others = plans.map(|(plan, peer)| (peer, pull(&folder, plan, peer)));
        let (pulled, others): (Vec<&Peer>, Vec<Running>) = others.unzip();
        let sending = || pulled.iter().all(|peer| !peer.journal().video.is_empty());
        let all = wait_for(Duration::from_secs(20), || sending().then_some(()));
        assert!(
            all.is_some(),
            "some camera sends nothing for 20 s, see *.peer.log"
        );
        others
    };
    let mut others = pull(false);
    let relay = Relay::start(&configuration);
    let begin = unix_now();
    others.extend(pull(true));
    sleep(RECORDED);
    // The other client has as much as it wants when it ends. On a busy machine that is late.
    let mut ended = || (others.iter_mut()).all(|other| other.wait(Duration::ZERO).is_some());
    let all = wait_for(Duration::from_secs(40), || ended().then_some(()));
    assert!(all.is_some(), "the other client gets no 9 s in 53 s");
    let end = unix_now();
    let stopped = relay.stop();

    let archive = configuration.archive();
    let recorded = |(plan, peer): (&Plan, &Peer)| {
        let files = mp4_files(&archive.join(plan.name).join("footage"));
        let recorded = Recorded {
            codec: plan.codec,
            sent: peer.journal(),
            files,
            recordings: OnceLock::new(),
            dump: folder.join(format!("{}.audio", plan.name)),
            other: elementary(&folder, plan),
            frame: 1.0 / f64::from(plan.fps),
            gop: f64::from(plan.gop) / f64::from(plan.fps),
            bframes: plan.bframes,
            session: (begin, end),
        };
        (plan.name, recorded)
    };
    let cameras = PLANS.iter().zip(&peers).map(recorded).collect();
    Session {
        cameras,
        stopped,
        archive,
    }
}

fn start(folder: &Path, plan: &Plan) -> Peer {
    let (fps, gop) = (plan.fps.to_string(), plan.gop.to_string());
    let bframes = plan.bframes.to_string();
    let mut options = vec!["--fps", &fps, "--gop", &gop, "--bframes", &bframes];
    options.extend(plan.options);
    Peer::start(folder, plan.name, plan.codec, &options)
}

fn elementary(folder: &Path, plan: &Plan) -> PathBuf {
    folder.join(format!("{}.{}", plan.name, plan.codec))
}

/// ffmpeg as a client of the same camera.
fn pull(folder: &Path, plan: &Plan, peer: &Peer) -> Running {
    let url = match plan.login {
        Some((user, password)) => peer.url.replacen(
            "rtsp://",
            &format!("rtsp://{user}:{}@", password.replace('!', "%21")),
            1,
        ),
        None => peer.url.clone(),
    };
    let format = if plan.codec == "h265" {
        "hevc"
    } else {
        plan.codec
    };
    Running::start(
        Command::new("ffmpeg")
            .args(["-v", "error", "-nostdin", "-rtsp_transport"])
            .args([if plan.udp { "udp" } else { "tcp" }, "-i", &url])
            .args([
                "-map",
                "0:v",
                "-c",
                "copy",
                "-t",
                "9",
                "-f",
                format,
                "-flush_packets",
                "1",
                "-y",
            ])
            .arg(elementary(folder, plan))
            .stdin(Stdio::null())
            .stderr(Stdio::null()),
    )
}
