//! A test bed for outages: two network namespaces, `home` and `site`, with an emulated uplink
//! between them that has delay, jitter, rate, a queue, loss, and dropouts.
//!
//! ```no_run
//! # use std::time::Duration;
//! use forebay_tests::bed::{Link, LinkSpec};
//!
//! let link = Link::new(LinkSpec::default()).unwrap();
//! let mut camera = link.site().command("camera").spawn().unwrap();
//! let mut viewer = link.home().command("viewer").arg(link.site().address().to_string());
//! link.outage(Duration::from_secs(5));
//! ```
//!
//! Each namespace has one TUN device; a thread for each link carries packets from one to the other
//! (`forward`) when `shaper` says that they are due. The kernel's own emulator (netem) is not
//! needed, and any number of links is independent of each other: all of them have the same two
//! addresses. Needs root, `/dev/net/tun` and `ip` of iproute2.

mod forward;
mod link;
mod namespace;
mod shaper;

use std::sync::OnceLock;

pub use link::{End, Link};
pub use namespace::Namespace;
pub use shaper::{Counters, LinkSpec};

/// Whether a bed can be had here.
///
/// # Errors
/// Why not.
pub fn available() -> Result<(), String> {
    static FOUND: OnceLock<Result<(), String>> = OnceLock::new();
    let look = || {
        if !rustix::process::geteuid().is_root() {
            return Err("network namespaces need root".to_owned());
        }
        Link::new(LinkSpec::default())
            .map(drop)
            .map_err(|error| error.to_string())
    };
    FOUND.get_or_init(look).clone()
}

/// Whether a test that needs the bed can run; says why it is skipped.
///
/// # Panics
/// Under `CI=true` if there is none: there nothing may be skipped.
#[must_use]
pub fn or_skip() -> bool {
    let Err(reason) = available() else {
        return true;
    };
    let in_ci = std::env::var_os("CI").is_some_and(|ci| ci == "true");
    assert!(!in_ci, "CI has no test bed: {reason}");
    eprintln!("skipped: no test bed: {reason}");
    false
}
