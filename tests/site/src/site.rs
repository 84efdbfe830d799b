//! A site: its cameras, each on a port of its own (unless it is another stream of one), and the link
//! that they share.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::Duration;

use tokio::net::TcpStream;
use tokio::task::{JoinHandle, JoinSet};

use crate::behaviour::{Behaviour, Uplink};
use crate::camera::{Camera, Counts, DroppedFrame, Power, SentFrame, SessionInfo, lock};
use crate::door::Door;
use crate::outages::OutageScript;
use crate::rtsp;
use crate::session;
use crate::sight::Sight;
use crate::source::{self, Loop};
use crate::spec::{CameraSpec, Source};

/// Connections to one camera at a time; more are closed at once.
const CONNECTIONS_MAX: usize = 64;
/// Longest first line of a request, and how long it may take to come.
const REQUEST_LINE_MAX: usize = 1024;
const REQUEST_LINE_TIME: Duration = Duration::from_secs(10);
/// Time between looks at a first line that has begun.
const LOOK_AGAIN: Duration = Duration::from_millis(10);
/// Time between tries to listen again on a port that was given up.
const LISTEN_AGAIN: Duration = Duration::from_millis(50);

/// A running site. All of it ends when it is dropped.
#[derive(Debug)]
pub struct Site {
    cameras: Vec<SimulatedCamera>,
    tasks: Vec<JoinHandle<()>>,
    threads: Vec<thread::JoinHandle<()>>,
}

/// A camera of a running site.
#[derive(Debug, Clone)]
pub struct SimulatedCamera {
    camera: Arc<Camera>,
}

impl Site {
    /// Starts the cameras, each on a free port of 127.0.0.1 (see [`CameraSpec::stream_of`]).
    ///
    /// # Errors
    /// See [`start_on`](Self::start_on).
    pub async fn start(specs: Vec<CameraSpec>) -> io::Result<Self> {
        Self::start_on(Ipv4Addr::LOCALHOST, specs).await
    }

    /// Starts the cameras, each on a free port of an address of this machine.
    ///
    /// Looped pictures are made first: 0.3 s each at 640 × 360 in a release build, once for all
    /// cameras that show the same.
    ///
    /// # Errors
    /// A specification out of its bounds, a name used twice, a stream of no camera, no port.
    pub async fn start_on(here: Ipv4Addr, specs: Vec<CameraSpec>) -> io::Result<Self> {
        let mut site = Self {
            cameras: Vec::new(),
            tasks: Vec::new(),
            threads: Vec::new(),
        };
        let mut loops: Vec<Arc<Loop>> = Vec::new();
        let mut doors: Vec<(Door, Vec<Arc<Camera>>)> = Vec::new();
        for spec in specs {
            spec.check()?;
            if site.camera(&spec.name).is_some() {
                let text = format!("camera {:?}: another camera has this name", spec.name);
                return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
            }
            let size = (spec.width, spec.height);
            let parameters = source::parameters(&spec, size)?;
            let camera = match spec.stream_of.clone() {
                None => {
                    let door = Door::new(&spec, SocketAddr::from((here, 0)))?;
                    let camera = Arc::new(Camera::new(spec, door.address(), parameters));
                    doors.push((door, vec![Arc::clone(&camera)]));
                    camera
                }
                Some(first) => {
                    let first = |(_, streams): &&mut (Door, Vec<Arc<Camera>>)| {
                        streams
                            .first()
                            .is_some_and(|camera| camera.spec.name == first)
                    };
                    let Some((door, streams)) = doors.iter_mut().find(first) else {
                        let text = format!("camera {:?}: no camera has that stream", spec.name);
                        return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
                    };
                    let camera = Arc::new(Camera::new(spec, door.address(), parameters));
                    streams.push(Arc::clone(&camera));
                    camera
                }
            };
            match camera.spec.source {
                Source::Drawn => {
                    let drawn = camera.clone();
                    let draw = move || {
                        // An encoder that fails ends the pictures; the viewer's silence tells.
                        source::run_drawn(&drawn).ok();
                    };
                    let name = camera.spec.name.clone();
                    site.threads
                        .push(thread::Builder::new().name(name).spawn(draw)?);
                }
                Source::Looped { .. } => {
                    let known = loops.iter().find(|known| known.fits(&camera.spec)).cloned();
                    let picture = match known {
                        Some(known) => known,
                        None => {
                            let spec = camera.spec.clone();
                            let record = move || Loop::record(&spec, size);
                            let made = tokio::task::spawn_blocking(record)
                                .await
                                .map_err(io::Error::other)??;
                            loops.push(Arc::new(made));
                            loops
                                .last()
                                .cloned()
                                .ok_or_else(|| io::Error::other("no loop"))?
                        }
                    };
                    let looped = source::run_looped(camera.clone(), picture);
                    site.tasks.push(tokio::spawn(async {
                        looped.await.ok();
                    }));
                }
            }
            if camera.spec.audio {
                site.tasks
                    .push(tokio::spawn(source::run_audio(camera.clone())));
            }
            site.cameras.push(SimulatedCamera { camera });
        }
        let accepted = doors.into_iter();
        let accepted = accepted.map(|(door, streams)| tokio::spawn(accept(streams, door)));
        site.tasks.extend(accepted);
        Ok(site)
    }

