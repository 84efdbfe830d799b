//! The file as a whole: `[relay]`, the sites, and the rules between tables.

use std::collections::BTreeMap;
use std::net::{Ipv4Addr, SocketAddr};
use std::ops::Range;
use std::path::Path;

use jiff::tz::TimeZone;
use toml::Spanned;
use toml::de::DeTable;

use super::budget::read_uplink;
use super::camera::read_camera;
use super::carry::read_carry;
use super::fields::Fields;
use super::heartbeat::read_heartbeat;
use super::ladder::read_ladder;
use super::model::{Config, Position, Relay, Site};
use super::pictures::read_pictures;
use super::problem::Report;
use super::scrub::read_scrub;
use super::sink::read_sink;
use super::store::{Bucket, SCHEME, read_bucket, read_store, refuse_free_space};
use super::wording::{nearest, quoted};
use crate::telemetry::logs::LogLevel;

/// Where the web server listens unless told otherwise.
const LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8473);

/// The configuration that the tree describes, with relative paths taken from `folder`. What is
/// returned is valid only when nothing was reported.
pub(super) fn read_config(
    document: &Spanned<DeTable<'_>>,
    folder: &Path,
    report: &Report,
) -> Option<Config> {
    let mut root = Fields::new(document.get_ref(), 0..0, "", report);
    let relay = root.table("relay", "[relay]");
    if !root.has("relay") {
        let advice = "Add a line [relay] and below it: archive = \"/srv/forebay\"";
        report.whole("there is no [relay] with the folder of the archive", advice);
    }
    let pictures = root.table("pictures", "[pictures]");
    let carry = root.table("carry", "[carry]");
    let scrub = root.table("scrub", "[scrub]");
    let store = root.table("store", "[store]");
    let ladder = root.table("ladder", "[ladder]");
    let heartbeat = root.table("heartbeat", "[heartbeat]");
    let sites = root.tables("site", "[[site]]");
    let cameras = root.tables("camera", "[[camera]]");
    let sinks = root.tables("sink", "[[sink]]");
    if !root.has("camera") {
        report.whole(
            "there is no camera",
            "Add one for each stream:\n\n[[camera]]\nname = \"slipway\"\nsite = \"boatyard\"\n\
             url = \"rtsp://10.40.0.11:554/main\"",
        );
    } else if !root.has("site") {
        report.whole(
            "there is no site, and each camera stands at one",
            "Add it:\n\n[[site]]\nname = \"boatyard\"\ntime_zone = \"Europe/Oslo\"",
        );
    }
    root.finish(&[]);

    // Names count even where the rest of their table is wrong, lest one mistake be reported twice.
    let site_names = names(&sites);
    let camera_names = names(&cameras);
    for tables in [&sites, &cameras, &sinks] {
        report_duplicates(tables, report);
    }

    let (relay, (bucket, is_far)) = relay
        .map(|fields| read_relay(fields, folder))
        .unwrap_or_default();
    if let (Some(ladder), true) = (&ladder, is_far) {
        refuse_free_space(ladder);
    }
    if is_far && store.is_none() {
        report.whole(
            "the archive is in a store, and there is no [store]",
            "Add it:\n\n[store]\nendpoint = \"https://s3.eu-north-1.example.com\"\n\
             access_key = \"forebay\"\nsecret_key_file = \"/etc/forebay/store.key\"",
        );
    }
    let store = store.and_then(|fields| read_store(fields, folder, bucket, is_far));
    let pictures = pictures.map(|fields| read_pictures(fields, folder));
    let carry = carry.map(read_carry);
    let scrub = scrub.map(read_scrub);
    let ladder = ladder.map(read_ladder).unwrap_or_default();
    let heartbeat = heartbeat.map(|fields| read_heartbeat(fields, folder));
    let sites: Vec<_> = sites.into_iter().map(read_site).collect();
    let zones: BTreeMap<_, _> = sites
        .iter()
        .flatten()
        .map(|site| (&site.name, &site.time_zone))
        .collect();
    let cameras: Vec<_> = cameras
        .into_iter()
        .map(|fields| read_camera(fields, folder, &site_names, &zones, &ladder.rule))
        .collect();
    let access_units: BTreeMap<_, _> = cameras
        .iter()
        .flatten()
        .map(|camera| (&camera.name, camera.access_unit))
        .collect();
    let sinks: Vec<_> = sinks
        .into_iter()
        .map(|fields| read_sink(fields, folder, &camera_names, &access_units))
        .collect();
    Some(Config {
        relay: Relay { store, ..relay? },
        pictures: pictures.unwrap_or_default(),
        carry: carry.unwrap_or_default(),
        scrub: scrub.unwrap_or_default(),
        ladder,
        heartbeat: heartbeat.flatten(),
        sites: sites.into_iter().collect::<Option<_>>()?,
        sinks: sinks.into_iter().collect::<Option<_>>()?,
        cameras: cameras.into_iter().collect::<Option<_>>()?,
    })
}

/// The values of `name`, right or wrong.
fn names<'a>(tables: &[Fields<'a, '_>]) -> Vec<&'a str> {
    tables.iter().filter_map(Fields::own_name).collect()
}

fn report_duplicates(tables: &[Fields<'_, '_>], report: &Report) {
    let mut seen: BTreeMap<&str, Range<usize>> = BTreeMap::new();
    for fields in tables {
        let Some(name) = fields.own_name() else {
            continue;
        };
        let span = fields.span("name");
        match seen.get(name) {
            None => {
                seen.insert(name, span);
            }
            Some(first) => report.at_second(
                span,
                first.clone(),
                format!("{}: the name is used twice", fields.what()),
                "Give each of them a name of its own.",
            ),
        }
    }
}

