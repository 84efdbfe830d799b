//! What outages cost, as a table: see `tests/bench/outages`, which builds and starts this.
//!
//!     outage_table [--runs 10] [--outages 0.5,2,5,10,20,30,60] [--gop 25] [--learn 120]
//!                  [--send-buffers 512,4000] [--holds 1080,8056] [--rest 15] [--rtt-ms 60]
//!                  [--rate 20] [--seed 1] [--ffmpeg yes|no]
//!                  [--tolerant yes|no] [--json FILE] [--keep FOLDER] [--check yes|no] [--resumed-p95 1.5]
//!                  [--lossless 0.5] [--lossless-large 10] [--error-p99-ms 20] [--error-max-ms 100]
//!
//! Seconds, Mb/s, kB. With `--tolerant no` the cameras have one session each and reset it on a
//! receiver report: the price of an outage where neither hedge nor kick is possible. Its bars are
//! others; give `--runs` before it, and bars of your own behind it. With `--check yes` it ends with
//! status 1 if the relay misses a bar. The relay is `FOREBAY_BIN`, or built from this repository.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program for the terminal"
)]

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::str::FromStr;
use std::thread;
use std::time::Duration;

use forebay_tests::outage_table::figures::sum_up;
use forebay_tests::outage_table::report::{Bars, failures, json, table};
use forebay_tests::outage_table::{DEFAULT_SEND_BUFFERS, Plan, lane};
use forebay_tests::{Relay, bed};

struct Wanted {
    plan: Plan,
    bars: Bars,
    check: bool,
    json: Option<PathBuf>,
    keep: Option<PathBuf>,
}

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let wanted = read_arguments(std::env::args().skip(1))?;
    bed::available().map_err(|reason| format!("no test bed here: {reason}"))?;
    if wanted.plan.ffmpeg && !lane::has_ffmpeg() {
        return Err("ffmpeg isn't installed: --ffmpeg no goes without".into());
    }
    // Built before the clock runs.
    println!("relay: {}", Relay::program().display());
    let server = std::env::current_exe()?.with_file_name("site_server");
    if !server.is_file() {
        return Err(format!("{} is missing: build it first", server.display()).into());
    }
    if let Some(folder) = &wanted.keep
        && fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some())
    {
        // What lies there would be counted.
        return Err(format!("--keep {}: want an empty folder", folder.display()).into());
    }
    let scratch = std::env::temp_dir().join(format!("forebay-outages-{}", std::process::id()));
    let folder = wanted.keep.clone().unwrap_or(scratch);
    let done = measure(&wanted, &folder, &server);
    if wanted.keep.is_none() {
        fs::remove_dir_all(&folder).ok();
    }
    done
}

fn measure(wanted: &Wanted, folder: &Path, server: &Path) -> Result<ExitCode, Box<dyn Error>> {
    let plan = &wanted.plan;
    let runs = thread::scope(|scope| {
        let lanes: Vec<_> = (0..plan.runs)
            .map(|index| scope.spawn(move || lane::run(plan, index, folder, server)))
            .collect();
        // All of them: one that is left unjoined would panic here.
        let join = thread::ScopedJoinHandle::join;
        lanes.into_iter().map(join).collect::<Vec<_>>()
    });
    let runs: Result<Vec<_>, _> = runs.into_iter().collect();
    let runs = runs.map_err(|_| "a run failed; what happened is told above")?;
    let all = sum_up(plan, &runs);
    print!("{}", table(plan, &all));
    if let Some(file) = &wanted.json {
        fs::write(
            file,
            serde_json::to_string_pretty(&json(plan, &all))? + "\n",
        )?;
    }
    let failures = failures(&all, &wanted.bars);
    for failure in &failures {
        println!("misses a bar: {failure}");
    }
    Ok(match wanted.check && !failures.is_empty() {
        true => ExitCode::FAILURE,
        false => ExitCode::SUCCESS,
    })
}