    /// The camera of this name.
    #[must_use]
    pub fn camera(&self, name: &str) -> Option<&SimulatedCamera> {
        self.cameras.iter().find(|camera| camera.name() == name)
    }

    /// All cameras, as they were specified.
    #[must_use]
    pub fn cameras(&self) -> &[SimulatedCamera] {
        &self.cameras
    }

    /// Breaks or mends the link that all cameras share.
    pub fn uplink(&self, uplink: Uplink) {
        for camera in &self.cameras {
            camera.uplink(uplink);
        }
    }

    /// Breaks and mends the link as the script says, from now on; returns after the last outage.
    /// Where it is cancelled the link stays as it is.
    pub async fn play(&self, script: &OutageScript) {
        let begin = tokio::time::Instant::now();
        for outage in script.outages() {
            tokio::time::sleep_until(begin + outage.at).await;
            self.uplink(Uplink::Down);
            tokio::time::sleep_until(begin + outage.end()).await;
            self.uplink(Uplink::Up);
        }
    }

    /// Closes everything and waits until it is closed.
    pub async fn stop(mut self) {
        self.halt();
        for task in self.tasks.drain(..) {
            task.await.ok();
        }
        let threads = std::mem::take(&mut self.threads);
        let join = move || threads.into_iter().for_each(|thread| drop(thread.join()));
        tokio::task::spawn_blocking(join).await.ok();
    }

    fn halt(&self) {
        for camera in &self.cameras {
            camera.camera.stopped.store(true, Ordering::Relaxed);
        }
        self.tasks.iter().for_each(JoinHandle::abort);
    }
}

impl Drop for Site {
    fn drop(&mut self) {
        self.halt();
    }
}