/// What `[relay]` says, but for the store; the bucket; and whether the archive is to be in one.
fn read_relay(
    mut fields: Fields<'_, '_>,
    folder: &Path,
) -> (Option<Relay>, (Option<Bucket>, bool)) {
    let example = "\"/srv/forebay\"";
    fields.require("archive", example);
    let archive = fields.text("archive", example);
    let is_far = archive.is_some_and(|text| text.starts_with(SCHEME));
    let bucket = archive
        .filter(|_| is_far)
        .and_then(|text| read_bucket(&fields, text));
    let archive = archive.and_then(|text| match is_far {
        true => Some(text.trim_end_matches('/').into()),
        false => fields.as_path("archive", text, folder),
    });
    let spool = fields.path("spool", folder, "\"/var/lib/forebay\"");
    let listen = read_listen(&mut fields);
    let token_file = fields.path("token_file", folder, "\"/etc/forebay/token\"");
    let plugin_cache = fields.path("plugin_cache", folder, "\"/var/cache/forebay\"");

    if is_far {
        // What waits for the store has to be somewhere.
        fields.require("spool", "\"/var/lib/forebay\"");
    }
    let log_level = fields.choice(
        "log_level",
        ("info", LogLevel::Info),
        &[
            ("error", LogLevel::Error),
            ("warn", LogLevel::Warn),
            ("debug", LogLevel::Debug),
        ],
    );

    if archive.is_some() && archive == spool {
        let advice = "Name another folder, or leave spool out: it is then .spool in the archive.";
        fields.wrong("spool", "spool is the same folder as archive", advice);
    }
    if !listen.ip().to_canonical().is_loopback() && !fields.has("token_file") {
        fields.wrong(
            "listen",
            format!("other machines can reach {listen}, but no token is asked of them"),
            "Make a token: head -c 24 /dev/urandom | base64 > /etc/forebay/token\n\
             and add a line: token_file = \"/etc/forebay/token\"\n\
             Or leave listen out: the relay then listens on 127.0.0.1:8473, for this machine only.",
        );
    }
    fields.finish(&[(
        "token",
        "Secrets don't belong in this file. Put the token in a file of its own and name it:\n\
         token_file = \"/etc/forebay/token\"",
    )]);

    let places = match (archive, spool) {
        (Some(archive), Some(spool)) => Some((archive, spool)),
        (Some(archive), None) if !is_far => Some((archive.clone(), archive.join(".spool"))),
        _ => None,
    };
    let relay = places.map(|(archive, spool)| Relay {
        archive,
        store: None,
        plugin_cache: plugin_cache.unwrap_or_else(|| spool.join("plugin-cache")),
        spool,
        listen,
        token_file,
        log_level,
    });
    (relay, (bucket, is_far))
}

fn read_listen(fields: &mut Fields<'_, '_>) -> SocketAddr {
    let Some(text) = fields.text("listen", &format!("\"{LISTEN}\"")) else {
        return LISTEN;
    };
    text.parse().unwrap_or_else(|_| {
        fields.wrong(
            "listen",
            format!("listen can't be {}", quoted(text)),
            format!(
                "Allowed: the number of an address and a port, as \"{LISTEN}\" (default) or \
                 \"[::1]:8473\"."
            ),
        );
        LISTEN
    })
}

fn read_site(mut fields: Fields<'_, '_>) -> Option<Site> {
    let name = fields.name("\"boatyard\"");
    let time_zone = read_time_zone(&mut fields);
    let latitude = fields.number("latitude", -90.0..=90.0, "degrees, north positive", "60.39");
    let longitude = fields.number(
        "longitude",
        -180.0..=180.0,
        "degrees, east positive",
        "5.32",
    );
    for (given, missing) in [("latitude", "longitude"), ("longitude", "latitude")] {
        if fields.has(given) && !fields.has(missing) {
            let advice = format!("Give both or none: add {missing} in degrees, or remove {given}.");
            fields.wrong(given, format!("{given} is given without {missing}"), advice);
        }
    }
    let uplink = read_uplink(&mut fields);
    fields.finish(&[(
        "uplink",
        "Did you mean uplink_megabits_per_second or uplink_bytes_per_month?",
    )]);

    let position = latitude.zip(longitude);
    let (time_zone_name, time_zone) = time_zone?;
    Some(Site {
        name: name?,
        time_zone,
        time_zone_name,
        position: position.map(|(latitude, longitude)| Position {
            latitude,
            longitude,
        }),
        uplink,
    })
}

fn read_time_zone(fields: &mut Fields<'_, '_>) -> Option<(String, TimeZone)> {
    let example = "\"Europe/Oslo\"";
    fields.require("time_zone", example);
    let text = fields.text("time_zone", example)?;
    if let Ok(zone) = TimeZone::get(text) {
        let name = zone.iana_name().unwrap_or(text).to_owned();
        return Some((name, zone));
    }
    let known: Vec<String> = jiff::tz::db()
        .available()
        .map(|name| name.to_string())
        .collect();
    let city = known.iter().find(|zone| {
        zone.rsplit('/')
            .next()
            .is_some_and(|city| city.eq_ignore_ascii_case(text.trim()))
    });
    let near = city
        .map(String::as_str)
        .or_else(|| nearest(text, known.iter().map(String::as_str)));
    let hint = near
        .map(|near| format!("Did you mean {near:?}? "))
        .unwrap_or_default();
    fields.wrong(
        "time_zone",
        format!("there is no time zone {}", quoted(text)),
        format!("{hint}Allowed: a name of the IANA database, as \"Europe/Oslo\" or \"UTC\"."),
    );
    None
}
