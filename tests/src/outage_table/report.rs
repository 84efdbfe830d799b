//! The table, the same as JSON, and what must hold.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::{Value, json};

use super::figures::{Cost, Figures, Key, percentile};
use super::{CAMERAS, FPS, Plan};

/// What must hold of the relay; seconds unless it says otherwise.
#[derive(Debug, Clone, Copy)]
pub struct Bars {
    /// p95 from the end of an outage to new media.
    pub resumed_p95: f64,
    /// An outage of this length or less loses nothing, whatever the camera.
    pub lossless: f64,
    /// The same for the camera with the large buffer.
    pub lossless_large: f64,
    /// Wrongness of the capture time, 99 % of the pictures.
    pub error_p99: f64,
    /// Of all pictures.
    pub error_max: f64,
    /// Pictures of a camera lost without an outage, in all runs together.
    pub lost_in_between: f64,
}

impl Default for Bars {
    fn default() -> Self {
        Self {
            resumed_p95: 1.5,
            lossless: 0.5,
            lossless_large: 10.0,
            error_p99: 0.020,
            error_max: 0.100,
            lost_in_between: 0.0,
        }
    }
}

impl Bars {
    /// For cameras that stand neither a second session nor a receiver report: the relay must still
    /// come back. In each run the first report costs a session, once: up to 3 s.
    #[must_use]
    pub fn intolerant(runs: usize) -> Self {
        Self {
            resumed_p95: 15.0,
            lossless_large: 0.5,
            lost_in_between: 3.0 * FPS * runs as f64,
            ..Self::default()
        }
    }
}

