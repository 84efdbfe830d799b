//! The server against its own description, by schemathesis: random requests of it, and wrong ones.

use std::fs;
use std::process::{Command, Stdio};

use forebay_tests::http::get;
use forebay_tests::{Relay, fresh_folder};

use super::{configuration, site, wait_for_pictures};
use crate::{SCRATCH, beside};

/// `FOREBAY_SCHEMA_EXAMPLES` (default 3) for each operation. Films and events that have no end are left
/// out.
#[test]
fn answers_are_as_they_are_described() {
    let Some(python) = std::env::var_os("FOREBAY_PYTHON") else {
        return;
    };
    let _beside = beside();
    let examples = std::env::var("FOREBAY_SCHEMA_EXAMPLES").unwrap_or_else(|_| "3".into());
    let folder = fresh_folder(SCRATCH, "outlet-schema");
    let site = site(&[]);
    let relay = Relay::start(&configuration(&folder, &site));
    wait_for_pictures(&relay, "slipway", 150.0);
    let address = relay.address();
    let document = folder.join("openapi.json");
    fs::write(&document, get(address, "/v1/openapi.json").body).unwrap();
    let before = relay.metrics();
    // Random names of cameras lead nowhere: it is told the one that there is.
    let settings = folder.join("schemathesis.toml");
    fs::write(&settings, "[parameters]\n\"path.camera\" = \"slipway\"\n").unwrap();
    let log = folder.join("schemathesis.log");
    let output = fs::File::create(&log).unwrap();
    let status = Command::new("timeout")
        .arg(std::env::var("FOREBAY_SCHEMA_SECONDS").unwrap_or_else(|_| "180".into()))
        .arg(python)
        .args(["-m", "schemathesis.cli", "--config-file"])
        .arg(&settings)
        .args(["run", "--url", &format!("http://{address}")])
        .args([
            "--max-examples",
            &examples,
            "--seed",
            "20260504",
            "--no-color",
        ])
        .args(["--phases", "coverage,fuzzing", "--request-timeout", "20"])
        .args(["--exclude-checks", "positive_data_acceptance"])
        .args(["--generation-database", "none", "--continue-on-failure"])
        .args(["--exclude-path-regex", "(live\\.mp4|/v1/events)$"])
        .arg(&document)
        .current_dir(&folder)
        .stdout(output.try_clone().unwrap())
        .stderr(output)
        .stdin(Stdio::null())
        .status()
        .unwrap();
    let said = fs::read_to_string(&log).unwrap();
    assert!(status.success(), "{status}:\n{said}");
    println!(
        "{}",
        said.lines().rev().take(12).collect::<Vec<_>>().join("\n")
    );
    let page = relay.metrics();
    // While it starts it says that it is not ready.
    let sum = |page: &forebay_tests::Metrics, class| {
        let answers = page.sum("forebay_http_requests_total", &[("class", class)]);
        answers.unwrap_or(0.0)
    };
    let count = |class| sum(&page, class) - sum(&before, class);
    println!(
        "{} answers 2xx, {} 4xx, {} 5xx",
        count("2xx"),
        count("4xx"),
        count("5xx")
    );
    assert!(count("4xx") > 20.0 && count("2xx") > 20.0);
    assert_eq!(count("5xx"), 0.0);
    // Nothing stays behind.
    let memory = |page: &forebay_tests::Metrics| page.sum("process_resident_memory_bytes", &[]);
    if let (Some(before), Some(after)) = (memory(&before), memory(&page)) {
        println!("{:.0} MB before, {:.0} MB after", before / 1e6, after / 1e6);
        assert!(after < before + 200e6);
    }
    assert_eq!(page.sum("forebay_task_failures_total", &[]), Some(0.0));
    let stopped = relay.stop();
    assert!(
        stopped.status.success() && !stopped.log.contains("panicked"),
        "{}",
        stopped.log
    );
}
