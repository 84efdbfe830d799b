//! Where a trial keeps compiled plugins.

use std::ffi::OsString;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::sinks::{Engine, LoadError};

/// Starts an engine with the first cache of compiled code that this user can use: the relay's, where
/// a trial is run by the relay's own user; else one of the user's own, which is made where there is
/// none. Where there is none to use, plugins are compiled anew.
///
/// `relay`: the folder that a configuration names. `variable`: looks up an environment variable.
///
/// # Errors
/// When the engine can't start without a cache either.
pub fn engine(
    relay: Option<&Path>,
    variable: impl Fn(&str) -> Option<OsString>,
) -> Result<Arc<Engine>, LoadError> {
    // What lies there is executed: another user's is not for us, and our files are not for them.
    let relay = relay.filter(|folder| is_mine(folder) && is_writable(folder));
    let cached = |folder: &Path| match Engine::new(Some(folder)) {
        Ok(engine) if is_mine(folder) && is_writable(folder) => Some(engine),
        Ok(_) => {
            tracing::debug!(path = %folder.display(), "a cache that this user can't write to");
            None
        }
        Err(error) => {
            tracing::debug!(%error, "no cache");
            None
        }
    };
    let engine = relay.and_then(cached).or_else(|| {
        let own = own_folder(variable)?;
        cached(&own)
    });
    engine.map_or_else(|| Engine::new(None), Ok)
}

/// The user's own, by the XDG Base Directory Specification: a path that isn't absolute is none.
fn own_folder(variable: impl Fn(&str) -> Option<OsString>) -> Option<PathBuf> {
    let absolute = |name| {
        variable(name)
            .map(PathBuf::from)
            .filter(|p| p.is_absolute())
    };
    let caches = absolute("XDG_CACHE_HOME").or_else(|| {
        // One that `sudo` has left in the environment is somebody else's.
        let home = absolute("HOME").filter(|home| is_mine(home))?;
        Some(home.join(".cache"))
    });
    Some(caches?.join("forebay/plugins"))
}

fn is_mine(path: &Path) -> bool {
    let owner = path.metadata().map(|metadata| metadata.uid());
    owner.is_ok_and(|owner| owner == rustix::process::geteuid().as_raw())
}

/// A file system that is mounted to be read says no, too.
fn is_writable(folder: &Path) -> bool {
    use rustix::fs::{Access, access};
    access(folder, Access::WRITE_OK | Access::EXEC_OK).is_ok()
}

#[cfg(test)]
mod tests {
    use std::fs::Permissions;
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;
    use crate::config::Plugin;
    use crate::sinks::Compiled;

    fn nothing(_: &str) -> Option<OsString> {
        None
    }

    /// Loads a plugin with a new engine, as another process would.
    async fn load(relay: Option<&Path>, variable: impl Fn(&str) -> Option<OsString>) -> Compiled {
        let engine = engine(relay, variable).unwrap();
        engine.load(&Plugin::Builtin("recorder")).await.unwrap();
        engine.compiled()
    }

    const ANEW: Compiled = Compiled {
        anew: 1,
        from_cache: 0,
    };
    const CACHED: Compiled = Compiled {
        anew: 0,
        from_cache: 1,
    };

    #[tokio::test]
    async fn the_second_time_nothing_is_compiled() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let xdg = |name: &str| (name == "XDG_CACHE_HOME").then(|| root.join("xdg").into());
        assert_eq!(load(None, xdg).await, ANEW);
        assert_eq!(load(None, xdg).await, CACHED);
        let made = root.join("xdg/forebay/plugins");
        let mode = made.metadata().unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700);

        // In a home, too, and not in the same place.
        let home = |name: &str| (name == "HOME").then(|| root.into());
        assert_eq!(load(None, home).await, ANEW);
        assert_eq!(load(None, home).await, CACHED);
        assert!(root.join(".cache/forebay/plugins").is_dir());

        // The relay's, where there is one; a trial makes none.
        let relay = root.join("plugin-cache");
        assert_eq!(load(Some(&relay), nothing).await, ANEW);
        assert!(!relay.exists());
        std::fs::create_dir(&relay).unwrap();
        std::fs::set_permissions(&relay, Permissions::from_mode(0o700)).unwrap();
        assert_eq!(load(Some(&relay), home).await, ANEW);
        assert_eq!(load(Some(&relay), nothing).await, CACHED);
    }

    #[tokio::test]
    async fn without_a_place_it_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "x").unwrap();
        let open = folder.path().join("open/forebay/plugins");
        std::fs::create_dir_all(&open).unwrap();
        std::fs::set_permissions(&open, Permissions::from_mode(0o777)).unwrap();
        let sys = PathBuf::from("/proc");
        for place in [file, folder.path().join("open"), sys, "relative".into()] {
            let xdg = |name: &str| (name == "XDG_CACHE_HOME").then(|| place.clone().into());
            for _ in 0..2 {
                assert_eq!(load(None, xdg).await, ANEW, "{}", place.display());
            }
        }
        assert_eq!(load(None, nothing).await, ANEW);
        // A home that is not this user's.
        assert_eq!(
            own_folder(|name| (name == "HOME").then(|| "/proc/none".into())),
            None
        );
        assert!(!Path::new("relative").exists());
    }
}
