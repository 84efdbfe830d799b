//! `[[camera]]`.

use std::collections::BTreeMap;
use std::path::Path;

use jiff::tz::TimeZone;
use url::Url;

use crate::units::{Name, SiteName};

use super::budget::read_expected;
use super::fields::Fields;
use super::ladder::read_camera_ladder;
use super::model::{
    Camera, FirstSequence, LadderRule, Quirks, SenderReports, SessionId, StartTime, StrayData,
    Transport,
};
use super::pause::read_plan;
use super::quantity::ByteCount;
use super::secrets::{Credentials, PasswordSource};
use super::wording::{listed, nearest, quoted};

const URL_EXAMPLE: &str = "\"rtsp://10.40.0.11:554/main\"";
const ANALYSIS_EXAMPLE: &str = "\"rtsp://10.40.0.11:554/sub\"";
const NO_SECRETS: &str = "Secrets don't belong in this file. Write:\n\
     username = \"relay\"\n\
     password_file = \"/run/credentials/slipway\"   # a file that only the relay may read\n\
     or password_env with the name of an environment variable.";

/// Reads a camera. `sites` are the names of all sites, `zones` the time zones of those that are right;
/// `ladder` holds where the camera's own says nothing.
pub(super) fn read_camera(
    mut fields: Fields<'_, '_>,
    folder: &Path,
    sites: &[&str],
    zones: &BTreeMap<&SiteName, &TimeZone>,
    ladder: &LadderRule,
) -> Option<Camera> {
    let name = fields.name("\"slipway\"");
    let site = read_site(&mut fields, sites);
    fields.require("url", URL_EXAMPLE);
    let url = read_url(&mut fields, "url", URL_EXAMPLE);
    let (analysis_url, analysis_hold) = read_analysis(&mut fields, url.as_ref());
    let credentials = read_credentials(&mut fields, folder);
    let transport = fields.choice(
        "transport",
        ("tcp", Transport::Tcp),
        &[("udp", Transport::Udp)],
    );
    let audio = fields.flag("audio", true);
    let hold = fields.bytes(
        "hold",
        ByteCount::mib(64),
        ByteCount::mib(1)..=ByteCount::gib(64),
    );
    let access_unit = fields.bytes(
        "access_unit",
        ByteCount::mib(8),
        ByteCount::kib(64)..=ByteCount::mib(64),
    );
    if access_unit > hold {
        let key = if fields.has("access_unit") {
            "access_unit"
        } else {
            "hold"
        };
        fields.wrong(
            key,
            format!("an access_unit of {access_unit} doesn't fit into a hold of {hold}"),
            "Make hold larger, or give a smaller access_unit (default 8 MiB, at least 64 KiB).",
        );
    }
    let dropout = fields.seconds("dropout_seconds", 1.0, 0.5..=60.0);
    let silence = fields.seconds("silence_seconds", 5.0, 1.0..=300.0);
    if silence < dropout {
        let key = if fields.has("silence_seconds") {
            "silence_seconds"
        } else {
            "dropout_seconds"
        };
        let (silence, dropout) = (silence.as_secs_f64(), dropout.as_secs_f64());
        fields.wrong(
            key,
            format!("a silence_seconds of {silence} is shorter than a dropout_seconds of {dropout}"),
            "A dropout is noticed before the session counts as dead: give a larger silence_seconds\n\
             (default 5), or a smaller dropout_seconds (default 1).",
        );
    }
    let first_unit = fields.seconds("first_unit_seconds", 20.0, 1.0..=300.0);
    let step = fields.seconds("step_seconds", 10.0, 1.0..=120.0);
    // Where the zone is missing the site is wrong and reported: what comes out isn't used.
    let zone = site.as_ref().and_then(|site| zones.get(site).copied());
    let plan = read_plan(&mut fields, zone.cloned().unwrap_or(TimeZone::UTC));
    let ladder = match fields.table("ladder", "[camera.ladder]") {
        Some(own) => read_camera_ladder(own, ladder),
        None => ladder.clone(),
    };
    let quirks = fields
        .table("quirks", "[camera.quirks]")
        .map(read_quirks)
        .unwrap_or_default();
    let expected = read_expected(&mut fields);
    fields.finish(&[
        ("password", NO_SECRETS),
        ("user", "Did you mean username?"),
        ("address", "Did you mean url?"),
        ("sub_url", "Did you mean analysis_url?"),
    ]);

    Some(Camera {
        name: name?,
        site: site?,
        url: url?,
        analysis_url,
        analysis_hold,
        credentials,
        transport,
        audio,
        hold,
        access_unit,
        dropout,
        silence,
        first_unit,
        step,
        plan,
        ladder,
        quirks,
        expected,
    })
}

