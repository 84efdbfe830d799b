//! What of a running relay another configuration touches (pure).

use crate::archive::ladder::LadderOptions;
use crate::config::{
    ByteCount, Camera, Config, Expected, LadderRule, Plan, Plugin, Relay, Sink, Site, Uplink,
};
use crate::units::{CameraName, SinkName};

/// What becomes of something that runs, or is to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// Nothing about it has changed: it notices nothing.
    Kept,
    /// It ends and is begun again, by itself.
    Renewed,
    Added,
    Removed,
}

/// From one configuration to another.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Difference {
    /// In the order of the next configuration; those that are left out come last.
    pub(super) cameras: Vec<(CameraName, CameraFate)>,
    /// How pictures are decoded.
    pub(super) pictures: bool,
    /// What the archive keeps, for how long.
    pub(super) ladder: bool,
    /// How the archive is read again.
    pub(super) scrub: bool,
    /// Where signs of life go, and when.
    pub(super) heartbeat: bool,
    pub(super) log_level: bool,
}

/// What becomes of a camera.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum CameraFate {
    Added,
    Removed,
    Stays(Stay),
}

/// What is touched of a camera that stays.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Stay {
    /// It is pulled anew.
    pub(super) line: bool,
    /// Its second stream; none where it has none, before and after.
    pub(super) analysis: Option<Fate>,
    /// Its pauses are others, which is followed without an end.
    pub(super) plan: bool,
    /// It counts as another site's.
    pub(super) moved: bool,
    /// In the order of the next configuration; those that are left out come last.
    pub(super) sinks: Vec<(SinkName, Fate)>,
}

/// Takes over from `running` what can't change while the relay runs; gives where that differs, as the
/// file names it.
pub(super) fn keep_fixed(running: &Config, next: &mut Config) -> Vec<&'static str> {
    let (old, new) = (&running.relay, &next.relay);
    let named = [
        ("archive in [relay]", old.archive != new.archive),
        ("[store]", old.store != new.store),
        ("spool in [relay]", old.spool != new.spool),
        ("listen in [relay]", old.listen != new.listen),
        ("token_file in [relay]", old.token_file != new.token_file),
        (
            "plugin_cache in [relay]",
            old.plugin_cache != new.plugin_cache,
        ),
        ("[carry]", running.carry != next.carry),
        // The spool's reserve goes by it.
        (
            "free_space in [ladder]",
            running.ladder.free_space != next.ladder.free_space,
        ),
    ];
    next.relay = Relay {
        log_level: next.relay.log_level,
        ..running.relay.clone()
    };
    next.carry = running.carry;
    next.ladder.free_space = running.ladder.free_space;
    let differing = named.into_iter().filter(|(_, differs)| *differs);
    differing.map(|(name, _)| name).collect()
}

impl Difference {
    /// `new_code`: plugins whose code is another one than that which runs.
    pub(super) fn between(running: &Config, next: &Config, new_code: &[Plugin]) -> Self {
        let find = |config: &'_ Config, name: &CameraName| {
            let mut cameras = config.cameras.iter();
            cameras.find(|camera| camera.name == *name).cloned()
        };
        let mut cameras = Vec::new();
        for camera in &next.cameras {
            let fate = match find(running, &camera.name) {
                None => CameraFate::Added,
                Some(before) => {
                    CameraFate::Stays(Stay::between((running, &before), (next, camera), new_code))
                }
            };
            cameras.push((camera.name.clone(), fate));
        }
        let left = running.cameras.iter();
        let left = left.filter(|camera| find(next, &camera.name).is_none());
        cameras.extend(left.map(|camera| (camera.name.clone(), CameraFate::Removed)));
        Self {
            cameras,
            pictures: running.pictures != next.pictures,
            ladder: is_other_ladder(running, next),
            scrub: running.scrub != next.scrub,
            heartbeat: running.heartbeat != next.heartbeat,
            log_level: running.relay.log_level != next.relay.log_level,
        }
    }

    pub(super) fn of(&self, camera: &CameraName) -> Option<&CameraFate> {
        let mut cameras = self.cameras.iter();
        cameras
            .find(|(name, _)| name == camera)
            .map(|(_, fate)| fate)
    }

    /// Other cameras than before, or at other sites: the ledger's runs are of a fixed set.
    pub(super) fn is_other_set(&self) -> bool {
        self.cameras.iter().any(|(_, fate)| match fate {
            CameraFate::Added | CameraFate::Removed => true,
            CameraFate::Stays(stay) => stay.moved,
        })
    }

    /// All of it in words; nothing where nothing differs.
    pub(super) fn words(&self) -> Vec<String> {
        let mut words = Vec::new();
        for (name, fate) in &self.cameras {
            match fate {
                CameraFate::Added => words.push(format!("camera {name}: added")),
                CameraFate::Removed => words.push(format!("camera {name}: left out")),
                CameraFate::Stays(stay) => stay.words(name, &mut words),
            }
        }
        let others = [
            (self.pictures, "pictures: how they are decoded"),
            (self.ladder, "ladder: what is kept for how long"),
            (self.scrub, "scrub: how the archive is read again"),
            (self.heartbeat, "heartbeat"),
            (self.log_level, "log_level"),
        ];
        let others = others.into_iter().filter(|(differs, _)| *differs);
        words.extend(others.map(|(_, word)| word.to_owned()));
        words
    }
}

