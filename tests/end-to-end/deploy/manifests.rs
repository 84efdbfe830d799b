//! `deploy/kubernetes` against the schemas that Kubernetes and the Prometheus operator publish, and the
//! configurations in `deploy/` before the relay.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use forebay_tests::{Relay, fresh_folder, run, script, silent};

use super::file;
use crate::SCRATCH;

/// What has the schemas: see `tests/run`.
fn python() -> Option<PathBuf> {
    let python = std::env::var_os("FOREBAY_PYTHON").map(PathBuf::from);
    let in_ci = std::env::var_os("CI").is_some_and(|ci| ci == "true");
    assert!(python.is_some() || !in_ci, "FOREBAY_PYTHON names no Python");
    python
}

#[test]
fn manifests_are_what_their_schemas_want() {
    let Some(python) = python() else { return };
    let folder = fresh_folder(SCRATCH, "manifests");
    let configuration = folder.join("forebay.toml");
    let output = run(Command::new(python)
        .arg(script("check_manifests.py"))
        .arg(file("kubernetes/relay.yaml"))
        .arg(file("kubernetes/servicemonitor.yaml"))
        .arg("--configuration")
        .arg(&configuration));
    let kinds: Vec<String> = serde_json::from_slice(&output.stdout).unwrap();
    for kind in ["StatefulSet", "Role", "NetworkPolicy", "ServiceMonitor"] {
        assert!(kinds.iter().any(|seen| seen == kind), "{kinds:?}");
    }
    // On this machine are neither its volumes nor its secrets: those lie elsewhere for the check.
    let text = fs::read_to_string(&configuration).unwrap();
    let secrets = folder.join("secrets");
    fs::create_dir(&secrets).unwrap();
    for name in ["token", "slipway.password", "gate.password"] {
        fs::write(secrets.join(name), "a-secret-of-24-characters\n").unwrap();
        silent(Command::new("chmod").arg("600").arg(secrets.join(name)));
    }
    let text = text
        .replace("/run/secrets/forebay", secrets.to_str().unwrap())
        .replace("/srv/forebay", folder.join("archive").to_str().unwrap())
        .replace("/var/lib/forebay", folder.join("spool").to_str().unwrap());
    fs::write(&configuration, text).unwrap();
    run(Command::new(Relay::program())
        .args(["check", "--config"])
        .arg(&configuration));
}