fn read_site(fields: &mut Fields<'_, '_>, sites: &[&str]) -> Option<Name> {
    let example = sites
        .first()
        .map_or("\"boatyard\"".into(), |site| quoted(site));
    fields.require("site", &example);
    let text = fields.text("site", &example)?;
    if sites.contains(&text) {
        return Name::new(text).ok();
    }
    // That there is no site at all is reported once, for the whole file.
    if !sites.is_empty() {
        let near = nearest(text, sites.iter().copied());
        let hint = near
            .map(|near| format!("Did you mean {near:?}? "))
            .unwrap_or_default();
        fields.wrong(
            "site",
            format!("there is no site {}", quoted(text)),
            format!(
                "{hint}Sites of this file: {}.",
                listed(sites.iter().copied(), 10)
            ),
        );
    }
    None
}

/// The second stream: its URL, and its hold.
fn read_analysis(fields: &mut Fields<'_, '_>, main: Option<&Url>) -> (Option<Url>, ByteCount) {
    let url = read_url(fields, "analysis_url", ANALYSIS_EXAMPLE);
    let hold = fields.bytes(
        "analysis_hold",
        ByteCount::mib(8),
        ByteCount::mib(1)..=ByteCount::gib(1),
    );
    if fields.has("analysis_hold") && !fields.has("analysis_url") {
        fields.wrong(
            "analysis_hold",
            "analysis_hold is given, but no analysis_url",
            format!("Add a line: analysis_url = {ANALYSIS_EXAMPLE}\nor remove analysis_hold."),
        );
    }
    if let (Some(url), Some(main)) = (&url, main) {
        if url == main {
            fields.wrong(
                "analysis_url",
                "analysis_url is the same as url",
                "The same stream would cross the uplink twice. Give the camera's small stream, or \
                 remove the line:\npictures then come from url.",
            );
        } else if url.host_str() != main.host_str() {
            fields.wrong(
                "analysis_url",
                "analysis_url is on another host than url",
                "It is a second stream of the same camera, signed in to with the same password: \
                 write the host\nas in url. Another device is a [[camera]] of its own.",
            );
        }
    }
    (url, hold)
}

/// A URL is never put into a message: where it is wrong it may hold a password.
fn read_url(fields: &mut Fields<'_, '_>, key: &'static str, example: &str) -> Option<Url> {
    let text = fields.text(key, example)?;
    let form = format!("Write it as: {key} = {example}");
    let wrong = |what: &str, advice: &str| {
        fields.wrong(key, format!("{key} {what}"), advice);
        None
    };
    if text.contains(|c: char| c.is_control() || c.is_whitespace()) {
        return wrong("holds a blank or control character", &form);
    }
    let Some((scheme, rest)) = text.split_once("://") else {
        return wrong("doesn't begin with rtsp://", &form);
    };
    match scheme.to_ascii_lowercase().as_str() {
        "rtsp" => {}
        "rtsps" => {
            return wrong(
                "begins with rtsps:// (RTSP over TLS), which isn't supported",
                "Use rtsp:// and carry the stream through an encrypted tunnel, as WireGuard.",
            );
        }
        _ => return wrong("doesn't begin with rtsp://", &form),
    }
    let url = match Url::parse(text) {
        Ok(url) => url,
        Err(_) if rest.contains('@') => {
            return wrong(
                "holds a user or password, and can't be read besides",
                NO_SECRETS,
            );
        }
        Err(error) => {
            let advice = format!("{form}\nUser and password go into username and password_file.");
            return wrong(&format!("can't be read: {error}"), &advice);
        }
    };
    if !url.username().is_empty() || url.password().is_some() {
        return wrong("holds a user or password", NO_SECRETS);
    }
    let host = url.host_str().unwrap_or("");
    if host.is_empty() {
        return wrong("names no host", &form);
    }
    // A '/' in a password ends the host for every parser: rtsp://relay:12/34@10.40.0.11/main.
    if rest.contains('@') && !host.contains(['.', ':']) {
        return wrong(
            "holds a user or password, or an @ in its path",
            &format!("{NO_SECRETS}\nAn @ that belongs to the path is written %40."),
        );
    }
    if url.fragment().is_some() {
        return wrong(
            "holds a #",
            "Remove it, or write %23 where the camera's path has a #.",
        );
    }
    if url.port() == Some(0) {
        return wrong("has port 0", &form);
    }
    Some(url)
}

