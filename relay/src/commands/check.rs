//! `forebay check`: everything that can be known before running.

use std::sync::Arc;
use std::time::Duration;

use super::output::{say, table};
use super::{ConfigFile, Failure, duration, exit};
use crate::config::{Config, Severity};
use crate::intake::SessionError;
use crate::intake::probe::{Probe, Report};
use crate::sinks::{Engine, judge};

#[derive(Debug, clap::Args)]
pub(super) struct CheckArguments {
    #[command(flatten)]
    file: ConfigFile,
    /// Also connect to each camera for a while and tell what it sends, and what its analysis stream
    /// costs on the uplink
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
        if let Err(error) = judge(&engine, &plugin, sink, config).await {
            errors += 1;
            say(&format!("error: {error}"));
        }
    }
    Ok(errors)
}

async fn probe(config: &Config, time: Duration) -> Result<(), Failure> {
    let probes = config.cameras.iter().map(|camera| {
        let (main, analysis) = (camera.clone(), camera.analysis());
        tokio::spawn(async move {
            // At a time, as the relay pulls them: a camera has few sessions.
            let door = Arc::default();
            let second = async {
                match &analysis {
                    Some(analysis) => Some(Probe::new(analysis, time).beside(&door).run().await),
                    None => None,
                }
            };
            let first = Probe::new(&main, time).beside(&door);
            tokio::join!(Box::pin(first.run()), Box::pin(second))
        })
    });
    let mut probed = Probed {
        rows: vec![Report::HEADING.map(str::to_owned).to_vec()],
        ..Probed::default()
    };
    for (camera, probe) in config.cameras.iter().zip(probes.collect::<Vec<_>>()) {
        let (main, analysis) = probe
            .await
            .map_err(|error| Failure::caused(exit::SOFTWARE, error))?;
        if let Some(report) = probed.take(camera.name.as_str(), &main) {
            probed.findings.extend(report.findings(&camera.name));
            probed.remarks.extend(report.remarks(&camera.name));
        }
        if let Some(analysis) = analysis {
            let name = format!("{} (analysis)", camera.name);
            if let Some(report) = probed.take(&name, &analysis) {
                let main = main.as_ref().ok();
                probed.findings.push(report.cost_of_analysis(&name, main));
                probed
                    .remarks
                    .extend(report.remarks_of_analysis(&name, main));
            }
        }
    }
    let failed = probed.failed;
    say("");
    table(&probed.rows);
    for lines in [probed.findings, probed.remarks]
        .iter()
        .filter(|lines| !lines.is_empty())
    {
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

/// What the probes have found so far.
#[derive(Debug, Default)]
struct Probed {
    rows: Vec<Vec<String>>,
    findings: Vec<String>,
    remarks: Vec<String>,
    failed: usize,
}

impl Probed {
    /// Notes a stream's row, or why there is none.
    fn take<'a>(
        &mut self,
        name: &str,
        probe: &'a Result<Report, SessionError>,
    ) -> Option<&'a Report> {
        match probe {
            Ok(report) => {
                self.rows.push(report.row(name));
                Some(report)
            }
            Err(error) => {
                self.failed += 1;
                let cause = error.cause.as_str().to_owned();
                self.rows.push(vec![name.to_owned(), cause]);
                let advice = error.cause.advice();
                self.remarks.push(format!("{name}: {error}: {advice}"));
                None
            }
        }
    }
}
