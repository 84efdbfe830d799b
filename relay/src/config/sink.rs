//! `[[sink]]`.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Duration;

use toml::de::{DeTable, DeValue};

use crate::units::{CameraName, Name};

use super::fields::Fields;
use super::model::{BUILTIN_PLUGINS, LADDER_SINK, Limits, PICTURES_SINK, Plugin, Sink, WhenBehind};
use super::problem::Report;
use super::quantity::ByteCount;
use super::wording::{listed, nearest, quoted};

/// Reads a sink. `cameras` are the names of all cameras; `access_units` their largest units.
pub(super) fn read_sink(
    mut fields: Fields<'_, '_>,
    folder: &Path,
    cameras: &[&str],
    access_units: &BTreeMap<&CameraName, ByteCount>,
) -> Option<Sink> {
    let name = fields.name("\"footage\"");
    for (own, purpose) in [
        (PICTURES_SINK, "what it finds while it decodes"),
        (LADDER_SINK, "what it keeps of thinned footage"),
    ] {
        if fields.own_name() == Some(own) {
            fields.wrong(
                "name",
                format!("the name {own} is the relay's own, for {purpose}"),
                "Give the sink another name.",
            );
        }
    }
    let plugin = read_plugin(&mut fields, folder);
    let cameras = read_cameras(&mut fields, cameras);
    let when_behind = fields.choice(
        "when_behind",
        ("skip-oldest", WhenBehind::SkipOldest),
        &[("skip-to-newest", WhenBehind::SkipToNewest)],
    );
    let gather = fields.count("gather_milliseconds", 200, 0..=2000);
    let settings = fields
        .raw_table("settings", "[sink.settings]")
        .map(|(table, _)| read_settings(table, fields.what(), fields.report))
        .unwrap_or_default();
    let largest = cameras
        .iter()
        .filter_map(|camera| access_units.get_key_value(camera))
        .max_by_key(|(_, unit)| **unit);
    let limits = fields
        .table("limits", "[sink.limits]")
        .map(|fields| read_limits(fields, largest.map(|(camera, unit)| (*camera, *unit))))
        .unwrap_or_default();
    fields.finish(&[
        (
            "camera",
            "Did you mean cameras? It is a list: cameras = [\"slipway\"]",
        ),
        (
            "segment_seconds",
            "The plugin's own settings stand below a line [sink.settings].",
        ),
    ]);

    Some(Sink {
        name: name?,
        plugin: plugin?,
        cameras,
        when_behind,
        gather: Duration::from_millis(gather.into()),
        settings,
        limits,
    })
}

fn read_plugin(fields: &mut Fields<'_, '_>, folder: &Path) -> Option<Plugin> {
    let key = "plugin";
    let example = "\"builtin:recorder\"";
    fields.require(key, example);
    let text = fields.text(key, example)?;
    let Some(builtin) = text.strip_prefix("builtin:") else {
        if text.ends_with(".wasm") {
            return fields.as_path(key, text, folder).map(Plugin::File);
        }
        let advice = if BUILTIN_PLUGINS.contains(&text) {
            format!("Did you mean \"builtin:{text}\"?")
        } else {
            "Allowed: \"builtin:NAME\", or the path of a file that ends in .wasm.".into()
        };
        fields.wrong(key, format!("plugin can't be {}", quoted(text)), advice);
        return None;
    };
    if let Some(known) = BUILTIN_PLUGINS.iter().find(|known| **known == builtin) {
        return Some(Plugin::Builtin(known));
    }
    let near = nearest(builtin, BUILTIN_PLUGINS.iter().copied());
    let hint = near
        .map(|near| format!("Did you mean \"builtin:{near}\"? "))
        .unwrap_or_default();
    let known = BUILTIN_PLUGINS
        .iter()
        .map(|name| format!("\"builtin:{name}\""));
    let known = known.collect::<Vec<_>>().join(", ");
    fields.wrong(
        key,
        format!("there is no built-in plugin {}", quoted(builtin)),
        format!("{hint}Allowed: {known}, or the path of a .wasm file."),
    );
    None
}

