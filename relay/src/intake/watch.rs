//! Whose fault a silence is: what the cameras of one site tell of each other.
//!
//! Cameras behind one uplink that fall silent together speak for the uplink; one that falls silent
//! while others go on speaks for itself. Where there is no other camera to ask, the path is asked:
//! one that answers while the camera stays silent acquits the uplink.
//!
//! Pure: instants are arguments.

use std::collections::{HashMap, VecDeque};
use std::time::{Duration, Instant};

use crate::units::CameraName;

/// Cameras behind one link fall silent within this time of each other.
const TOGETHER: Duration = Duration::from_secs(3);
/// Pauses remembered a camera: an uplink that drops out each 10 s fills them in 10 minutes.
const PAUSES_MAX: usize = 64;
/// How long a camera may take to send again once its TCP has tried (set-up, a group of pictures)
/// before the rest of the silence is its own.
const RECOVERY: Duration = Duration::from_secs(10);
/// TCP's longest pause between two tries (RFC 6298 rule 2.5 allows any from 60 s; Linux has 120 s).
const BACK_OFF_MAX: Duration = Duration::from_secs(120);
/// A path that answers so soon after the last packet was never away: probing begins after a second.
const AT_ONCE: Duration = Duration::from_millis(2000);

/// What is to blame for a silence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blame {
    /// The link that the site's cameras share.
    Uplink,
    /// The camera alone.
    Camera,
}

/// A silence of one camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Silence {
    /// When the last packet came.
    pub since: Instant,
    /// When the path was seen alive, if it was looked for and found.
    pub alive: Option<Instant>,
    /// When packets came again; now, while it lasts.
    pub until: Instant,
}

/// A verdict with its grounds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    /// Who is to blame.
    pub blame: Blame,
    /// From where on the camera is to blame although the uplink began it.
    pub camera_from: Option<Instant>,
    /// In words, for the operator.
    pub grounds: String,
}

#[derive(Debug, Default)]
struct Witness {
    /// Since when it plays, and so can testify.
    plays_since: Option<Instant>,
    /// When its session ended, if it played.
    left_at: Option<Instant>,
    silent_since: Option<Instant>,
    /// What it does not notice of others' silences.
    blind: Duration,
    pauses: VecDeque<(Instant, Instant)>,
}

impl Witness {
    /// Whether it was heard shortly before `since`: one that had been silent for long can't tell
    /// what happened then.
    fn heard_before(&self, since: Instant) -> bool {
        let Some(before) = since.checked_sub(TOGETHER) else {
            return true;
        };
        let spans = |begin: Instant, end: Instant| begin < before && end > since;
        let open = self.silent_since.is_some_and(|begin| begin < before);
        !open && !self.pauses.iter().any(|(begin, end)| spans(*begin, *end))
    }

    /// How much of a span it was silent too, or did not play yet.
    fn silent_within(&self, since: Instant, until: Instant) -> Duration {
        let open = self.silent_since.map(|begin| (begin, until));
        let within = |(begin, end): (Instant, Instant)| {
            end.min(until).saturating_duration_since(begin.max(since))
        };
        let before = self.plays_since.map_or(Duration::ZERO, |begin| {
            begin.min(until).saturating_duration_since(since)
        });
        let pauses = self.pauses.iter().copied().chain(open).map(within);
        before + pauses.sum::<Duration>()
    }
}

/// A dropout of the uplink: no camera of the site was heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dropout {
    /// When the last packet of any camera came.
    pub since: Instant,
    /// When the first came again.
    pub until: Instant,
}

/// The cameras of one site, watching each other.
#[derive(Debug, Default)]
pub struct SiteWatch {
    cameras: HashMap<CameraName, Witness>,
    dropout: Option<Instant>,
}

