//! Writes `deploy/prometheus/METRICS.md` from what the registry says of itself, and fails where that
//! file says something else.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::io::ErrorKind;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use prometheus_client::encoding::{EncodeLabelSet, EncodeMetric};
use prometheus_client::metrics::TypedMetric;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::{Family, MetricConstructor};

use super::metrics::*;
use super::*;
use crate::archive::ladder::{Act, Form, Reason};
use crate::archive::place::Operation;
use crate::config::{Limits, Pictures};
use crate::pictures::Source;
use crate::units::Name;

/// `FOREBAY_BLESS=1 cargo test -p forebay reference` writes it anew; read what changed.
const FILE: &str = "../deploy/prometheus/METRICS.md";
/// Stands for what the configuration or a plugin names.
const FREE: &str = "any";

const HEAD: &str = "\
# Metrics

What `/metrics` has, one row each, by name. A test writes this page from the program
(`FOREBAY_BLESS=1 cargo test -p forebay reference`), so it is complete. Values that a label has from the
start stand behind it; `camera`, `site` and `sink` are names of your configuration, `name` and
`kind` those of plugins, bounded in number by `[sink.limits]`.

A camera with an `analysis_url` has the rows `forebay_camera_…`, `forebay_hold_…` and `forebay_splice_…` a second
time, for that stream, as `forebay_analysis_camera_…` and so on. Metrics of ladder, heartbeat and lease are
there only where these are asked for.

| metric | type | labels | |
|---|---|---|---|
";

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// A label set with names that stand for all.
pub(super) trait Sample {
    fn sample() -> Self;
}

macro_rules! samples {
    ($($set:ident { $($field:ident: $value:expr),* })*) => {
        $(impl Sample for $set {
            fn sample() -> Self {
                Self { $($field: $value),* }
            }
        })*
    };
}

samples! {
    OfNothing {}
    OfBeat { outcome: FREE }
    OfPost { camera: name(FREE), site: name(FREE) }
    OfCamera { camera: name(FREE) }
    OfSite { site: name(FREE) }
    OfOutcome { camera: name(FREE), outcome: FREE }
    OfTrack { camera: name(FREE), kind: FREE }
    OfCause { camera: name(FREE), cause: FREE }
    OfFault { fault: FREE }
    OfPhase { camera: name(FREE), phase: FREE }
    OfStream { camera: name(FREE), stream: FREE }
    OfPictureDrop { camera: name(FREE), stream: FREE, reason: FREE }
    OfPictureFault { camera: name(FREE), stream: FREE, fault: FREE }
    OfLimit { limit: FREE }
    OfSink { camera: name(FREE), sink: name(FREE) }
    OfSinkReason { camera: name(FREE), sink: name(FREE), reason: FREE }
    OfSinkLimit { camera: name(FREE), sink: name(FREE), limit: FREE }
    OfSinkName { camera: name(FREE), sink: name(FREE), name: FREE.to_owned() }
    OfSinkKind { camera: name(FREE), sink: name(FREE), kind: FREE.to_owned() }
    OfPlace { place: FREE }
    OfForm { camera: name(FREE), form: FREE }
    OfRetirement { camera: name(FREE), form: FREE, fate: FREE, reason: FREE }
    OfTask { task: FREE }
    OfReload { outcome: FREE }
    OfCameraReason { camera: name(FREE), reason: FREE }
    OfViewer { camera: name(FREE), kind: FREE }
    OfRequest { route: FREE, class: FREE }
    OfReason { reason: FREE }
    OfStoreRequest { operation: FREE, outcome: FREE }
}

/// Makes sure that something is shown.
pub(super) trait Touch {
    fn touch(&self);
}

impl<L, M, C> Touch for Family<L, M, C>
where
    L: Sample + EncodeLabelSet + Clone + Eq + std::hash::Hash,
    M: EncodeMetric + TypedMetric,
    C: MetricConstructor<M>,
{
    fn touch(&self) {
        if EncodeMetric::is_empty(self) {
            drop(self.get_or_create(&L::sample()));
        }
    }
}

impl<N, A> Touch for Counter<N, A> {
    fn touch(&self) {}
}

impl<N, A> Touch for prometheus_client::metrics::gauge::Gauge<N, A> {
    fn touch(&self) {}
}

