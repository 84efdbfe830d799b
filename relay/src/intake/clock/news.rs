//! When the state of the clocks is worth a line of the journal (pure).

use std::time::{Duration, Instant};

use crate::archive::ledger::ClockState;

/// What stays as it is is told again after this.
const AGAIN: Duration = Duration::from_secs(600);
/// An uncertainty has changed where it is beyond this of what was told, in eighths.
const UNCERTAINTY_EIGHTHS: u64 = 12;
/// The camera's clock has moved by this.
const OFFSET_NANOS: i64 = 20_000_000;

/// Remembers what was told.
#[derive(Debug, Default)]
pub(in crate::intake) struct ClockNews(Option<(Instant, ClockState)>);

impl ClockNews {
    /// Whether a state is news; if so, it is taken to be told.
    pub(in crate::intake) fn is_news(&mut self, now: Instant, state: ClockState) -> bool {
        let news = self.0.is_none_or(|(at, told)| {
            // A silent camera has no news.
            let again = now.saturating_duration_since(at) >= AGAIN && state.at > told.at;
            again || differs(told, state)
        });
        if news {
            self.0 = Some((now, state));
        }
        news
    }
}

fn differs(told: ClockState, state: ClockState) -> bool {
    let (less, more) = (
        told.uncertainty_nanos.min(state.uncertainty_nanos),
        told.uncertainty_nanos.max(state.uncertainty_nanos),
    );
    let clock = match (told.camera, state.camera) {
        (Some(told), Some(now)) => {
            let moved = told.offset_nanos.saturating_sub(now.offset_nanos);
            moved.saturating_abs() > OFFSET_NANOS
                || (told.plausible, told.steps) != (now.plausible, now.steps)
                || told.drift_ppm.is_some() != now.drift_ppm.is_some()
        }
        (None, None) => false,
        _ => true,
    };
    clock || more > less.saturating_mul(UNCERTAINTY_EIGHTHS) / 8
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::clock::CameraClock;
    use crate::units::CaptureTime;

    #[test]
    fn what_changes_is_news_and_what_stays_is_told_seldom() {
        let begin = Instant::now();
        let mut news = ClockNews::default();
        let mut told = |seconds: u64, uncertainty_ms: u64, camera_ms: Option<i64>| {
            let camera = camera_ms.map(|ms| CameraClock {
                offset_nanos: ms * 1_000_000,
                drift_ppm: None,
                plausible: true,
                steps: 0,
            });
            let state = ClockState {
                at: CaptureTime::from_unix_nanos(seconds as i64),
                uncertainty_nanos: uncertainty_ms * 1_000_000,
                camera,
            };
            news.is_news(begin + Duration::from_secs(seconds), state)
        };
        assert!(told(0, 2000, None));
        assert!(!told(1, 1500, None));
        assert!(told(2, 1000, None));
        assert!(told(3, 1000, Some(-3000)));
        assert!(!told(4, 1100, Some(-3019)));
        assert!(told(5, 1100, Some(-3021)));
        assert!(!told(600, 1100, Some(-3021)));
        assert!(told(605, 1100, Some(-3021)));
        assert!(told(606, 1700, Some(-3021)));
        assert!(told(607, 1700, None));
    }

    #[test]
    fn a_silent_camera_has_no_news() {
        let begin = Instant::now();
        let state = ClockState {
            at: CaptureTime::from_unix_nanos(1),
            uncertainty_nanos: 50_000_000,
            camera: None,
        };
        let mut news = ClockNews::default();
        assert!(news.is_news(begin, state));
        assert!(!news.is_news(begin + 2 * AGAIN, state));
    }
}
