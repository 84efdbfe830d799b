//! A link and its two ends.

use std::io;
use std::net::Ipv4Addr;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use forebay_site::OutageScript;
use tun_rs::{DeviceBuilder, Layer, SyncDevice};

use super::forward::{self, Shared};
use super::namespace::Namespace;
use super::shaper::{Counters, LinkSpec};

/// Of the TUN devices: what a tunnel over a mobile uplink leaves.
const MTU: u16 = 1420;
const DEVICE: &str = "uplink";
/// Addresses for documentation (RFC 5737): they can't be anyone's.
const HOME: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 1);
const SITE: Ipv4Addr = Ipv4Addr::new(192, 0, 2, 2);
/// As good as for ever.
const FOR_EVER: Duration = Duration::from_secs(86_400 * 365);

/// An uplink between two namespaces; all of it is gone when it is dropped. Programs that still run
/// inside go on without a network.
#[derive(Debug)]
pub struct Link {
    home: End,
    site: End,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<io::Result<()>>>,
}

/// One end of a link: a network namespace.
#[derive(Debug)]
pub struct End {
    namespace: Namespace,
    address: Ipv4Addr,
}

impl Link {
    /// Makes the namespaces and the link, which is up.
    ///
    /// # Errors
    /// No root, no TUN device, no `ip`.
    pub fn new(spec: LinkSpec) -> io::Result<Self> {
        static SERIAL: AtomicU32 = AtomicU32::new(0);
        let serial = SERIAL.fetch_add(1, Ordering::Relaxed);
        let home = End::new(&format!("{serial}-home"), HOME)?;
        let site = End::new(&format!("{serial}-site"), SITE)?;
        let devices = [home.open()?, site.open()?];
        let shared = Arc::new(Shared {
            ends: AtomicBool::new(false),
            closed_until: Mutex::default(),
            counters: Mutex::default(),
        });
        let carries = shared.clone();
        let thread = thread::Builder::new()
            .name(format!("uplink {serial}"))
            .spawn(move || forward::run(&devices, &spec, &carries))?;
        Ok(Self {
            home,
            site,
            shared,
            thread: Some(thread),
        })
    }

    /// The viewers' end.
    #[must_use]
    pub fn home(&self) -> &End {
        &self.home
    }

    /// The cameras' end.
    #[must_use]
    pub fn site(&self) -> &End {
        &self.site
    }

    /// From now on, and for so long, nothing passes either way; what is in flight is lost too.
    /// Returns at once. The end replaces that of an earlier outage.
    pub fn outage(&self, length: Duration) {
        let end = Instant::now() + length;
        *self.shared.closed_until.lock().unwrap() = [Some(end); 2];
    }

    /// Nothing passes until [`up`](Self::up).
    pub fn down(&self) {
        self.outage(FOR_EVER);
    }

    /// Packets pass again, both ways.
    pub fn up(&self) {
        *self.shared.closed_until.lock().unwrap() = [None; 2];
    }

    /// Goes down and up as the script says, from now on; returns after the last outage.
    pub fn play(&self, script: &OutageScript) {
        let begin = Instant::now();
        for outage in script.outages() {
            thread::sleep((begin + outage.at).saturating_duration_since(Instant::now()));
            self.outage((begin + outage.end()).saturating_duration_since(Instant::now()));
        }
        if let Some(last) = script.outages().last() {
            thread::sleep((begin + last.end()).saturating_duration_since(Instant::now()));
        }
    }

    /// Opens or closes one way: what the home, or the site, sends.
    pub fn set_one_way(&self, from_home: bool, up: bool) {
        let until = (!up).then(|| Instant::now() + FOR_EVER);
        self.shared.closed_until.lock().unwrap()[usize::from(!from_home)] = until;
    }

    /// What the home has sent.
    #[must_use]
    pub fn from_home(&self) -> Counters {
        self.shared.counters.lock().unwrap()[0]
    }

    /// What the site has sent.
    #[must_use]
    pub fn from_site(&self) -> Counters {
        self.shared.counters.lock().unwrap()[1]
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.shared.ends.store(true, Ordering::Relaxed);
        if let Some(Ok(Err(error))) = self.thread.take().map(JoinHandle::join) {
            eprintln!("a link of the test bed had ended: {error}");
        }
    }
}

impl End {
    fn new(suffix: &str, address: Ipv4Addr) -> io::Result<Self> {
        let namespace = Namespace::new(suffix)?;
        Ok(Self { namespace, address })
    }

    fn open(&self) -> io::Result<SyncDevice> {
        let open = || -> io::Result<SyncDevice> {
            let device = DeviceBuilder::new()
                .name(DEVICE)
                .layer(Layer::L3)
                .enable(false)
                .build_sync()?;
            device.set_nonblocking(true)?;
            Ok(device)
        };
        let device = self
            .namespace
            .within(open)?
            .map_err(|error| io::Error::new(error.kind(), format!("/dev/net/tun: {error}")))?;
        self.namespace.configure(&format!(
            "address add {}/24 dev {DEVICE}\nlink set {DEVICE} mtu {MTU} up\nlink set lo up\n",
            self.address
        ))?;
        Ok(device)
    }

    /// Its address on the link.
    #[must_use]
    pub fn address(&self) -> Ipv4Addr {
        self.address
    }

    /// The namespace's name, as `ip netns` has it.
    #[must_use]
    pub fn name(&self) -> &str {
        self.namespace.name()
    }

    /// A command that runs a program here. The process is the program's own, not a parent's.
    #[must_use]
    pub fn command(&self, program: &str) -> Command {
        let mut command = Command::new("ip");
        command.args(["netns", "exec", self.name(), program]);
        command
    }

    /// Calls `inside` on a thread that has moved here: sockets that it opens stay on this end.
    ///
    /// # Panics
    /// If the thread can't move, and if `inside` panics.
    pub fn within<T: Send>(&self, inside: impl FnOnce() -> T + Send) -> T {
        match self.namespace.within(inside) {
            Ok(result) => result,
            Err(error) => panic!("can't enter {}: {error}", self.name()),
        }
    }
}