/// A page of a relay to which everything has happened whose labels are a closed list.
fn page() -> String {
    let telemetry = Arc::new(Telemetry::new());
    let (camera, site, sink) = (name(FREE), name(FREE), name(FREE));
    let line = CameraEvents::new(&telemetry, (&camera, &site), Source::Main, (1, 1));
    line.stream_fault(true, "");
    line.stream_fault(false, "");
    SinkEvents::new(&telemetry, &camera, &sink, &Limits::default()).analyzes();
    for source in [Source::Main, Source::Analysis] {
        drop(PictureEvents::new(
            &telemetry,
            &camera,
            source,
            &Pictures::default(),
        ));
    }
    LedgerEvents::new(&telemetry).camera(&camera);
    FindingsEvents::new(&telemetry).sink(&camera, &sink);
    drop(ScrubEvents::new(&telemetry));
    drop(SupervisorEvents::new(&telemetry));
    drop(HeartbeatEvents::new(&telemetry));
    let ladder = LadderEvents::new(&telemetry);
    for form in Form::ALL {
        ladder.holds(&camera, form, 0);
        for act in [Act::Thin, Act::Remove] {
            for reason in Reason::ALL {
                ladder.retired(&camera, form, (act, reason), 0, 0, "");
            }
        }
    }
    OutletEvents::new(&telemetry, 1, 1).camera(&camera);
    let archive = ArchiveEvents::new(&telemetry);
    archive.camera(&camera);
    for place in 0..events::PLACES.len() {
        archive.space(place, 0, 0);
    }
    let store = StoreEvents::new(&telemetry);
    let outcomes = [
        ErrorKind::NotFound,
        ErrorKind::AlreadyExists,
        ErrorKind::ConnectionRefused,
        ErrorKind::ResourceBusy,
        ErrorKind::TimedOut,
        ErrorKind::NotConnected,
        ErrorKind::InvalidData,
        ErrorKind::Other,
    ];
    for operation in Operation::ALL {
        for outcome in outcomes.map(Err).into_iter().chain([Ok(())]) {
            store.asked(operation, outcome, Duration::ZERO);
        }
    }
    telemetry.touch();
    telemetry.render().unwrap()
}

#[derive(Default)]
struct Row {
    help: String,
    kind: String,
    labels: BTreeMap<String, BTreeSet<String>>,
}

fn rows(page: &str) -> BTreeMap<String, Row> {
    let mut rows: BTreeMap<String, Row> = BTreeMap::new();
    for line in page.lines() {
        if let Some((name, help)) = line.strip_prefix("# HELP ").and_then(|l| l.split_once(' ')) {
            rows.entry(name.to_owned()).or_default().help = help.trim_end_matches('.').to_owned();
        } else if let Some((name, kind)) =
            line.strip_prefix("# TYPE ").and_then(|l| l.split_once(' '))
        {
            rows.entry(name.to_owned()).or_default().kind = kind.to_owned();
        } else if !line.starts_with('#') {
            let (series, _) = line.rsplit_once(' ').unwrap();
            let (sample, labels) = series.split_once('{').unwrap_or((series, ""));
            let family = ["_total", "_bucket", "_sum", "_count"]
                .iter()
                .find_map(|suffix| sample.strip_suffix(suffix))
                .filter(|family| rows.contains_key(*family))
                .unwrap_or(sample);
            let row = rows
                .get_mut(family)
                .unwrap_or_else(|| panic!("{line}: no family"));
            for pair in labels
                .trim_end_matches('}')
                .split(',')
                .filter(|p| !p.is_empty())
            {
                let (label, value) = pair.split_once('=').unwrap();
                if label == "le" {
                    continue;
                }
                let values = row.labels.entry(label.to_owned()).or_default();
                values.insert(value.trim_matches('"').to_owned());
            }
        }
    }
    rows
}

fn reference() -> String {
    let mut text = HEAD.to_owned();
    for (name, row) in rows(&page()) {
        let suffix = match row.kind.as_str() {
            "counter" => "_total",
            _ => "",
        };
        let label = |(label, values): (&String, &BTreeSet<String>)| {
            let closed = !values.contains(FREE) && name != "forebay_build_info";
            let values: Vec<_> = values.iter().map(|value| format!("`{value}`")).collect();
            match closed {
                true => format!("`{label}`: {}", values.join(", ")),
                false => format!("`{label}`"),
            }
        };
        let labels: Vec<_> = row.labels.iter().map(label).collect();
        writeln!(
            text,
            "| `{name}{suffix}` | {} | {} | {} |",
            row.kind,
            labels.join("; "),
            row.help
        )
        .unwrap();
    }
    text
}

#[test]
fn the_reference_is_what_the_registry_says() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE);
    let told = reference();
    if std::env::var_os("FOREBAY_BLESS").is_some() {
        std::fs::write(&path, &told).unwrap();
    }
    let file = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        told == file,
        "FOREBAY_BLESS=1 writes {} anew:\n{told}",
        path.display()
    );
}

#[test]
fn each_row_says_something() {
    for (name, row) in rows(&page()) {
        assert!(!row.help.is_empty() && !row.kind.is_empty(), "{name}");
        assert!(
            name.starts_with("forebay_") || name.starts_with("process_"),
            "{name}"
        );
    }
}