impl Stay {
    fn between(
        (running, before): (&Config, &Camera),
        (next, camera): (&Config, &Camera),
        new_code: &[Plugin],
    ) -> Self {
        let analysis = match (before.analysis(), camera.analysis()) {
            (None, None) => None,
            (None, Some(_)) => Some(Fate::Added),
            (Some(_), None) => Some(Fate::Removed),
            (Some(old), Some(new)) if of_line(&old) == of_line(&new) => Some(Fate::Kept),
            (Some(_), Some(_)) => Some(Fate::Renewed),
        };
        let place = |config: &Config, camera: &Camera| config.site(&camera.site).map(of_place);
        let elsewhere = place(running, before) != place(next, camera);
        let mut sinks = Vec::new();
        for sink in next.sinks_of(&camera.name) {
            let mut known = running.sinks_of(&camera.name);
            let fate = match known.find(|known| known.name == sink.name) {
                None => Fate::Added,
                Some(known)
                    if !elsewhere
                        && !new_code.contains(&sink.plugin)
                        && of_instance(known) == of_instance(sink) =>
                {
                    Fate::Kept
                }
                Some(_) => Fate::Renewed,
            };
            sinks.push((sink.name.clone(), fate));
        }
        for sink in running.sinks_of(&camera.name) {
            if !sinks.iter().any(|(name, _)| *name == sink.name) {
                sinks.push((sink.name.clone(), Fate::Removed));
            }
        }
        Self {
            line: of_line(before) != of_line(camera),
            analysis,
            plan: before.plan != camera.plan,
            moved: before.site != camera.site,
            sinks,
        }
    }

    /// What becomes of one of its sinks.
    pub(super) fn of(&self, sink: &SinkName) -> Fate {
        let mut sinks = self.sinks.iter();
        let found = sinks.find(|(name, _)| name == sink);
        found.map_or(Fate::Removed, |(_, fate)| *fate)
    }

    fn words(&self, camera: &CameraName, words: &mut Vec<String>) {
        if self.plan {
            words.push(format!("camera {camera}: its pauses"));
        }
        if self.line {
            words.push(format!("camera {camera}: pulled anew"));
        }
        let second = match self.analysis {
            None | Some(Fate::Kept) => None,
            Some(Fate::Renewed) => Some("pulled anew"),
            Some(Fate::Added) => Some("added"),
            Some(Fate::Removed) => Some("left out"),
        };
        words.extend(second.map(|word| format!("camera {camera}: its second stream is {word}")));
        for (sink, fate) in &self.sinks {
            let word = match fate {
                Fate::Kept => continue,
                Fate::Renewed => "started anew",
                Fate::Added => "added",
                Fate::Removed => "left out",
            };
            words.push(format!("sink {sink} on {camera}: {word}"));
        }
    }
}

/// Whether anything is kept for another time than before.
fn is_other_ladder(running: &Config, next: &Config) -> bool {
    let (old, new) = (LadderOptions::new(running), LadderOptions::new(next));
    let mut cameras = running.cameras.iter().chain(&next.cameras);
    old.rule != new.rule || cameras.any(|camera| old.rule(&camera.name) != new.rule(&camera.name))
}

/// What a line is made from: the rest of a camera can change beside it. A password that is another
/// one is read where the next session begins.
fn of_line(camera: &Camera) -> Camera {
    Camera {
        analysis_url: None,
        analysis_hold: ByteCount::new(0),
        plan: Plan::always(),
        ladder: LadderRule::default(),
        expected: Expected::default(),
        ..camera.clone()
    }
}

/// What an instance is told of its site.
fn of_place(site: &Site) -> Site {
    Site {
        uplink: Uplink::default(),
        ..site.clone()
    }
}

/// What an instance is made from: on which other cameras the sink is does not matter.
fn of_instance(sink: &Sink) -> Sink {
    Sink {
        cameras: Vec::new(),
        ..sink.clone()
    }
}

#[cfg(test)]
#[path = "difference_tests.rs"]
mod tests;
