//! Of two relays one works, and the other waits: a lease that both know of says which.
//!
//! `contest.rs` decides, by the clock of one machine alone; `course.rs` and `file.rs` keep a lease in a
//! file, `kubernetes.rs` in an object of a cluster; `run.rs` drives them on threads of their own, so
//! that a store that hangs costs the lease and not the process. What a lease can't prevent (a
//! process that is stopped in the middle of a rename, and goes on an hour later) does no harm: names
//! of the archive are never overwritten, and those of unfinished copies carry their writer's epoch.

mod board;
mod contest;
mod course;
mod file;
#[cfg(feature = "kubernetes")]
mod kubernetes;
mod run;
#[cfg(test)]
mod simulation;

use std::io;
use std::path::{Path, PathBuf};
use std::str::FromStr;

pub use contest::Timing;
pub use run::{Lease, Tenure};

/// Where the lease is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LeaseAt {
    /// A file that all contenders share.
    File(PathBuf),
    /// A `Lease` of this name in the cluster and namespace that the relay runs in.
    Kubernetes(String),
}

/// The name of the object unless told otherwise.
#[cfg(feature = "kubernetes")]
const OBJECT: &str = "forebay";

impl FromStr for LeaseAt {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let name = match text {
            "kubernetes" => Some(""),
            text => text.strip_prefix("kubernetes:"),
        };
        match name {
            None if text.is_empty() => Err("want a file, or the word kubernetes".into()),
            None => Ok(Self::File(text.into())),
            Some(name) => of_cluster(name),
        }
    }
}

#[cfg(feature = "kubernetes")]
fn of_cluster(name: &str) -> Result<LeaseAt, String> {
    // RFC 1123, as names of objects are: what crate::units::Name allows is that, too.
    let name = if name.is_empty() { OBJECT } else { name };
    match crate::units::Name::new(name) {
        Ok(_) => Ok(LeaseAt::Kubernetes(name.to_owned())),
        Err(error) => Err(format!("the name of the object: {error}")),
    }
}

#[cfg(not(feature = "kubernetes"))]
fn of_cluster(_: &str) -> Result<LeaseAt, String> {
    Err(
        "this build can't: it wants `cargo build --features kubernetes`; a file of that name is \
         ./kubernetes"
            .into(),
    )
}

impl std::fmt::Display for LeaseAt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::File(path) => write!(f, "{}", path.display()),
            Self::Kubernetes(name) => write!(f, "kubernetes:{name}"),
        }
    }
}

/// Why a lease can't be contended for.
#[derive(Debug, thiserror::Error)]
pub enum LeaseError {
    /// Another process contends with this spool.
    #[error(
        "the spool {} is in use by another relay: stop that one, or give this one a spool of its own",
        .0.display()
    )]
    Taken(PathBuf),
    /// The spool can't be looked up or locked.
    #[error("can't use the spool {} for a lease", path.display())]
    Spool {
        /// The spool.
        path: PathBuf,
        /// The system's words.
        source: io::Error,
    },
    /// There is no cluster.
    #[error("no lease of Kubernetes: {0}")]
    Cluster(String),
    /// A thread can't be started.
    #[error("can't start a thread of the lease")]
    Thread(#[source] io::Error),
}

/// Who this relay is among the contenders: the machine since it was started, and the spool, which one
/// process has at a time. A machine that was cloned, or a spool that was copied, is another.
fn identity(spool: &Path) -> io::Result<String> {
    use std::hash::{BuildHasher as _, DefaultHasher, Hash as _, Hasher as _};
    use std::os::unix::fs::MetadataExt as _;
    std::fs::create_dir_all(spool)?;
    let about = std::fs::metadata(spool)?;
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_else(|_| {
        // Another one each time: then a restart waits like everybody.
        let number = std::hash::RandomState::new().build_hasher().finish();
        number.to_string()
    });
    let mut hasher = DefaultHasher::new();
    (boot, about.dev(), about.ino()).hash(&mut hasher);
    let machine = std::fs::read_to_string("/proc/sys/kernel/hostname").unwrap_or_default();
    Ok(format!("{}/{:016x}", machine.trim(), hasher.finish()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spool_keeps_its_name() {
        let folder = tempfile::tempdir().unwrap();
        let (one, two) = (folder.path().join("one"), folder.path().join("two"));
        let name = identity(&one).unwrap();
        assert_eq!(identity(&one).unwrap(), name);
        assert_ne!(identity(&two).unwrap(), name);
    }

    #[test]
    fn a_lease_is_a_file_or_in_a_cluster() {
        let file = "/mnt/shared/lease".parse();
        assert_eq!(file, Ok(LeaseAt::File("/mnt/shared/lease".into())));
        assert_eq!(
            "./kubernetes".parse(),
            Ok(LeaseAt::File("./kubernetes".into()))
        );
        assert!("".parse::<LeaseAt>().is_err());
        let cluster = "kubernetes".parse::<LeaseAt>();
        let named = "kubernetes:boatyard".parse::<LeaseAt>();
        if cfg!(feature = "kubernetes") {
            assert_eq!(cluster, Ok(LeaseAt::Kubernetes("forebay".into())));
            assert_eq!(named, Ok(LeaseAt::Kubernetes("boatyard".into())));
            assert!("kubernetes:Boat/yard".parse::<LeaseAt>().is_err());
        } else {
            assert!(cluster.is_err() && named.is_err());
        }
    }
}
