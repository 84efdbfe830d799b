//! The posts of all cameras: how they are begun, changed and ended.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use tokio::runtime::Handle;

use super::difference::{CameraFate, Difference};
use super::intake_thread::IntakeThread;
use super::member::settle;
use super::post::{Leaving, Orders, Post, RunningCamera, Yard};
use crate::archive::Archive;
use crate::archive::findings::FindingsHandle;
use crate::archive::ledger::Ledger;
use crate::config::Config;
use crate::intake::SharedWatch;
use crate::pictures::{NoteFinding, Workshop};
use crate::sinks::Engine;
use crate::telemetry::{SupervisorEvents, Telemetry};
use crate::units::{CameraName, CaptureTime, SiteName};

/// How long the cameras' good-byes may take.
const CAMERAS_TIME: Duration = Duration::from_millis(1200);
/// How long the last calls of sinks that a reload ends may take, with the disk.
const SINKS_TIME: Duration = Duration::from_millis(3000);
const LANES_TIME: Duration = Duration::from_millis(500);

/// Where everything that is to be kept goes.
#[derive(Debug, Clone)]
pub(super) struct Books {
    pub(super) archive: Archive,
    pub(super) ledger: Ledger,
    pub(super) findings: FindingsHandle,
}

/// Everything that runs for cameras and sinks.
#[derive(Debug)]
pub(super) struct Crew {
    posts: Vec<Post>,
    /// What a reload waits for.
    leaving: Leaving,
    intake: IntakeThread,
    /// The cameras of each site, as each other's witnesses.
    watches: HashMap<SiteName, SharedWatch>,
    workshop: Arc<Workshop>,
    telemetry: Arc<Telemetry>,
    supervisor: SupervisorEvents,
    books: Books,
    engine: Arc<Engine>,
}

impl Crew {
    pub(super) fn start(
        config: &Config,
        telemetry: &Arc<Telemetry>,
        books: Books,
        engine: &Arc<Engine>,
    ) -> std::io::Result<Self> {
        let mut crew = Self {
            posts: Vec::new(),
            leaving: Leaving::default(),
            intake: IntakeThread::start()?,
            watches: HashMap::new(),
            workshop: workshop(config, engine, &books),
            telemetry: Arc::clone(telemetry),
            supervisor: SupervisorEvents::new(telemetry),
            books,
            engine: Arc::clone(engine),
        };
        crew.fill(config, None);
        Ok(crew)
    }

    /// Follows another configuration. What it doesn't touch notices nothing. Cut off, it leaves what
    /// has not ended to [`stop`](Self::stop), which is to follow then.
    pub(super) async fn change(&mut self, config: &Config, difference: &Difference) {
        if difference.is_other_set() {
            let cameras = config.cameras.iter();
            let wanted = cameras.map(|c| (c.name.clone(), c.site.clone()));
            // Before they end: what they don't send from now on nobody wants.
            self.books
                .ledger
                .cameras(wanted.collect(), CaptureTime::now());
        }
        if difference.pictures {
            self.workshop = workshop(config, &self.engine, &self.books);
        }
        let before: Vec<_> = self.posts.iter().map(Post::place).collect();
        for post in &mut self.posts {
            let orders = Orders::of(config, &post.place().0);
            match (orders, difference.of(&post.place().0)) {
                (Some(orders), Some(CameraFate::Stays(stay))) => {
                    post.change(&orders, stay, difference.pictures, &mut self.leaving);
                }
                _ => post.leave(&mut self.leaving),
            }
        }
        // A camera has few sessions: those that are to come wait for those that go.
        settle(&mut self.leaving.lines, Instant::now() + CAMERAS_TIME).await;
        self.forget(&before, config);
        self.fill(config, Some(difference));
        settle(&mut self.leaving.sinks, Instant::now() + SINKS_TIME).await;
        settle(&mut self.leaving.lanes, Instant::now() + LANES_TIME).await;
        self.fill(config, None);
    }

    /// Those who have left testify no more.
    fn forget(&mut self, before: &[(CameraName, SiteName)], config: &Config) {
        let now = Instant::now();
        for (name, site) in before {
            let mut cameras = config.cameras.iter();
            let stays = cameras.any(|camera| camera.name == *name && camera.site == *site);
            if let (false, Some(watch)) = (stays, self.watches.get(site)) {
                let mut watch = watch.lock().unwrap_or_else(PoisonError::into_inner);
                watch.forget(name, now);
            }
        }
        let sites = |site: &SiteName| config.cameras.iter().any(|camera| camera.site == *site);
        self.watches.retain(|site, _| sites(site));
    }

    /// Begins all that doesn't run, and makes the posts those of the configuration, in its order. While
    /// sinks and lanes are still ending, `underway` tells which cameras are new: of the others only
    /// lines are begun.
    fn fill(&mut self, config: &Config, underway: Option<&Difference>) {
        let yard = Yard {
            telemetry: &self.telemetry,
            books: &self.books,
            engine: &self.engine,
            workshop: &self.workshop,
            supervisor: &self.supervisor,
            pictures: &config.pictures,
            intake: self.intake.handle().clone(),
            others: Handle::current(),
        };
        let mut before = std::mem::take(&mut self.posts);
        for camera in &config.cameras {
            let Some(orders) = Orders::of(config, &camera.name) else {
                continue;
            };
            let known = before.iter().position(|post| post.place().0 == camera.name);
            let mut post = match known {
                Some(known) => before.swap_remove(known),
                None => Post::new(&yard, &orders),
            };
            let watch = self.watches.entry(camera.site.clone()).or_default();
            match underway.and_then(|difference| difference.of(&camera.name)) {
                Some(CameraFate::Stays(_)) => post.begin_lines(&yard, watch),
                _ => post.fill(&yard, watch),
            }
            self.posts.push(post);
        }
    }

    /// The cameras, in the order of the configuration.
    pub(super) fn running(&self) -> Vec<RunningCamera> {
        self.posts.iter().map(Post::running).collect()
    }

    /// Where the cameras' tasks run.
    pub(super) fn intake(&self) -> Handle {
        self.intake.handle().clone()
    }

    /// Ends the cameras, then the sinks: what arrived last is still recorded.
    pub(super) async fn stop(mut self, deadline: Instant) {
        for post in &mut self.posts {
            post.leave(&mut self.leaving);
        }
        settle(&mut self.leaving.lines, Instant::now() + CAMERAS_TIME).await;
        settle(&mut self.leaving.sinks, deadline).await;
        // With their plugins gone they have nothing to do; what they decode now nobody sees.
        settle(&mut self.leaving.lanes, deadline).await;
    }
}

fn workshop(config: &Config, engine: &Arc<Engine>, books: &Books) -> Arc<Workshop> {
    let findings = books.findings.clone();
    let note: NoteFinding = Arc::new(move |camera, finding| findings.note(camera, finding));
    Workshop::new(engine, &config.pictures, note)
}