fn read_cameras(fields: &mut Fields<'_, '_>, known: &[&str]) -> Vec<CameraName> {
    let key = "cameras";
    let all = || {
        known
            .iter()
            .filter_map(|name| Name::new(name).ok())
            .collect()
    };
    let Some(wanted) = fields.texts(key, "[\"*\"]") else {
        return all();
    };
    if wanted.is_empty() {
        let advice = "Name at least one camera, or leave the line out to take them all.";
        fields.wrong(key, "the sink takes no camera", advice);
    }
    let mut cameras: Vec<CameraName> = Vec::new();
    let mut takes_all = false;
    for name in wanted {
        if fields.report.is_full() {
            break;
        }
        let (span, name) = (name.span(), name.into_inner());
        if name == "*" {
            takes_all = true;
        } else if known.contains(&name) {
            let valid = Name::new(name).ok().filter(|name| !cameras.contains(name));
            cameras.extend(valid);
        } else if !known.is_empty() {
            let near = nearest(name, known.iter().copied());
            let hint = near
                .map(|near| format!("Did you mean {near:?}? "))
                .unwrap_or_default();
            fields.report.at(
                span,
                format!("{}: there is no camera {}", fields.what(), quoted(name)),
                format!(
                    "{hint}Cameras of this file: {}; \"*\" takes them all.",
                    listed(known.iter().copied(), 10)
                ),
            );
        }
    }
    if takes_all { all() } else { cameras }
}

fn read_limits(mut fields: Fields<'_, '_>, largest: Option<(&CameraName, ByteCount)>) -> Limits {
    let (mib, gib, default) = (ByteCount::mib, ByteCount::gib, Limits::default());
    let call = default.call.as_secs_f64();
    let limits = Limits {
        memory: fields.bytes("memory", default.memory, mib(1)..=gib(4)),
        call: fields.seconds("call_seconds", call, 0.1..=60.0),
        handles: fields.count("handles", default.handles, 16..=65536),
        held: fields.bytes("held", default.held, mib(1)..=gib(4)),
        object_bytes_per_hour: fields.bytes(
            "object_bytes_per_hour",
            default.object_bytes_per_hour,
            mib(1)..=gib(16 * 1024),
        ),
        objects_per_minute: fields.count(
            "objects_per_minute",
            default.objects_per_minute,
            1..=6000,
        ),
        open_objects: fields.count("open_objects", default.open_objects, 1..=256),
        log_lines_per_minute: fields.count(
            "log_lines_per_minute",
            default.log_lines_per_minute,
            1..=6000,
        ),
        metric_names: fields.count("metric_names", default.metric_names, 0..=1024),
        findings_per_minute: fields.count(
            "findings_per_minute",
            default.findings_per_minute,
            1..=6000,
        ),
        finding_kinds: fields.count("finding_kinds", default.finding_kinds, 1..=256),
    };
    if let Some((camera, unit)) = largest.filter(|(_, unit)| *unit > limits.held) {
        let held = limits.held;
        fields.wrong(
            "held",
            format!("held is {held}, less than the access_unit of camera \"{camera}\" ({unit})"),
            format!("The plugin could not take the largest picture: allow at least {unit}."),
        );
    }
    fields.finish(&[]);
    limits
}

/// The settings as plain values. What JSON, in which the plugin gets them, can't say is refused.
fn read_settings(table: &DeTable<'_>, what: &str, report: &Report) -> toml::Table {
    let entries = table.iter().filter_map(|(key, value)| {
        let value = read_setting(value, what, report)?;
        Some((key.get_ref().to_string(), value))
    });
    entries.collect()
}

fn read_setting(
    value: &toml::Spanned<DeValue<'_>>,
    what: &str,
    report: &Report,
) -> Option<toml::Value> {
    let refuse = |message: &str, advice: &str| {
        report.at(value.span(), format!("{what}: {message}"), advice);
        None
    };
    Some(match value.get_ref() {
        DeValue::String(text) => toml::Value::String(text.to_string()),
        DeValue::Boolean(flag) => toml::Value::Boolean(*flag),
        DeValue::Integer(integer) => {
            let Ok(number) = i64::from_str_radix(integer.as_str(), integer.radix()) else {
                let advice = "Allowed: -9223372036854775808 to 9223372036854775807.";
                return refuse("the number is out of range", advice);
            };
            toml::Value::Integer(number)
        }
        DeValue::Float(float) => {
            let Some(number) = float.as_str().parse().ok().filter(|n: &f64| n.is_finite()) else {
                return refuse("a setting can't be infinite", "Write a number with digits.");
            };
            toml::Value::Float(number)
        }
        DeValue::Datetime(_) => {
            let advice = "Put it in quotes: the plugin gets it as text.";
            return refuse("a setting can't be a date or time", advice);
        }
        DeValue::Array(list) => {
            let items = list
                .iter()
                .filter_map(|item| read_setting(item, what, report));
            toml::Value::Array(items.collect())
        }
        DeValue::Table(table) => toml::Value::Table(read_settings(table, what, report)),
    })
}