fn read_credentials(fields: &mut Fields<'_, '_>, folder: &Path) -> Option<Credentials> {
    let username = fields.text("username", "\"relay\"");
    let file = fields.path("password_file", folder, "\"/run/credentials/slipway\"");
    let variable = fields.text("password_env", "\"SLIPWAY_PASSWORD\"");

    if username.is_some_and(|name| name.contains(|c: char| c == ':' || c.is_control())) {
        let advice = "Allowed: any text without colon and control characters.";
        fields.wrong(
            "username",
            "username holds a colon or control character",
            advice,
        );
    }
    let is_variable = |name: &str| {
        let fits = |c: char| c.is_ascii_alphanumeric() || c == '_';
        name.chars().all(fits) && !name.starts_with(|c: char| c.is_ascii_digit())
    };
    if variable.is_some_and(|name| !is_variable(name)) {
        // Someone may have taken it for the place of the password itself.
        fields.report.at_secret(
            fields.span("password_env"),
            format!(
                "{}: password_env isn't the name of an environment variable",
                fields.what()
            ),
            "Give the variable's name, not the password: letters, digits and _, as in\n\
             password_env = \"SLIPWAY_PASSWORD\"",
        );
    }
    let (has_file, has_variable) = (fields.has("password_file"), fields.has("password_env"));
    if has_file && has_variable {
        fields.wrong(
            "password_env",
            "both password_file and password_env are given",
            "Keep the one that holds the password and remove the other.",
        );
    } else if fields.has("username") && !has_file && !has_variable && !fields.has("password") {
        fields.wrong(
            "username",
            "username is given, but no password",
            "Add a line: password_file = \"/run/credentials/slipway\"\n\
             or: password_env = \"SLIPWAY_PASSWORD\"\n\
             If the camera asks for no password, remove username.",
        );
    } else if !fields.has("username") && (has_file || has_variable) {
        let key = if has_file {
            "password_file"
        } else {
            "password_env"
        };
        let advice = format!("Add a line: username = \"relay\"\nor remove {key}.");
        fields.wrong(key, format!("{key} is given, but no username"), advice);
    }

    let password = match (file, variable) {
        (Some(path), _) => PasswordSource::File(path),
        (None, Some(name)) => PasswordSource::Environment(name.to_owned()),
        (None, None) => return None,
    };
    Some(Credentials {
        username: username?.to_owned(),
        password,
    })
}

fn read_quirks(mut fields: Fields<'_, '_>) -> Quirks {
    let quirks = Quirks {
        session_id: fields.choice(
            "session_id",
            ("strict", SessionId::Strict),
            &[("first", SessionId::First)],
        ),
        start_time: fields.choice(
            "start_time",
            ("lenient", StartTime::Lenient),
            &[
                ("announced", StartTime::Announced),
                ("zero", StartTime::Zero),
            ],
        ),
        first_sequence: fields.choice(
            "first_sequence",
            ("plausible", FirstSequence::Plausible),
            &[
                ("announced", FirstSequence::Announced),
                ("received", FirstSequence::Received),
            ],
        ),
        sender_reports: fields.choice(
            "sender_reports",
            ("matching", SenderReports::Matching),
            &[("any", SenderReports::Any)],
        ),
        stray_data: fields.choice(
            "stray_data",
            ("auto", StrayData::Auto),
            &[("ignore", StrayData::Ignore)],
        ),
    };
    fields.finish(&[]);
    quirks
}
