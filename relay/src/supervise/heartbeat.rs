//! Sends a sign of life as long as all is well: the threads run, and no camera has been missing for
//! long, be it by the camera, the uplink, a plugin or the disk.

use std::sync::Arc;
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::time::MissedTickBehavior;

use crate::config::Heartbeat;
use crate::outlet::Heart;
use crate::telemetry::{HeartbeatEvents, Telemetry};
use crate::units::{CameraName, CaptureTime};

/// A thread that takes longer for a task that does nothing is stuck.
const THREAD_MAX: Duration = Duration::from_secs(10);
/// The ledger looks once a second. When it has not for so long, a disk hangs, and what it told last of
/// gaps is no longer true.
const LEDGER_MAX: Duration = Duration::from_secs(60);

pub(super) async fn beat(
    heartbeat: Heartbeat,
    cameras: Vec<CameraName>,
    intake: Handle,
    telemetry: Arc<Telemetry>,
) {
    let events = HeartbeatEvents::new(&telemetry);
    let mut heart = None;
    let mut tick = tokio::time::interval(heartbeat.every);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let most = heartbeat.gap.as_secs_f64();
        if let Some(trouble) = gap(&telemetry, &cameras, CaptureTime::now(), most) {
            events.withheld(&trouble);
            continue;
        }
        if telemetry
            .accounted_before()
            .is_some_and(|age| age > LEDGER_MAX)
        {
            events.withheld("the ledger stands still: the disk of the spool hangs, it seems");
            continue;
        }
        if !matches!(
            tokio::time::timeout(THREAD_MAX, intake.spawn(async {})).await,
            Ok(Ok(()))
        ) {
            events.withheld("the thread that reads the cameras is stuck");
            continue;
        }
        // Read anew each time: it can be changed without a restart.
        let url = match heartbeat.read_url() {
            Ok(url) => url,
            Err(error) => {
                events.failed(&error);
                continue;
            }
        };
        let beating = match &heart {
            Some(heart) => heart,
            None => match Heart::new() {
                Ok(made) => &*heart.insert(made),
                Err(error) => {
                    events.failed(&error);
                    continue;
                }
            },
        };
        match beating.beat(&url).await {
            Ok(()) => events.accepted(),
            Err(error) => events.failed(&error),
        }
    }
}

/// A camera whose gap has lasted for longer than `most` seconds, in words.
fn gap(
    telemetry: &Telemetry,
    cameras: &[CameraName],
    now: CaptureTime,
    most: f64,
) -> Option<String> {
    cameras.iter().find_map(|camera| {
        let lasts = now.unix_seconds() - telemetry.gap_begin_seconds(camera)?;
        (lasts > most).then(|| format!("nothing of {camera} is recorded for {lasts:.0} s"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::ledger::GapCause;
    use crate::telemetry::LedgerEvents;
    use crate::units::Name;

    #[test]
    fn a_gap_counts_once_it_has_lasted() {
        let telemetry = Arc::new(Telemetry::new());
        let camera = Name::new("slipway").unwrap();
        let ledger = LedgerEvents::new(&telemetry);
        ledger.camera(&camera);
        let at = |seconds: i64| CaptureTime::from_unix_nanos(seconds * 1_000_000_000);
        let look = |now| gap(&telemetry, std::slice::from_ref(&camera), at(now), 900.0);
        assert_eq!(look(5000), None);
        ledger.gap(&camera, Some((at(4000), GapCause::Uplink)));
        assert_eq!(look(4900), None);
        let said = look(4901).unwrap();
        assert!(said.contains("slipway") && said.contains("901 s"), "{said}");
        ledger.gap(&camera, None);
        assert_eq!(look(9000), None);
    }
}