type Column = (&'static str, fn(&Cost) -> Option<f64>);

const COLUMNS: [Column; 3] = [
    ("lost", |cost| Some(cost.lost)),
    ("beyond", |cost| Some(cost.beyond)),
    ("resumed", |cost| cost.resumed),
];

const SHARES: [(&str, f64); 3] = [("p50", 0.5), ("p95", 0.95), ("max", 1.0)];

/// Each length once.
fn lengths(plan: &Plan) -> Vec<f64> {
    let mut lengths = plan.outages.clone();
    lengths.sort_by(f64::total_cmp);
    lengths.dedup();
    lengths
}

/// The figures of one kind of outage, by column.
fn row(figures: &Figures, outage: f64) -> Vec<(&'static str, Vec<f64>)> {
    let costs = || figures.costs.iter().filter(|cost| cost.outage == outage);
    COLUMNS
        .iter()
        .map(|(name, value)| (*name, costs().filter_map(value).collect()))
        .collect()
}

/// For people.
#[must_use]
pub fn table(plan: &Plan, all: &BTreeMap<Key, Figures>) -> String {
    let mut text = String::new();
    let link = &plan.link;
    // Writing to a string can't fail.
    writeln!(
        text,
        "{} runs, seed {}; {:.0} ms there and back, {} Mb/s; cameras of 4 Mb/s, GOP of {} pictures at \
         25/s\nseconds as p50 / p95 / max; \"beyond\": lost more than outage less camera's buffer; \
         \"resumed\": from link up to new media\n",
        plan.runs,
        plan.seed,
        2000.0 * link.delay.as_secs_f64(),
        link.rate_bits / 1_000_000,
        plan.gop,
    )
    .ok();
    if !plan.tolerant {
        text += "cameras with one session that a receiver report resets: no hedge, no kick\n\n";
    }
    writeln!(
        text,
        "{:>6}  {:<8} {:>7}  {:>20}  {:>20}  {:>20}",
        "outage", "recorder", "buffer", "lost", "beyond", "resumed"
    )
    .ok();
    for outage in lengths(plan) {
        for ((recorder, camera), figures) in all {
            let buffer = format!("{} kB", plan.holds_bytes(*camera) / 1000);
            write!(text, "{outage:>6}  {recorder:<8} {buffer:>7}").ok();
            for (_, values) in row(figures, outage) {
                let three = SHARES.map(|(_, share)| match percentile(&values, share) {
                    Some(value) => format!("{value:.2}"),
                    None => "-".to_owned(),
                });
                write!(text, "  {:>20}", three.join(" / ")).ok();
            }
            text.push('\n');
        }
    }
    text.push('\n');
    for ((recorder, camera), figures) in all {
        let kilobytes = plan.holds_bytes(*camera) / 1000;
        writeln!(
            text,
            "{recorder}, {kilobytes} kB: {} duplicates, {} reorderings, {} pictures lost without an outage",
            figures.duplicates, figures.reorderings, figures.lost_in_between
        )
        .ok();
        if let Some(errors) = errors(figures) {
            let [p50, p99, most] = errors.map(|error| error * 1000.0);
            writeln!(
                text,
                "  capture time wrong by {p50:.1} / {p99:.1} / {most:.1} ms (p50 / p99 / max of {} \
                 pictures, link's delay taken off)",
                figures.errors.len()
            )
            .ok();
        }
    }
    text
}

/// p50, p99 and the largest wrongness of the capture time.
fn errors(figures: &Figures) -> Option<[f64; 3]> {
    let absolute: Vec<f64> = figures.errors.iter().map(|error| error.abs()).collect();
    Some([
        percentile(&absolute, 0.5)?,
        percentile(&absolute, 0.99)?,
        percentile(&absolute, 1.0)?,
    ])
}

/// For machines.
#[must_use]
pub fn json(plan: &Plan, all: &BTreeMap<Key, Figures>) -> Value {
    let recorded: Vec<Value> = all
        .iter()
        .map(|((recorder, camera), figures)| {
            let rows: Vec<Value> = lengths(plan)
                .into_iter()
                .map(|outage| {
                    let mut told = json!({ "outage_seconds": outage });
                    for (name, values) in row(figures, outage) {
                        told[format!("{name}_seconds")] = json!(values);
                    }
                    told
                })
                .collect();
            let errors = errors(figures);
            json!({
                "recorder": recorder,
                "camera_buffer_bytes": plan.holds_bytes(*camera),
                "outages": rows,
                "duplicates": figures.duplicates,
                "reorderings": figures.reorderings,
                "lost_without_outage": figures.lost_in_between,
                "capture_time_error_seconds": errors.map(|[p50, p99, most]| {
                    json!({ "p50": p50, "p99": p99, "max": most })
                }),
            })
        })
        .collect();
    json!({
        "runs": plan.runs,
        "seed": plan.seed,
        "gop": plan.gop,
        "tolerant_cameras": plan.tolerant,
        "delay_seconds": plan.link.delay.as_secs_f64(),
        "rate_bits_per_second": plan.link.rate_bits,
        "recorded": recorded,
    })
}

/// What of it does not hold, a line each.
#[must_use]
pub fn failures(all: &BTreeMap<Key, Figures>, bars: &Bars) -> Vec<String> {
    let mut failures = Vec::new();
    for ((_, camera), figures) in all
        .iter()
        .filter(|((recorder, _), _)| *recorder == "forebay")
    {
        let name = CAMERAS[*camera];
        let mut demand = |what: &str, value: f64, most: f64| {
            if value.is_nan() || value > most {
                failures.push(format!(
                    "{name}: {what} is {value:.3}, allowed is {most:.3}"
                ));
            }
        };
        let resumed: Vec<f64> = figures
            .costs
            .iter()
            .map(|cost| cost.resumed.unwrap_or(f64::INFINITY))
            .collect();
        let p95 = percentile(&resumed, 0.95).unwrap_or(f64::INFINITY);
        demand(
            "p95 of the seconds from link up to new media",
            p95,
            bars.resumed_p95,
        );
        let lossless = match camera {
            0 => bars.lossless,
            _ => bars.lossless_large,
        };
        let lost = figures
            .costs
            .iter()
            .filter(|cost| cost.outage <= lossless)
            .map(|cost| cost.lost)
            .fold(0.0, f64::max);
        demand(&format!("lost by outages of up to {lossless} s"), lost, 0.0);
        demand(
            "lost without an outage",
            figures.lost_in_between as f64,
            bars.lost_in_between,
        );
        demand("duplicates", figures.duplicates as f64, 0.0);
        demand("reorderings", figures.reorderings as f64, 0.0);
        let [_, p99, most] = errors(figures).unwrap_or([f64::INFINITY; 3]);
        demand("p99 of the capture time's error", p99, bars.error_p99);
        demand("the largest error of a capture time", most, bars.error_max);
    }
    failures
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figures(lost: f64, resumed: Option<f64>, errors: &[f64]) -> Figures {
        Figures {
            costs: vec![Cost {
                outage: 0.5,
                lost,
                beyond: lost,
                resumed,
            }],
            errors: errors.to_vec(),
            ..Figures::default()
        }
    }

    #[test]
    fn each_bar_is_held_against() {
        let bars = Bars::default();
        let judge =
            |figures: Figures| failures(&BTreeMap::from([(("forebay", 0), figures)]), &bars);
        let good = figures(0.0, Some(0.4), &[0.001, -0.019]);
        assert_eq!(judge(good.clone()), [""; 0]);
        for (bad, word) in [
            (figures(0.04, Some(0.4), &[0.0]), "lost by outages"),
            (figures(0.0, Some(1.6), &[0.0]), "new media"),
            (figures(0.0, None, &[0.0]), "new media"),
            (figures(0.0, Some(0.4), &[0.0; 0]), "capture time"),
            (figures(0.0, Some(0.4), &[-0.021]), "p99"),
        ] {
            let told = judge(bad).join("\n");
            assert!(told.contains(word), "{word}: {told}");
        }
        let doubled = Figures {
            duplicates: 1,
            ..good.clone()
        };
        assert!(judge(doubled)[0].contains("duplicates"));
        // ffmpeg may do as it likes.
        let bad = figures(9.0, None, &[]);
        let all = BTreeMap::from([(("forebay", 0), good), (("ffmpeg", 0), bad)]);
        assert!(failures(&all, &bars).is_empty());
    }
}
