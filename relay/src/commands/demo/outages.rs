//! `forebay demo --outages`: what happens to the simulated site while the relay records it.

use std::time::{Duration, Instant};

use forebay_site::{Site, Uplink};
use tokio::time::sleep_until;

use super::CAMERAS;
use crate::archive::ledger::Span;
use crate::commands::output::say;
use crate::supervise::{Running, RunningCamera};
use crate::units::CaptureTime;

/// After this the same happens again.
const ROUND: Duration = Duration::from_secs(60);
/// What is left after the last dropout: to drain the cameras' buffers and to see that all is well.
const QUIET: Duration = Duration::from_secs(6);
/// How long a camera is waited for before the lack of it is told.
const PATIENCE: Duration = Duration::from_secs(5);
/// What a camera has held back takes about so long, over a link without limits.
const DRAIN: Duration = Duration::from_millis(700);
const LOOK: Duration = Duration::from_millis(20);

/// Seconds from the begin of a round. The last dropout is longer than what a camera can hold back.
const DROPOUTS: [(u64, u64); 4] = [(6, 1), (11, 3), (18, 8), (38, 16)];
const RESTART: (u64, u64) = (29, 3);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum What {
    Dropout,
    /// Of the camera of this number.
    Restart(usize),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Step {
    at: Duration,
    length: Duration,
    what: What,
}

/// What happens when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Script(Vec<Step>);

impl Script {
    /// As much of it as is over in time; round after round, another camera restarts in each.
    pub(super) fn within(time: Duration) -> Result<Self, String> {
        let seconds = Duration::from_secs;
        let mut steps = Vec::new();
        for round in 0_u32.. {
            let begin = ROUND * round;
            if begin >= time {
                break;
            }
            let step = |(at, length): (u64, u64), what| Step {
                at: begin + seconds(at),
                length: seconds(length),
                what,
            };
            steps.extend(DROPOUTS.map(|dropout| step(dropout, What::Dropout)));
            let camera = (round as usize + 1) % CAMERAS.len();
            steps.push(step(RESTART, What::Restart(camera)));
        }
        steps.retain(|step| step.at + step.length + QUIET <= time);
        steps.sort_by_key(|step| step.at);
        if steps.is_empty() {
            let (at, length) = DROPOUTS[0];
            let least = seconds(at + length) + QUIET;
            return Err(format!(
                "--for {} s is over before the first dropout is: --outages needs {} s and more, and \
                 60 s to show all",
                time.as_secs(),
                least.as_secs()
            ));
        }
        Ok(Self(steps))
    }

    /// A line for what is to come.
    pub(super) fn summary(&self) -> String {
        let dropouts: Vec<_> = self.of(|what| what == What::Dropout).collect();
        let mut lengths: Vec<_> = dropouts.iter().map(|one| one.length.as_secs()).collect();
        lengths.sort_unstable();
        lengths.dedup();
        let lengths: Vec<_> = lengths.iter().map(u64::to_string).collect();
        let restarts = self.0.len() - dropouts.len();
        let mut line = match dropouts.len() {
            1 => format!("once, for {} s", lengths.join(", ")),
            count => format!("{count} times, for {} s", lengths.join(", ")),
        };
        line.insert_str(0, "Their uplink drops out ");
        line += match restarts {
            0 => "",
            1 => "; in between a camera restarts",
            _ => "; in between cameras restart",
        };
        line
    }

    fn of(&self, wanted: impl Fn(What) -> bool) -> impl Iterator<Item = &Step> {
        self.0.iter().filter(move |step| wanted(step.what))
    }

    /// When the uplink is down, for a relay that runs since `begin`.
    pub(super) fn dropouts(&self, begin: CaptureTime) -> Vec<Span> {
        let dropouts = self.of(|what| what == What::Dropout);
        dropouts.map(|step| step.span(begin)).collect()
    }

    /// When a camera restarts.
    pub(super) fn restarts(&self, camera: usize, begin: CaptureTime) -> Vec<Span> {
        let restarts = self.of(|what| what == What::Restart(camera));
        restarts.map(|step| step.span(begin)).collect()
    }

    /// Plays it on the site, with a line for whatever happens. Ends with the last step.
    pub(super) async fn play(&self, site: &Site, running: &Running, begin: Instant) {
        let tell = |text: &str| say(&format!("{:>7.1} s  {text}", begin.elapsed().as_secs_f64()));
        for step in &self.0 {
            sleep_until((begin + step.at).into()).await;
            let seconds = step.length.as_secs();
            match step.what {
                What::Dropout => {
                    let before = Watched::all(running);
                    site.uplink(Uplink::Down);
                    tell(&format!("The uplink drops out, for {seconds} s."));
                    sleep_until((begin + step.at + step.length).into()).await;
                    site.uplink(Uplink::Up);
                    tell("The uplink is back.");
                    tell(&recovery(running, before).await);
                }
                What::Restart(camera) => {
                    let name = CAMERAS.get(camera).copied().unwrap_or_default();
                    let Some(simulated) = site.camera(name) else {
                        continue;
                    };
                    let mut before = Watched::all(running);
                    before.retain(|watched| watched.camera.name.as_str() == name);
                    tell(&format!(
                        "{name} restarts: away for {seconds} s, and what it had not sent is gone."
                    ));
                    simulated.reboot(step.length).await;
                    tell(&format!("{name} is there again."));
                    tell(&recovery(running, before).await);
                }
            }
        }
    }
}

impl Step {
    fn span(&self, begin: CaptureTime) -> Span {
        let at = |time: Duration| {
            let nanos = i64::try_from(time.as_nanos()).unwrap_or(i64::MAX);
            CaptureTime::from_unix_nanos(begin.unix_nanos().saturating_add(nanos))
        };
        Span {
            begin: at(self.at),
            end: at(self.at + self.length),
        }
    }
}

/// A camera before something happened.
struct Watched {
    camera: RunningCamera,
    rescued_bytes: u64,
}

impl Watched {
    fn all(running: &Running) -> Vec<Self> {
        let watched = |camera: &RunningCamera| Self {
            camera: camera.clone(),
            rescued_bytes: running.telemetry.rescued_bytes(&camera.name),
        };
        running.cameras.iter().map(watched).collect()
    }
}

/// Waits for the cameras' next pictures, and tells how long they took and what they had held back.
async fn recovery(running: &Running, watched: Vec<Watched>) -> String {
    let begin = Instant::now();
    let pushed = |one: &Watched| one.camera.hold.units_pushed();
    let before: Vec<_> = watched.iter().map(pushed).collect();
    let waits = || {
        let pairs = watched.iter().zip(&before);
        pairs.filter(|(one, before)| pushed(one) <= **before)
    };
    while waits().next().is_some() && begin.elapsed() < PATIENCE {
        tokio::time::sleep(LOOK).await;
    }
    let tenths = (begin.elapsed().as_secs_f64() * 10.0).ceil() / 10.0;
    let silent: Vec<_> = waits()
        .map(|(one, _)| one.camera.name.to_string())
        .collect();
    if !silent.is_empty() {
        return format!("No picture yet from {}.", silent.join(", "));
    }
    tokio::time::sleep(DRAIN).await;
    let names: Vec<_> = watched
        .iter()
        .map(|one| one.camera.name.to_string())
        .collect();
    let who = match watched.len() {
        1 => names.join(""),
        _ => "All cameras".to_owned(),
    };
    let rescued = watched.iter().filter_map(|one| {
        let now = running.telemetry.rescued_bytes(&one.camera.name);
        let bytes = now.saturating_sub(one.rescued_bytes);
        (bytes > 0).then(|| format!("{} {} kB", one.camera.name, bytes.div_ceil(1000)))
    });
    let rescued: Vec<_> = rescued.collect();
    let rescued = match rescued.len() {
        0 => String::new(),
        _ => format!(" Rescued from their buffers: {}.", rescued.join(", ")),
    };
    format!("{who} flowed again within {tenths:.1} s.{rescued}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn within(seconds: u64) -> Result<Script, String> {
        Script::within(Duration::from_secs(seconds))
    }

    #[test]
    fn a_minute_has_all_and_less_has_less() {
        let begin = CaptureTime::from_unix_nanos(0);
        let minute = within(60).unwrap();
        assert_eq!(minute.dropouts(begin).len(), 4);
        assert_eq!(minute.restarts(1, begin).len(), 1);
        let down: i64 = minute.dropouts(begin).iter().map(|span| span.nanos()).sum();
        assert_eq!(down, 28_000_000_000);
        let short = within(13).unwrap();
        assert_eq!(short.dropouts(begin).len(), 1);
        assert!(within(12).unwrap_err().contains("13 s and more"));
    }

    #[test]
    fn nothing_happens_at_a_time_with_something_else() {
        let long = within(600).unwrap();
        let apart =
            |pair: &[Step]| pair[0].at + pair[0].length + Duration::from_secs(2) <= pair[1].at;
        assert!(long.0.windows(2).all(apart));
        let begin = CaptureTime::from_unix_nanos(0);
        let restarts: Vec<_> = (0..3).map(|one| long.restarts(one, begin).len()).collect();
        assert_eq!(restarts, [3, 4, 3]);
    }
}
