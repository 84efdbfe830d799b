//! A day of outages in compressed form: see `tests/bench/day`, which builds and starts this.
//!
//!     day [--outages 180] [--shorten 3] [--length 1200] [--seed 1] [--keep FOLDER]
//!         [--check yes|no] [--beyond-p95 2] [--beyond-share 0.1] [--growth-mb 6]
//!
//! Lengths are seconds. With `--check yes` it ends with status 1 if the relay misses a bar. The relay
//! is `FOREBAY_BIN`, or built from this repository.
#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program for the terminal"
)]

use std::error::Error;
use std::fs;
use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;
use std::time::Duration;

use forebay_tests::day::figures::{Bars, failures, sum_up, table};
use forebay_tests::day::{Plan, play};
use forebay_tests::{Relay, bed};

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let mut plan = Plan {
        seed: 1,
        outages: 180,
        shorten: 3.0,
        length: Duration::from_secs(1200),
    };
    let (mut bars, mut check, mut keep) = (Bars::default(), false, None);
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments
            .next()
            .ok_or_else(|| format!("{name} needs a value"))?;
        match name.as_str() {
            "--outages" => plan.outages = parse(&name, &value, 1, 180)?,
            "--shorten" => plan.shorten = parse(&name, &value, 1.0, 1000.0)?,
            "--length" => plan.length = Duration::from_secs(parse(&name, &value, 10, 86_400)?),
            "--seed" => plan.seed = parse(&name, &value, 0, u64::MAX)?,
            "--keep" => keep = Some(PathBuf::from(value)),
            "--beyond-p95" => bars.beyond_p95 = parse(&name, &value, 0.0, 3600.0)?,
            "--beyond-share" => bars.beyond_share = parse(&name, &value, 0.0, 1.0)?,
            "--growth-mb" => bars.growth = 1_000_000 * parse::<u64>(&name, &value, 0, 100_000)?,
            "--check" => {
                check = match value.as_str() {
                    "yes" => true,
                    "no" => false,
                    _ => return Err(format!("{name} {value}: want yes or no").into()),
                }
            }
            _ => return Err(format!("no option {name}").into()),
        }
    }
    bed::available().map_err(|reason| format!("no test bed here: {reason}"))?;
    // Built before the clock runs.
    println!("relay: {}", Relay::program().display());
    let server = std::env::current_exe()?.with_file_name("site_server");
    if !server.is_file() {
        return Err(format!("{} is missing: build it first", server.display()).into());
    }
    if let Some(folder) = &keep
        && fs::read_dir(folder).is_ok_and(|mut entries| entries.next().is_some())
    {
        // What lies there would be counted.
        return Err(format!("--keep {}: want an empty folder", folder.display()).into());
    }
    let scratch = std::env::temp_dir().join(format!("forebay-day-{}", std::process::id()));
    let folder = keep.clone().unwrap_or(scratch);
    let outcome = play::play(&plan, &folder, &server);
    if keep.is_none() {
        fs::remove_dir_all(&folder).ok();
    }
    let all = sum_up(&outcome);
    print!("{}", table(&plan, &outcome, &all));
    let failures = failures(&outcome, &all, &bars);
    for failure in &failures {
        println!("misses a bar: {failure}");
    }
    Ok(match check && !failures.is_empty() {
        true => ExitCode::FAILURE,
        false => ExitCode::SUCCESS,
    })
}

fn parse<T>(name: &str, value: &str, least: T, most: T) -> Result<T, String>
where
    T: FromStr<Err: std::fmt::Display> + PartialOrd + std::fmt::Display,
{
    let parsed: T = (value.trim().parse()).map_err(|error| format!("{name} {value}: {error}"))?;
    match (least..=most).contains(&parsed) {
        true => Ok(parsed),
        false => Err(format!("{name} {value}: out of range")),
    }
}
