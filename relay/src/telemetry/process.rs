//! The process as the operating system sees it, under the names that all exporters use.

use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, EncodeMetric as _};
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::gauge::ConstGauge;

#[derive(Debug)]
pub(super) struct ProcessCollector {
    started: f64,
}

impl ProcessCollector {
    pub(super) fn new() -> Self {
        Self {
            started: crate::units::CaptureTime::now().unix_seconds(),
        }
    }
}

impl Collector for ProcessCollector {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> Result<(), std::fmt::Error> {
        let mut gauge = |name: &str, help: &str, value: f64| {
            let metric = ConstGauge::new(value);
            let descriptor = encoder.encode_descriptor(name, help, None, metric.metric_type())?;
            metric.encode(descriptor)
        };
        gauge(
            "process_start_time_seconds",
            "When the relay started",
            self.started,
        )?;
        // Where /proc can't be read there is nothing to say.
        if let Some(bytes) = resident_bytes() {
            gauge("process_resident_memory_bytes", "Resident memory", bytes)?;
        }
        if let Some(files) = open_files() {
            gauge("process_open_fds", "Open files and sockets", files)?;
        }
        if let Ok(runtime) = tokio::runtime::Handle::try_current() {
            let tasks = runtime.metrics().num_alive_tasks() as f64;
            gauge(
                "forebay_tasks",
                "Tasks of the relay, those of intake apart: some for each sink, stream and connection",
                tasks,
            )?;
        }
        if let Some(seconds) = cpu_seconds() {
            let metric = ConstCounter::new(seconds);
            let descriptor = encoder.encode_descriptor(
                "process_cpu_seconds",
                "Processor time, user and system",
                None,
                metric.metric_type(),
            )?;
            metric.encode(descriptor)?;
        }
        Ok(())
    }
}

/// Field 2 of /proc/self/statm (proc(5)) in pages.
fn resident_bytes() -> Option<f64> {
    let statm = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: f64 = statm.split_ascii_whitespace().nth(1)?.parse().ok()?;
    Some(pages * rustix::param::page_size() as f64)
}

/// Entries of /proc/self/fd (proc(5)), but for the one that is open to read it.
fn open_files() -> Option<f64> {
    let entries = std::fs::read_dir("/proc/self/fd").ok()?;
    Some(entries.count().saturating_sub(1) as f64)
}

fn cpu_seconds() -> Option<f64> {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Some(time.tv_sec as f64 + time.tv_nsec as f64 / 1e9)
}