fn read_arguments(mut arguments: impl Iterator<Item = String>) -> Result<Wanted, Box<dyn Error>> {
    let mut wanted = Wanted {
        plan: Plan {
            outages: vec![0.5, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0],
            runs: 10,
            send_buffers: DEFAULT_SEND_BUFFERS,
            holds: None,
            gop: 25,
            learn: Duration::from_secs(120),
            rest: Duration::from_secs(15),
            seed: 1,
            link: bed::LinkSpec::default(),
            ffmpeg: true,
            tolerant: true,
        },
        bars: Bars::default(),
        check: false,
        json: None,
        keep: None,
    };
    while let Some(name) = arguments.next() {
        let value = arguments
            .next()
            .ok_or_else(|| format!("{name} needs a value"))?;
        let (plan, bars) = (&mut wanted.plan, &mut wanted.bars);
        let seconds = || -> Result<f64, String> {
            let seconds: f64 = parse(&name, &value)?;
            match (0.0..=3600.0).contains(&seconds) {
                true => Ok(seconds),
                false => Err(format!("{name} {value}: want 0 to 3600")),
            }
        };
        match name.as_str() {
            "--runs" => plan.runs = parse(&name, &value)?,
            "--gop" => plan.gop = parse(&name, &value)?,
            "--seed" => plan.seed = parse(&name, &value)?,
            "--learn" => plan.learn = Duration::from_secs_f64(seconds()?),
            "--rest" => plan.rest = Duration::from_secs_f64(seconds()?),
            "--rtt-ms" => plan.link.delay = Duration::from_secs_f64(seconds()? / 2000.0),
            "--rate" => plan.link.rate_bits = 1_000_000 * parse::<u64>(&name, &value)?,
            "--outages" => {
                let each = value.split(',').map(|length| parse(&name, length));
                plan.outages = each.collect::<Result<_, _>>()?;
                if !plan
                    .outages
                    .iter()
                    .all(|length| (0.0..=3600.0).contains(length))
                {
                    return Err(format!("{name} {value}: want 0 to 3600 each").into());
                }
            }
            "--send-buffers" => plan.send_buffers = pair(&name, &value)?,
            "--holds" => plan.holds = Some(pair(&name, &value)?),
            "--ffmpeg" => plan.ffmpeg = yes(&name, &value)?,
            "--tolerant" => {
                plan.tolerant = yes(&name, &value)?;
                if !plan.tolerant {
                    *bars = Bars::intolerant(plan.runs);
                }
            }
            "--check" => wanted.check = yes(&name, &value)?,
            "--json" => wanted.json = Some(value.into()),
            "--keep" => wanted.keep = Some(value.into()),
            "--resumed-p95" => bars.resumed_p95 = seconds()?,
            "--lossless" => bars.lossless = seconds()?,
            "--lossless-large" => bars.lossless_large = seconds()?,
            "--error-p99-ms" => bars.error_p99 = seconds()? / 1000.0,
            "--error-max-ms" => bars.error_max = seconds()? / 1000.0,
            _ => return Err(format!("no option {name}").into()),
        }
    }
    Ok(wanted)
}

/// Two numbers of kilobytes, in bytes.
fn pair(name: &str, value: &str) -> Result<[u32; 2], Box<dyn Error>> {
    let (small, large) = value
        .split_once(',')
        .ok_or_else(|| format!("{name} {value}: want 512,4000"))?;
    Ok([
        1000 * parse::<u32>(name, small)?,
        1000 * parse::<u32>(name, large)?,
    ])
}

fn parse<T: FromStr<Err: std::fmt::Display>>(name: &str, value: &str) -> Result<T, String> {
    let parsed = value.trim().parse();
    parsed.map_err(|error| format!("{name} {value}: {error}"))
}

fn yes(name: &str, value: &str) -> Result<bool, String> {
    match value {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err(format!("{name} {value}: want yes or no")),
    }
}
