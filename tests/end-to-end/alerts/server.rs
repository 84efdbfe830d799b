//! Prometheus with the rules of `deploy/prometheus`, which wait for a second where they wait for
//! minutes.

use std::fs::{self, File};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use forebay_tests::{Running, http_get};
use serde_json::Value;

use super::deploy;

pub(super) struct Prometheus {
    address: SocketAddr,
    targets: PathBuf,
    _process: Running,
}

/// The rules as they stand, but for how long an alert waits: a second each.
fn hurried(rules: &str) -> String {
    let line = |line: &str| match line.split_once("for: ") {
        Some((indent, _)) if indent.trim().is_empty() => format!("{indent}for: 1s\n"),
        _ => format!("{line}\n"),
    };
    rules.lines().map(line).collect()
}

impl Prometheus {
    pub(super) fn start(folder: &Path) -> Self {
        let address = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
            .unwrap()
            .local_addr()
            .unwrap();
        for name in ["forebay-rules.yml", "forebay-alerts.yml"] {
            let rules = fs::read_to_string(deploy("prometheus").join(name)).unwrap();
            fs::write(folder.join(name), hurried(&rules)).unwrap();
        }
        let targets = folder.join("targets.json");
        fs::write(&targets, "[]").unwrap();
        let file = folder.join("prometheus.yml");
        let text = "global: {scrape_interval: 1s, evaluation_interval: 1s}\n\
             rule_files: [forebay-rules.yml, forebay-alerts.yml]\n\
             scrape_configs:\n- job_name: forebay\n  file_sd_configs:\n\
             \x20 - {files: [targets.json], refresh_interval: 1s}\n";
        fs::write(&file, text).unwrap();
        let log = File::create(folder.join("prometheus.log")).unwrap();
        let process = Running::start(
            Command::new("prometheus")
                .arg(format!("--config.file={}", file.display()))
                .arg(format!(
                    "--storage.tsdb.path={}",
                    folder.join("tsdb").display()
                ))
                .arg(format!("--web.listen-address={address}"))
                .stdout(Stdio::null())
                .stderr(log),
        );
        Self {
            address,
            targets,
            _process: process,
        }
    }

    /// Has it scrape these.
    pub(super) fn scrape(&self, relays: &[SocketAddr]) {
        let targets: Vec<String> = relays.iter().map(ToString::to_string).collect();
        let text = serde_json::json!([{ "targets": targets }]).to_string();
        // By a rename: it looks at any moment.
        let new = self.targets.with_extension("new");
        fs::write(&new, text).unwrap();
        fs::rename(&new, &self.targets).unwrap();
    }

    fn get(&self, path: &str) -> Option<Value> {
        let (status, body) = http_get(self.address, path)?;
        let answer: Value = serde_json::from_str(&body).ok()?;
        assert_eq!(status, 200, "{path}: {answer}");
        Some(answer["data"].clone())
    }

    /// The series that an instant query finds; none while it doesn't answer.
    pub(super) fn query(&self, query: &str) -> Vec<Value> {
        let escaped: String = query.bytes().map(|byte| format!("%{byte:02X}")).collect();
        let found = self.get(&format!("/api/v1/query?query={escaped}"));
        let result = found.map(|data| data["result"].clone());
        result
            .and_then(|r| r.as_array().cloned())
            .unwrap_or_default()
    }

    /// The alerts that fire or are about to, with their texts.
    pub(super) fn alerts(&self) -> Vec<Value> {
        let found = self.get("/api/v1/alerts");
        let alerts = found.map(|data| data["alerts"].clone());
        alerts
            .and_then(|a| a.as_array().cloned())
            .unwrap_or_default()
    }
}
