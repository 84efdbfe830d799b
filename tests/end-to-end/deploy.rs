//! What `deploy/` has, tried as far as a test can: rules for firewalls by packets, manifests by
//! published schemas, the unit by systemd's own judgement.

mod firewall;
mod manifests;
mod unit;

use std::path::PathBuf;

/// A file below `deploy/`.
fn file(path: &str) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../deploy");
    folder.join(path)
}

/// Whether a program is installed. With CI=true it must be: there nothing is skipped.
fn has(program: &str) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path).any(|folder| folder.join(program).is_file());
    let in_ci = std::env::var_os("CI").is_some_and(|ci| ci == "true");
    assert!(found || !in_ci, "CI has no {program}");
    if !found {
        println!("skipped: no {program}");
    }
    found
}
