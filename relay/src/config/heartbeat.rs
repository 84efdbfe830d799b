//! `[heartbeat]`.

use std::path::Path;

use super::fields::Fields;
use super::model::Heartbeat;

/// Reads where a sign of life is sent.
pub(super) fn read_heartbeat(mut fields: Fields<'_, '_>, folder: &Path) -> Option<Heartbeat> {
    let example = "\"/etc/forebay/heartbeat.url\"";
    if !fields.has("url") {
        fields.require("url_file", example);
    }
    let url_file = fields.path("url_file", folder, example);
    let every = fields.seconds("every_seconds", 60.0, 1.0..=86_400.0);
    let gap = fields.seconds("gap_seconds", 900.0, 10.0..=604_800.0);
    if fields.take("url").is_some() {
        fields.report.at_secret(
            fields.span("url"),
            "[heartbeat]: the URL itself must not stand in this file",
            "Whoever knows it can send heartbeats. Put it in a file of its own and name that:\n\
             url_file = \"/etc/forebay/heartbeat.url\"",
        );
    }
    fields.finish(&[]);
    Some(Heartbeat {
        url_file: url_file?,
        every,
        gap,
    })
}
