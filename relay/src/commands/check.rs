//! `forebay check`: everything that can be known before running.

use std::sync::Arc;
use std::time::Duration;

use super::output::{say, table};
use super::{ConfigFile, Failure, duration, exit};
use crate::config::{Config, Severity};
use crate::intake::probe::{Probe, Report};
use crate::sinks::{Engine, Instance, Surroundings};

#[derive(Debug, clap::Args)]
pub(super) struct CheckArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Also connect to each camera for a while and tell what it sends
    #[arg(long)]
    probe: bool,
    /// How long to look at each camera's stream with --probe, as 10s or 11m: two of its key-frame
    /// intervals and more, 10 minutes and more for the drift of its clock
    #[arg(long, alias = "probe-seconds", value_name = "TIME", default_value = "10s", value_parser = probe_time)]
    probe_time: Duration,
}

fn probe_time(text: &str) -> Result<Duration, String> {
    duration(text, Duration::from_secs(2)..=Duration::from_secs(30 * 60))
        .ok_or_else(|| "a time from 2s to 30m, as 10s or 11m".to_owned())
}

pub(super) async fn check(arguments: CheckArguments) -> Result<(), Failure> {
    let config = arguments.file.load()?;
    let mut errors = 0;
    for problem in config.check_surroundings() {
        errors += usize::from(problem.severity == Severity::Error);
        say(problem.to_string().trim_end());
    }
    errors += check_plugins(&config).await?;
    say(&format!(
        "{}: {} of cameras, {} of sinks, {}",
        arguments.file.config.display(),
        config.cameras.len(),
        config.sinks.len(),
        if errors == 0 {
            "no errors".to_owned()
        } else {
            format!("errors: {errors}")
        }
    ));
    if errors > 0 {
        return Err(Failure::silent(exit::CONFIG));
    }
    if arguments.probe {
        probe(&config, arguments.probe_time).await?;
    }
    Ok(())
}

/// Loads each plugin and lets it judge its settings, in its sandbox and without anything to write
/// to.
async fn check_plugins(config: &Config) -> Result<usize, Failure> {
    let engine = Engine::new(None).map_err(|error| Failure::caused(exit::OS, error))?;
    let mut errors = 0;
    for sink in &config.sinks {
        let plugin = match engine.load(&sink.plugin).await {
            Ok(plugin) => plugin,
            Err(error) => {
                errors += 1;
                say(&format!("error: sink {}: {error}", sink.name));
                continue;
            }
        };
        for camera in config
            .cameras
            .iter()
            .filter(|camera| sink.cameras.contains(&camera.name))
        {
            let Some(site) = config.site(&camera.site) else {
                continue;
            };
            let surroundings = Surroundings::new(
                camera.name.clone(),
                Arc::new(site.clone()),
                Arc::new(sink.clone()),
                None,
                None,
            );
            if let Err(error) = Instance::start(&engine, &plugin, &surroundings).await {
                errors += 1;
                say(&format!(
                    "error: sink {}, camera {}: {error}",
                    sink.name, camera.name
                ));
                // The settings are the same for its other cameras.
                break;
            }
        }
    }
    Ok(errors)
}

async fn probe(config: &Config, time: Duration) -> Result<(), Failure> {
    let probes = config.cameras.iter().map(|camera| {
        let camera = camera.clone();
        tokio::spawn(async move { Probe::new(&camera, time).run().await })
    });
    let mut rows = vec![Report::HEADING.map(str::to_owned).to_vec()];
    let (mut findings, mut remarks) = (Vec::new(), Vec::new());
    let mut failed = 0;
    for (camera, probe) in config.cameras.iter().zip(probes.collect::<Vec<_>>()) {
        match probe
            .await
            .map_err(|error| Failure::caused(exit::SOFTWARE, error))?
        {
            Ok(report) => {
                rows.push(report.row(&camera.name));
                findings.extend(report.findings(&camera.name));
                remarks.extend(report.remarks(&camera.name));
            }
            Err(error) => {
                failed += 1;
                rows.push(vec![
                    camera.name.to_string(),
                    error.cause.as_str().to_owned(),
                ]);
                remarks.push(format!(
                    "{}: {error}: {}",
                    camera.name,
                    error.cause.advice()
                ));
            }
        }
    }
    say("");
    table(&rows);
    for lines in [findings, remarks].iter().filter(|lines| !lines.is_empty()) {
        say("");
        lines.iter().for_each(|line| say(line));
    }
    if failed > 0 {
        return Err(Failure::new(
            exit::UNAVAILABLE,
            format!("cameras that failed: {failed}"),
        ));
    }
    Ok(())
}
