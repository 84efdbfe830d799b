//! `[ladder]`, and `[camera.ladder]`.

use std::time::Duration;

use super::fields::Fields;
use super::model::{Ladder, LadderRule, Period};
use super::quantity::ByteCount;
use super::wording::quoted;

const FOR_GOOD: &str = "for good";
/// A quarter of an hour: what is younger may still be on its way to the archive.
const DAYS_MIN: f64 = 0.01;
/// A hundred years.
const DAYS_MAX: f64 = 36_525.0;

/// Reads what holds for all cameras.
pub(super) fn read_ladder(mut fields: Fields<'_, '_>) -> Ladder {
    let (least, most) = sizes();
    let free_space = fields.optional_bytes("free_space", ByteCount::gib(50), least..=most);
    let rule = read_rule(&mut fields, &LadderRule::default());
    fields.finish(&[("days", "Did you mean footage_days?")]);
    Ladder { free_space, rule }
}

/// Reads what is different for a camera.
pub(super) fn read_camera_ladder(mut fields: Fields<'_, '_>, all: &LadderRule) -> LadderRule {
    let rule = read_rule(&mut fields, all);
    fields.finish(&[
        ("days", "Did you mean footage_days?"),
        (
            "free_space",
            "The file system belongs to all cameras: free_space stands below [ladder]. One camera's \
             share\nis its quota.",
        ),
    ]);
    rule
}

fn sizes() -> (ByteCount, ByteCount) {
    (ByteCount::mib(1), ByteCount::gib(1 << 20))
}

fn read_rule(fields: &mut Fields<'_, '_>, base: &LadderRule) -> LadderRule {
    let mut days = |key, least, example: &str| {
        let found = fields.days(key, least..=DAYS_MAX, FOR_GOOD, example)?;
        Some(found.map_or(Period::ForGood, Period::Of))
    };
    let footage = days("footage_days", DAYS_MIN, "30");
    let key_frames = days("key_frame_days", 0.0, "730");
    let stills = days("stills_days", DAYS_MIN, "\"for good\"");
    let findings = days("findings_days", DAYS_MIN, "\"for good\"");
    let most = days("most_days", DAYS_MIN, "30");
    let unit = "days";
    let least = fields.number("least_days", 0.0..=DAYS_MAX, unit, "7");
    let (size_min, size_max) = sizes();
    let quota = fields.optional_bytes("quota", ByteCount::gib(2048), size_min..=size_max);
    let rule = LadderRule {
        footage: footage.unwrap_or(base.footage),
        key_frames: key_frames.unwrap_or(base.key_frames),
        stills: stills.unwrap_or(base.stills),
        findings: findings.unwrap_or(base.findings),
        least: least.map_or(base.least, |days| Duration::from_secs_f64(days * 86_400.0)),
        most: match most {
            None => base.most,
            Some(Period::ForGood) => None,
            Some(Period::Of(time)) => Some(time),
        },
        quota: quota.or(base.quota),
    };
    check_key_frames(fields, &rule);
    check_bounds(fields, &rule);
    rule
}

/// What comes from `[ladder]` and is longer than a camera's own bounds allow is no contradiction: the
/// bounds win.
fn check_key_frames(fields: &Fields<'_, '_>, rule: &LadderRule) {
    let key = "key_frame_days";
    if !fields.has(key) {
        return;
    }
    let thinned = rule.key_frames != Period::Of(Duration::ZERO);
    match (rule.footage, rule.key_frames) {
        (Period::ForGood, _) if thinned => fields.wrong(
            key,
            "key_frame_days is given, but footage is kept whole for good",
            "Say when only its key frames are kept: footage_days = 30\nor remove key_frame_days.",
        ),
        (Period::Of(whole), Period::Of(thin)) if thinned && thin <= whole => fields.wrong(
            key,
            format!(
                "a key_frame_days of {} is not more than a footage_days of {}",
                in_days(thin),
                in_days(whole)
            ),
            "Both count from the capture: key frames are what is left between the two.",
        ),
        _ => {}
    }
}

fn check_bounds(fields: &Fields<'_, '_>, rule: &LadderRule) {
    if let Some(most) = rule.most
        && most < rule.least
    {
        let message = format!(
            "a most_days of {} is less than a least_days of {}",
            in_days(most),
            in_days(rule.least)
        );
        let advice = "Nothing can be kept at least that long and at most this long.";
        let key = if fields.has("most_days") {
            "most_days"
        } else {
            "least_days"
        };
        if fields.has(key) {
            fields.wrong(key, message, advice);
        }
    }
    for (key, period) in [
        ("footage_days", rule.footage),
        ("key_frame_days", rule.key_frames),
        ("stills_days", rule.stills),
        ("findings_days", rule.findings),
    ] {
        if !fields.has(key) {
            continue;
        }
        let told = match period {
            Period::ForGood => quoted(FOR_GOOD),
            Period::Of(time) => in_days(time),
        };
        let longer = |most: &Duration| match period {
            Period::ForGood => true,
            Period::Of(time) => time > *most,
        };
        if let Some(most) = rule.most.filter(longer) {
            fields.wrong(
                key,
                format!(
                    "a {key} of {told} is more than a most_days of {}",
                    in_days(most)
                ),
                "Nothing is kept longer than most_days unless it is pinned: give fewer days, or \
                 leave the line out.",
            );
        }
        if let Period::Of(time) = period
            && time < rule.least
            && !time.is_zero()
        {
            fields.wrong(
                key,
                format!(
                    "a {key} of {told} is less than a least_days of {}",
                    in_days(rule.least)
                ),
                "Nothing goes before least_days: give more days here, or fewer there.",
            );
        }
    }
}

/// Without a fraction that is none.
fn in_days(time: Duration) -> String {
    (time.as_secs_f64() / 86_400.0).to_string()
}
