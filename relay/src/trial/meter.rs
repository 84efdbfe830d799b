//! What calls cost. These figures differ from run to run.

use std::collections::BTreeMap;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::time::Duration;

use rustix::time::{ClockId, clock_gettime};

use crate::sinks::Compiled;

/// What calls of one kind have cost.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct CallFigures {
    /// How many there were.
    pub calls: u64,
    /// Processor time of all of them, what the relay does around the guest's work included:
    /// pictures are copied in, findings out.
    pub cpu: Duration,
    /// Of the most expensive one.
    pub cpu_max: Duration,
}

impl CallFigures {
    /// Of one call.
    #[must_use]
    pub fn mean(&self) -> Duration {
        u32::try_from(self.calls)
            .ok()
            .and_then(|calls| self.cpu.checked_div(calls))
            .unwrap_or_default()
    }

    fn add(&mut self, cpu: Duration) {
        self.calls += 1;
        self.cpu += cpu;
        self.cpu_max = self.cpu_max.max(cpu);
    }
}

/// What a trial has cost.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Figures {
    /// By the name of the call.
    pub calls: BTreeMap<&'static str, CallFigures>,
    /// Reading, decoding and scaling, by the clock on the wall.
    pub decoding: Duration,
    /// The whole trial by the clock on the wall.
    pub wall: Duration,
    /// The plugin and, where pictures were decoded, the decoder.
    pub compiled: Compiled,
}

impl Figures {
    /// Awaits a call and adds what it costs.
    pub(super) async fn call<T>(&mut self, name: &'static str, call: impl Future<Output = T>) -> T {
        let mut call = pin!(call);
        let mut cpu = Duration::ZERO;
        let result = poll_fn(|context| {
            // Within one poll the thread stays the same.
            let before = thread_cpu();
            let polled = call.as_mut().poll(context);
            cpu += thread_cpu().saturating_sub(before);
            polled
        })
        .await;
        self.calls.entry(name).or_default().add(cpu);
        result
    }
}

/// Processor time that this thread has used.
fn thread_cpu() -> Duration {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    Duration::new(
        u64::try_from(time.tv_sec).unwrap_or(0),
        u32::try_from(time.tv_nsec).unwrap_or(0),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn waiting_costs_nothing_and_work_does() {
        let mut figures = Figures::default();
        figures
            .call("tick", tokio::time::sleep(Duration::from_millis(50)))
            .await;
        figures
            .call("analyze", async {
                let before = thread_cpu();
                while thread_cpu() - before < Duration::from_millis(20) {}
            })
            .await;
        let cpu = |name| figures.calls[name].cpu;
        assert!(cpu("tick") < Duration::from_millis(20), "{figures:?}");
        assert!(cpu("analyze") >= Duration::from_millis(20), "{figures:?}");
        assert_eq!(figures.calls["analyze"].mean(), cpu("analyze"));
        assert_eq!(CallFigures::default().mean(), Duration::ZERO);
    }
}
