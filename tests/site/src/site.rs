//! A site: its cameras, each on a port of its own, and the link that they share.

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::Duration;

use tokio::net::{TcpListener, TcpSocket};
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

use crate::behaviour::{Behaviour, Uplink};
use crate::camera::{Camera, Counts, SentFrame, SessionInfo, lock};
use crate::session;
use crate::source::{self, Loop};
use crate::spec::{CameraSpec, Source};

/// Connections to one camera at a time; more are closed at once.
const CONNECTIONS_MAX: usize = 64;
/// Time between tries to listen again on a port that was given up.
const LISTEN_AGAIN: Duration = Duration::from_millis(50);

/// A running site. All of it ends when it is dropped.
#[derive(Debug)]
pub struct Site {
    cameras: Vec<SimulatedCamera>,
    uplink: watch::Sender<Uplink>,
    tasks: Vec<JoinHandle<()>>,
    threads: Vec<thread::JoinHandle<()>>,
}

/// A camera of a running site.
#[derive(Debug, Clone)]
pub struct SimulatedCamera {
    camera: Arc<Camera>,
}

impl Site {
    /// Starts the cameras, each on a free port of 127.0.0.1.
    ///
    /// Looped pictures are made first: 0.3 s each at 640 × 360 in a release build, once for all
    /// cameras that show the same.
    ///
    /// # Errors
    /// A specification out of its bounds, a name used twice, no port.
    pub async fn start(specs: Vec<CameraSpec>) -> io::Result<Self> {
        let uplink = watch::Sender::new(Uplink::Up);
        let mut site = Self {
            cameras: Vec::new(),
            uplink,
            tasks: Vec::new(),
            threads: Vec::new(),
        };
        let mut loops: Vec<Arc<Loop>> = Vec::new();
        for spec in specs {
            spec.check()?;
            if site.camera(&spec.name).is_some() {
                let text = format!("camera {:?}: another camera has this name", spec.name);
                return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
            }
            let size = (spec.width, spec.height);
            let parameters = source::parameters(&spec, size)?;
            let listener = listen(&spec, SocketAddr::from((Ipv4Addr::LOCALHOST, 0)))?;
            let address = listener.local_addr()?;
            let link = site.uplink.subscribe();
            let camera = Arc::new(Camera::new(spec, address, link, parameters));
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
            site.tasks
                .push(tokio::spawn(accept(camera.clone(), listener)));
            site.cameras.push(SimulatedCamera { camera });
        }
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
        self.uplink.send_replace(uplink);
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

    /// Closes all its connections.
    pub fn disconnect(&self) {
        self.camera.cuts.send_modify(|cuts| *cuts += 1);
    }

    /// The frames that went out, in this order, at most
    /// [`SENT_FRAMES_MAX`](crate::SENT_FRAMES_MAX) of them.
    #[must_use]
    pub fn sent(&self) -> Vec<SentFrame> {
        self.camera.sent()
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

fn listen(spec: &CameraSpec, address: SocketAddr) -> io::Result<TcpListener> {
    let socket = TcpSocket::new_v4()?;
    // To come back on the same port, although connections of before linger on it.
    socket.set_reuseaddr(true)?;
    if let Some(bytes) = spec.send_buffer_bytes {
        // Connections inherit it.
        socket.set_send_buffer_size(bytes)?;
    }
    socket.bind(address)?;
    socket.listen(64)
}

/// Accepts connections, and closes the port while they are to be refused.
async fn accept(camera: Arc<Camera>, first: TcpListener) {
    let mut connections = JoinSet::new();
    let mut behaviours = camera.behaviour.subscribe();
    let mut listener = Some(first);
    loop {
        let refuses = behaviours.borrow_and_update().1 == Behaviour::RefuseConnections;
        if refuses {
            listener = None;
        } else if listener.is_none() {
            listener = listen(&camera.spec, camera.address).ok();
        }
        let next = async {
            match &listener {
                Some(listener) => listener.accept().await.ok(),
                None if refuses => std::future::pending().await,
                None => {
                    tokio::time::sleep(LISTEN_AGAIN).await;
                    None
                }
            }
        };
        tokio::select! {
            _ = behaviours.changed() => {}
            Some(_) = connections.join_next() => {}
            accepted = next => match accepted {
                Some((stream, peer)) if connections.len() < CONNECTIONS_MAX => {
                    connections.spawn(session::serve(camera.clone(), stream, peer));
                }
                Some(_) => {}
                // Out of descriptors, or no port yet: no hurry.
                None => tokio::time::sleep(LISTEN_AGAIN).await,
            },
        }
    }
}
