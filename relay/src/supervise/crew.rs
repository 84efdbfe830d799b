//! The posts of all cameras: how they are begun, changed and ended.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use tokio::runtime::Handle;
use tokio::sync::watch;

use super::Shutdown;
use super::intake_thread::IntakeThread;
use super::member::settle;
use super::post::{Leaving, Orders, Post, RunningCamera, Shared, Yard};
use crate::archive::Archive;
use crate::archive::findings::FindingsHandle;
use crate::archive::ledger::Ledger;
use crate::config::{Config, Secret};
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

/// The cameras' passwords as they were when they were looked at last, where they could be read.
pub(super) type Secrets = BTreeMap<CameraName, Secret>;

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
    /// What a reload was still waiting for when the relay was to end.
    leaving: Leaving,
    intake: IntakeThread,
    /// The cameras of each site, as each other's witnesses.
    watches: HashMap<SiteName, SharedWatch>,
    workshop: Arc<Workshop>,
    roster: watch::Sender<Vec<RunningCamera>>,
    telemetry: Arc<Telemetry>,
    supervisor: SupervisorEvents,
    books: Books,
    engine: Arc<Engine>,
}

impl Crew {
    pub(super) fn start(
        config: &Config,
        secrets: &Secrets,
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
            roster: watch::Sender::new(Vec::new()),
            telemetry: Arc::clone(telemetry),
            supervisor: SupervisorEvents::new(telemetry),
            books,
            engine: Arc::clone(engine),
        };
        crew.fill(config, secrets);
        Ok(crew)
    }

    /// Follows another configuration. What it doesn't touch notices nothing. Ends early when `stop`
    /// is requested; [`stop`](Self::stop) is to follow then. Gives what has changed, in words.
    pub(super) async fn change(
        &mut self,
        config: &Config,
        secrets: &Secrets,
        shared: &Shared,
        stop: &mut Shutdown,
    ) -> Vec<String> {
        let mut told = Vec::new();
        let now = CaptureTime::now();
        let cameras = config.cameras.iter();
        let wanted: Vec<_> = cameras.map(|c| (c.name.clone(), c.site.clone())).collect();
        let of_posts: BTreeMap<_, _> = self
            .posts
            .iter()
            .map(|post| (post.camera().name.clone(), post.camera().site.clone()))
            .collect();
        let next: BTreeMap<_, _> = wanted.iter().cloned().collect();
        if of_posts != next {
            // Before they end: what they don't send from now on nobody wants.
            self.books.ledger.cameras(wanted, now);
        }
        for post in &mut self.posts {
            let name = post.camera().name.clone();
            let camera = config.cameras.iter().find(|camera| camera.name == name);
            let orders = camera.and_then(|camera| Orders::of(config, camera, secrets.get(&name)));
            match orders {
                Some(orders) => post.change(&orders, shared, &mut self.leaving, &mut told),
                None => {
                    told.push(format!("camera {name}: left out"));
                    post.leave(&mut self.leaving);
                }
            }
        }
        tokio::select! {
            () = self.leaving.settle() => {}
            () = stop.requested() => return told,
        }
        self.forget(&of_posts, config);
        if shared.pictures {
            self.workshop = workshop(config, &self.engine, &self.books);
            told.push("pictures: how they are decoded".to_owned());
        }
        let added = config.cameras.iter();
        let added = added.filter(|camera| !of_posts.contains_key(&camera.name));
        told.extend(added.map(|camera| format!("camera {}: added", camera.name)));
        self.fill(config, secrets);
        told
    }

    /// Those who have left testify no more.
    fn forget(&mut self, before: &BTreeMap<CameraName, SiteName>, config: &Config) {
        let now = Instant::now();
        for (name, site) in before {
            let stays = config
                .cameras
                .iter()
                .any(|camera| camera.name == *name && camera.site == *site);
            if let (false, Some(watch)) = (stays, self.watches.get(site)) {
                let mut watch = watch.lock().unwrap_or_else(PoisonError::into_inner);
                watch.forget(name, now);
            }
        }
        let sites = |site: &SiteName| config.cameras.iter().any(|camera| camera.site == *site);
        self.watches.retain(|site, _| sites(site));
    }

    /// Begins all that doesn't run, and makes the posts those of the configuration, in its order.
    fn fill(&mut self, config: &Config, secrets: &Secrets) {
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
            let Some(orders) = Orders::of(config, camera, secrets.get(&camera.name)) else {
                continue;
            };
            let known = before
                .iter()
                .position(|post| post.camera().name == camera.name);
            let mut post = match known {
                Some(known) => before.swap_remove(known),
                None => Post::new(&yard, &orders),
            };
            let watch = self.watches.entry(camera.site.clone()).or_default();
            post.fill(&yard, watch);
            self.posts.push(post);
        }
        let present = self.posts.iter().map(|post| {
            let sinks = post.sinks().map(|sink| &sink.name);
            (&post.camera().name, sinks.collect())
        });
        self.telemetry.keep_only(present);
        let running = self.posts.iter().map(Post::running).collect();
        self.roster.send_replace(running);
    }

    /// The cameras, in the order of the configuration.
    pub(super) fn roster(&self) -> watch::Receiver<Vec<RunningCamera>> {
        self.roster.subscribe()
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

impl Leaving {
    async fn settle(&mut self) {
        settle(&mut self.lines, Instant::now() + CAMERAS_TIME).await;
        settle(&mut self.sinks, Instant::now() + SINKS_TIME).await;
        settle(&mut self.lanes, Instant::now() + LANES_TIME).await;
    }
}

fn workshop(config: &Config, engine: &Arc<Engine>, books: &Books) -> Arc<Workshop> {
    let findings = books.findings.clone();
    let note: NoteFinding = Arc::new(move |camera, finding| findings.note(camera, finding));
    Workshop::new(engine, &config.pictures, note)
}