impl SimulatedCamera {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.camera.spec.name
    }

    /// What it was told to be.
    #[must_use]
    pub fn spec(&self) -> &CameraSpec {
        &self.camera.spec
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.camera.address
    }

    /// Its URL, without user and password.
    #[must_use]
    pub fn url(&self) -> String {
        format!("rtsp://{}/{}", self.address(), self.name())
    }

    /// Its URL with user and password, if it asks for them.
    #[must_use]
    pub fn url_with_credentials(&self) -> String {
        match &self.camera.spec.account {
            Some(account) => {
                let (user, password) = (&account.user, &account.password);
                format!(
                    "rtsp://{user}:{password}@{}/{}",
                    self.address(),
                    self.name()
                )
            }
            None => self.url(),
        }
    }

    /// Switches its behaviour, from now on.
    pub fn behave(&self, behaviour: Behaviour) {
        self.camera.behave(behaviour);
    }

    /// Breaks or mends the link for this camera alone.
    pub fn uplink(&self, uplink: Uplink) {
        self.camera.reach.send_modify(|reach| reach.uplink = uplink);
    }

    /// Changes what it sees, from the next picture on. A looped camera has no eyes.
    pub fn see(&self, sight: Sight) {
        *lock(&self.camera.sight) = sight;
    }

    /// Closes all its connections.
    pub fn disconnect(&self) {
        self.camera.cut(false);
    }

    /// Switches it off or on. Without power nothing answers, not even with a refusal; afterwards
    /// it knows nothing of the connections of before, and RTP begins anew.
    pub fn power(&self, on: bool) {
        self.camera.power(if on { Power::On } else { Power::Off });
    }

    /// It closes its connections, refuses new ones for so long, and comes back with new RTP.
    /// Where this is cancelled it stays away until it is switched on.
    pub async fn reboot(&self, away: Duration) {
        self.camera.power(Power::Booting);
        tokio::time::sleep(away).await;
        self.camera.power(Power::On);
    }

    /// The frames that went out, in this order, at most
    /// [`SENT_FRAMES_MAX`](crate::SENT_FRAMES_MAX) of them.
    #[must_use]
    pub fn sent(&self) -> Vec<SentFrame> {
        self.camera.sent()
    }

    /// The frames that it took for a viewer and that never left, at most
    /// [`SENT_FRAMES_MAX`](crate::SENT_FRAMES_MAX) of them.
    #[must_use]
    pub fn dropped(&self) -> Vec<DroppedFrame> {
        self.camera.dropped()
    }

    /// The connections that it has now.
    #[must_use]
    pub fn sessions(&self) -> Vec<SessionInfo> {
        self.camera.sessions()
    }

    /// What happened so far.
    #[must_use]
    pub fn counts(&self) -> Counts {
        *lock(&self.camera.counts)
    }
}

/// Accepts connections for the streams of a camera, and closes the port while they are to be refused
/// by the first of them.
async fn accept(streams: Vec<Arc<Camera>>, mut door: Door) {
    let Some(camera) = streams.first().cloned() else {
        return;
    };
    let mut connections = JoinSet::new();
    let mut behaviours = camera.behaviour.subscribe();
    let mut reaches = camera.reach.subscribe();
    loop {
        let behaviour = behaviours.borrow_and_update().1;
        let reach = *reaches.borrow_and_update();
        let refuses = behaviour == Behaviour::RefuseConnections || reach.power == Power::Booting;
        let set = if !reach.passes() {
            door.put_out_of_reach().await
        } else if refuses {
            door.close();
            Ok(())
        } else {
            door.open()
        };
        let serves = reach.passes() && !refuses;
        tokio::select! {
            _ = behaviours.changed() => {}
            _ = reaches.changed() => {}
            Some(_) = connections.join_next() => {}
            // Out of descriptors, or the port is not free yet: no hurry.
            () = tokio::time::sleep(LISTEN_AGAIN), if set.is_err() => {}
            accepted = door.accept(), if serves => match accepted {
                Ok((stream, peer)) if connections.len() < CONNECTIONS_MAX => {
                    let streams = streams.clone();
                    connections.spawn(async move {
                        if let Some(wanted) = wanted(&streams, &stream).await {
                            session::serve(wanted, stream, peer).await;
                        }
                    });
                }
                Ok(_) => {}
                Err(_) => tokio::time::sleep(LISTEN_AGAIN).await,
            },
        }
    }
}

/// The stream that a connection's first request is for: the first one where it names none of them,
/// none where there is no request.
async fn wanted(streams: &[Arc<Camera>], stream: &TcpStream) -> Option<Arc<Camera>> {
    let (first, others) = streams.split_first()?;
    if others.is_empty() {
        return Some(Arc::clone(first));
    }
    let mut line = [0; REQUEST_LINE_MAX];
    let look = async {
        loop {
            let length = stream.peek(&mut line).await.ok()?;
            let seen = line.get(..length)?.to_vec();
            if seen.is_empty() || seen.contains(&b'\n') || seen.len() == REQUEST_LINE_MAX {
                return Some(seen);
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    };
    let seen = tokio::time::timeout(REQUEST_LINE_TIME, look).await.ok()??;
    let line = String::from_utf8_lossy(&seen);
    let path = rtsp::path_of(line.split_whitespace().nth(1).unwrap_or_default());
    let name = path.split('/').next().unwrap_or_default();
    let named = others.iter().find(|camera| camera.spec.name == name);
    Some(Arc::clone(named.unwrap_or(first)))
}