impl SiteWatch {
    /// A camera plays: from now on it can testify, but not of silences shorter than `blind`, which
    /// are its own rhythm.
    pub fn plays(&mut self, camera: &CameraName, now: Instant, blind: Duration) {
        let witness = self.cameras.entry(camera.clone()).or_default();
        (witness.plays_since, witness.blind) = (Some(now), blind);
    }

    /// A camera is away, and tells nothing of the others.
    pub fn is_away(&mut self, camera: &CameraName, now: Instant) {
        let witness = self.cameras.entry(camera.clone()).or_default();
        if witness.plays_since.is_some() {
            witness.left_at = Some(now);
        }
        (witness.plays_since, witness.silent_since) = (None, None);
        // With it went the last who was silent: nobody will be heard again.
        if self.cameras.values().all(|one| one.silent_since.is_none()) {
            self.dropout = None;
        }
    }

    /// A camera is no longer pulled from: nobody asks it any more.
    pub fn forget(&mut self, camera: &CameraName, now: Instant) {
        self.is_away(camera, now);
        self.cameras.remove(camera);
    }

    /// A camera that plays has fallen silent.
    pub fn silent(&mut self, camera: &CameraName, since: Instant) {
        if let Some(witness) = self.cameras.get_mut(camera) {
            witness.silent_since = Some(since);
        }
        let mut playing = self
            .cameras
            .values()
            .filter(|witness| witness.plays_since.is_some() && witness.heard_before(since));
        // The last one heard tells when the link went.
        let last = playing.try_fold(None, |last: Option<Instant>, witness| {
            let since = witness.silent_since?;
            Some(Some(last.map_or(since, |last| last.max(since))))
        });
        if let Some(Some(last)) = last {
            self.dropout.get_or_insert(last);
        }
    }

    /// A camera is heard again after a pause that began at `since`; gives the site's dropout that
    /// ends with it, if one does.
    pub fn heard(&mut self, camera: &CameraName, since: Instant, now: Instant) -> Option<Dropout> {
        let witness = self.cameras.entry(camera.clone()).or_default();
        witness.silent_since = None;
        if witness.pauses.len() == PAUSES_MAX {
            witness.pauses.pop_front();
        }
        witness.pauses.push_back((since, now));
        let since = self.dropout.take()?;
        Some(Dropout { since, until: now })
    }

    /// Whether the sessions of all other cameras that played ended about when that of `camera` did.
    /// What stands between closes all connections at once; cameras, each its own.
    #[must_use]
    pub fn left_together(&self, camera: &CameraName, at: Instant) -> bool {
        let near = |left: Instant| {
            left.saturating_duration_since(at) < TOGETHER
                && at.saturating_duration_since(left) < TOGETHER
        };
        let mut others = self
            .cameras
            .iter()
            .filter(|(name, _)| *name != camera)
            .map(|(_, witness)| (witness.left_at.is_some_and(near), witness.plays_since))
            .filter(|(left, plays)| *left || plays.is_some_and(|begin| begin < at))
            .peekable();
        others.peek().is_some() && others.all(|(left, _)| left)
    }

    /// Who is to blame for a silence of `camera`.
    #[must_use]
    pub fn judge(&self, camera: &CameraName, silence: Silence) -> Verdict {
        let Silence {
            since,
            alive,
            until,
        } = silence;
        // What follows the path's return is recovery, and no witness is asked about it.
        let asked_until = alive.map_or(until, |alive| alive.min(until).max(since));
        let asked = asked_until.saturating_duration_since(since);
        let others: Vec<_> = self
            .cameras
            .iter()
            .filter(|(name, witness)| {
                *name != camera
                    && witness.plays_since.is_some_and(|begin| begin < asked_until)
                    && witness.blind < asked
                    && witness.heard_before(since)
            })
            .collect();
        let went_on: Vec<_> = others
            .iter()
            .filter(|(_, witness)| witness.silent_within(since, asked_until) * 2 < asked)
            .map(|(name, _)| name.as_str())
            .collect();
        let late = alive
            .map(|alive| {
                // What its TCP tries again comes as long after the path's return as the silence had
                // lasted, and a link that goes again begins that anew.
                let backed_off = alive.saturating_duration_since(since).min(BACK_OFF_MAX);
                let away = (others.iter())
                    .map(|(_, witness)| witness.silent_within(alive, until))
                    .min()
                    .unwrap_or_default();
                alive + backed_off + RECOVERY + away
            })
            .filter(|late| *late < until);
        if let Some(name) = went_on.first() {
            let grounds = format!("{name} went on meanwhile");
            return Verdict::camera(grounds);
        }
        if others.is_empty() {
            let at_once =
                alive.is_some_and(|alive| alive.saturating_duration_since(since) < AT_ONCE);
            if at_once && late.is_some() {
                return Verdict::camera("the path to it answered all the time".to_owned());
            }
        }
        let mut grounds = match others.len() {
            0 => "no camera beside it to ask".to_owned(),
            1 => "the other camera of the site fell silent too".to_owned(),
            n => format!("the {n} other cameras of the site fell silent too"),
        };
        match alive {
            Some(alive) => {
                let seconds = alive.saturating_duration_since(since).as_secs_f64();
                grounds += &format!("; the path answered after {seconds:.1} s");
            }
            None => grounds += "; the path did not answer",
        }
        Verdict {
            blame: Blame::Uplink,
            camera_from: late,
            grounds,
        }
    }
}

impl Verdict {
    fn camera(grounds: String) -> Self {
        Self {
            blame: Blame::Camera,
            camera_from: None,
            grounds,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Name;

    fn name(text: &str) -> CameraName {
        Name::new(text).unwrap()
    }

    fn site(now: Instant) -> SiteWatch {
        let mut watch = SiteWatch::default();
        for camera in ["slipway", "gate", "mast-crane"] {
            watch.plays(&name(camera), now, S / 2);
        }
        watch
    }

    const S: Duration = Duration::from_secs(1);

    #[test]
    fn silent_together_is_the_uplink() {
        let start = Instant::now();
        let mut watch = site(start);
        let (since, until) = (start + 10 * S, start + 15 * S);
        for (camera, late) in [("slipway", 0), ("gate", 30), ("mast-crane", 80)] {
            watch.silent(&name(camera), since + Duration::from_millis(late));
        }
        let silence = Silence {
            since,
            alive: Some(until - S),
            until,
        };
        assert_eq!(watch.judge(&name("slipway"), silence).blame, Blame::Uplink);
        let dropout = watch.heard(&name("slipway"), since, until).unwrap();
        assert_eq!(dropout.since, since + Duration::from_millis(80));
        assert_eq!(dropout.until, until);
        // Others are heard later: one dropout, not three.
        assert_eq!(watch.heard(&name("gate"), since, until + S), None);
        let silence = Silence {
            until: until + S,
            ..silence
        };
        assert_eq!(watch.judge(&name("gate"), silence).blame, Blame::Uplink);
    }

    #[test]
    fn silent_alone_is_the_camera() {
        let start = Instant::now();
        let mut watch = site(start);
        let (since, until) = (start + 10 * S, start + 15 * S);
        watch.silent(&name("gate"), since);
        watch.heard(&name("slipway"), since + 3 * S, since + 4 * S);
        let silence = Silence {
            since,
            alive: None,
            until,
        };
        let verdict = watch.judge(&name("gate"), silence);
        assert_eq!(verdict.blame, Blame::Camera);
        assert!(verdict.grounds.contains("went on"), "{}", verdict.grounds);
        assert_eq!(watch.heard(&name("gate"), since, until), None);
    }

    #[test]
    fn a_camera_that_is_dead_at_the_start_is_its_own_fault() {
        let start = Instant::now();
        let mut watch = SiteWatch::default();
        watch.plays(&name("slipway"), start + S, S / 2);
        let judge = |watch: &SiteWatch, seconds: u32| {
            let silence = Silence {
                since: start,
                alive: None,
                until: start + seconds * S,
            };
            watch.judge(&name("gate"), silence).blame
        };
        assert_eq!(judge(&watch, 100), Blame::Camera);
        // One that notices long silences alone says nothing of a short one.
        watch.plays(&name("slipway"), start + S, 18 * S);
        assert_eq!(judge(&watch, 10), Blame::Uplink);
        assert_eq!(judge(&watch, 100), Blame::Camera);
    }

    #[test]
    fn a_link_that_goes_again_is_no_camera_that_stays_silent() {
        let start = Instant::now();
        let mut watch = site(start);
        let since = start + 100 * S;
        let silence = Silence {
            since,
            alive: Some(since + 10 * S),
            until: since + 45 * S,
        };
        // Back for two seconds, then away for twenty.
        for camera in ["slipway", "mast-crane"] {
            watch.heard(&name(camera), since, since + 10 * S);
        }
        let from = |watch: &SiteWatch| watch.judge(&name("gate"), silence).camera_from;
        assert_eq!(from(&watch), Some(since + 30 * S));
        for camera in ["slipway", "mast-crane"] {
            watch.heard(&name(camera), since + 12 * S, since + 32 * S);
        }
        assert_eq!(from(&watch), None);
    }

    #[test]
    fn sessions_that_end_together_are_the_uplinks() {
        let start = Instant::now();
        let mut watch = site(start);
        let end = start + 10 * S;
        assert!(!watch.left_together(&name("gate"), end));
        watch.is_away(&name("slipway"), end + S);
        assert!(!watch.left_together(&name("gate"), end), "one goes on");
        watch.is_away(&name("mast-crane"), end - S);
        assert!(watch.left_together(&name("gate"), end));
        // They may be back before it is asked.
        watch.plays(&name("slipway"), end + 2 * S, S / 2);
        assert!(watch.left_together(&name("gate"), end));
        assert!(!watch.left_together(&name("gate"), end + 60 * S));
        let alone = SiteWatch::default();
        assert!(!alone.left_together(&name("gate"), end));
    }

    #[test]
    fn who_has_long_been_silent_is_no_witness() {
        let start = Instant::now();
        let mut watch = site(start);
        watch.silent(&name("mast-crane"), start + 5 * S);
        let (since, until) = (start + 100 * S, start + 104 * S);
        watch.silent(&name("gate"), since);
        let silence = Silence {
            since,
            alive: None,
            until,
        };
        assert_eq!(watch.judge(&name("gate"), silence).blame, Blame::Camera);
        watch.silent(&name("slipway"), since + S / 2);
        assert_eq!(watch.judge(&name("gate"), silence).blame, Blame::Uplink);
        // And the uplink is gone without it.
        let dropout = watch.heard(&name("slipway"), since, until).unwrap();
        assert_eq!(dropout.since, since + S / 2);
    }

    #[test]
    fn a_lone_camera_is_judged_by_its_path() {
        let start = Instant::now();
        let mut watch = SiteWatch::default();
        watch.plays(&name("gate"), start, S / 2);
        let since = start + 10 * S;
        let judge = |alive: Option<u32>, until: u32| {
            let silence = Silence {
                since,
                alive: alive.map(|seconds| since + seconds * S),
                until: since + until * S,
            };
            watch.judge(&name("gate"), silence)
        };
        assert_eq!(judge(None, 60).blame, Blame::Uplink);
        assert_eq!(judge(Some(5), 6).blame, Blame::Uplink);
        assert_eq!(judge(Some(1), 30).blame, Blame::Camera);
        let mixed = judge(Some(20), 60);
        assert_eq!(mixed.blame, Blame::Uplink);
        assert_eq!(mixed.camera_from, Some(since + 50 * S));
    }
}
