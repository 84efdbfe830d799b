//! `archive = "s3://…"` and `[store]`.

use std::path::{Path, PathBuf};

use url::Url;

use super::fields::Fields;
use super::model::{Store, UPLOAD_BYTES_MAX};
use super::quantity::ByteCount;
use super::secrets::{Credentials, PasswordSource};
use super::wording::quoted;

/// How an archive in a store is named.
pub(super) const SCHEME: &str = "s3://";

/// Where in a store the archive is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Bucket {
    name: String,
    prefix: String,
}

/// Reads `s3://bucket/prefix`, the value of `archive` in the table.
pub(super) fn read_bucket(fields: &Fields<'_, '_>, text: &str) -> Option<Bucket> {
    let advice = "Allowed: \"s3://\", the name of a bucket (3 to 63 characters a-z, 0-9, . and -), and maybe a\n\
                  prefix below it, as in \"s3://boatyard/cameras\". Keys and addresses go into [store].";
    let (name, prefix) = text
        .strip_prefix(SCHEME)
        .map(|rest| rest.split_once('/').unwrap_or((rest, "")))?;
    let inner = |c: u8| c.is_ascii_lowercase() || c.is_ascii_digit() || c == b'.' || c == b'-';
    let outer = |c: Option<u8>| c.is_some_and(|c| c.is_ascii_lowercase() || c.is_ascii_digit());
    let good_name = (3..=63).contains(&name.len())
        && name.bytes().all(inner)
        && outer(name.bytes().next())
        && outer(name.bytes().next_back());
    let prefix = prefix.trim_end_matches('/');
    let part = |part: &str| {
        let fits = |c: u8| c.is_ascii_alphanumeric() || b"-_.".contains(&c);
        !part.is_empty() && part != "." && part != ".." && part.bytes().all(fits)
    };
    let good_prefix = prefix.is_empty() || prefix.len() <= 512 && prefix.split('/').all(part);
    if !good_name || !good_prefix {
        // Somebody may have put a key into it.
        let what = if good_name {
            "prefix"
        } else {
            "name of a bucket"
        };
        let message = format!("archive holds no {what} that can be");
        fields.report.at_secret(
            fields.span("archive"),
            format!("{}: {message}", fields.what()),
            advice,
        );
        return None;
    }
    Some(Bucket {
        name: name.to_owned(),
        prefix: prefix.to_owned(),
    })
}

/// Reads how the store is spoken to. `bucket` is none where it is wrong, or, not `is_far`, where the
/// archive is a folder.
pub(super) fn read_store(
    mut fields: Fields<'_, '_>,
    folder: &Path,
    bucket: Option<Bucket>,
    is_far: bool,
) -> Option<Store> {
    let endpoint = read_endpoint(&mut fields);
    let region = fields
        .text("region", "\"eu-north-1\"")
        .unwrap_or("us-east-1");
    let path_style = fields.flag("path_style", true);
    let credentials = read_credentials(&mut fields, folder);
    let ca_file = fields.path("ca_file", folder, "\"/etc/forebay/store.pem\"");
    let default = Times::DEFAULT;
    let times = Times {
        connect: fields.seconds("connect_seconds", default.connect, 0.1..=300.0),
        silence: fields.seconds("silence_seconds", default.silence, 0.1..=3600.0),
        request: fields.seconds("request_seconds", default.request, 1.0..=86_400.0),
    };
    let multipart_over = fields.bytes(
        "multipart_over",
        ByteCount::mib(64),
        ByteCount::mib(5)..=UPLOAD_BYTES_MAX,
    );
    let read_back = fields.flag("read_back", false);
    let cache = fields.bytes(
        "cache",
        ByteCount::gib(2),
        ByteCount::mib(64)..=ByteCount::gib(1 << 10),
    );
    let is_plain = endpoint
        .as_ref()
        .is_some_and(|url| url.starts_with("http:"));
    if is_plain && ca_file.is_some() {
        let advice = "Remove it, or write the endpoint with https://.";
        fields.wrong(
            "ca_file",
            "ca_file is given, but the endpoint has no TLS",
            advice,
        );
    }
    if !is_far {
        let advice = "Write below [relay]: archive = \"s3://boatyard\", or remove [store].";
        fields.wrong(
            "endpoint",
            "there is a store, but the archive is not in it",
            advice,
        );
    }
    fields.finish(&[
        (
            "secret_key",
            "Secrets don't belong in this file. Put the key in a file of its own and name it:\n\
             secret_key_file = \"/etc/forebay/store.key\"",
        ),
        (
            "bucket",
            "It stands below [relay]: archive = \"s3://boatyard\"",
        ),
        (
            "prefix",
            "It stands below [relay]: archive = \"s3://boatyard/cameras\"",
        ),
    ]);
    let Bucket { name, prefix } = bucket?;
    Some(Store {
        bucket: name,
        prefix,
        endpoint: endpoint?,
        region: region.to_owned(),
        path_style,
        credentials: credentials?,
        ca_file,
        connect: times.connect,
        silence: times.silence,
        request: times.request,
        multipart_over,
        read_back,
        cache,
    })
}

struct Times<T> {
    connect: T,
    silence: T,
    request: T,
}

impl Times<f64> {
    const DEFAULT: Self = Self {
        connect: 10.0,
        silence: 30.0,
        request: 300.0,
    };
}

/// A URL is never put into a message: where it is wrong it may hold a key.
fn read_endpoint(fields: &mut Fields<'_, '_>) -> Option<String> {
    let example = "\"https://s3.eu-north-1.example.com\"";
    fields.require("endpoint", example);
    let text = fields.text("endpoint", example)?;
    let wrong = |why: &str, advice: &str| {
        fields.report.at_secret(
            fields.span("endpoint"),
            format!("{}: endpoint {why}", fields.what()),
            advice,
        );
        None
    };
    let form = "Allowed: https:// or http:// with a host and maybe a port, as in\n\
                endpoint = \"https://s3.eu-north-1.example.com\"";
    let Ok(url) = Url::parse(text) else {
        return wrong("can't be read", form);
    };
    if !matches!(url.scheme(), "https" | "http") || url.host_str().is_none() {
        return wrong("is no address of the web", form);
    }
    if !url.username().is_empty() || url.password().is_some() || text.contains('@') {
        let advice = "Keys go into access_key and secret_key_file.";
        return wrong("holds a user or password", advice);
    }
    if url.path() != "/" || url.query().is_some() || url.fragment().is_some() {
        let advice = "Remove what is behind the host and port; bucket and prefix stand in archive.";
        return wrong("holds more than a host and a port", advice);
    }
    Some(url.as_str().trim_end_matches('/').to_owned())
}

fn read_credentials(fields: &mut Fields<'_, '_>, folder: &Path) -> Option<Credentials> {
    let file = fields.path("secret_key_file", folder, "\"/etc/forebay/store.key\"");
    let variable = fields.text("secret_key_env", "\"FOREBAY_STORE_KEY\"");
    let example = "\"forebay\"";
    fields.require("access_key", example);
    let access_key = fields.text("access_key", example);
    let plain = |c: char| c.is_ascii_graphic() && c != '/' && c != ',';
    if access_key.is_some_and(|key| !key.chars().all(plain) || key.len() > 128) {
        fields.report.at_secret(
            fields.span("access_key"),
            format!("{}: access_key can't be that of a store", fields.what()),
            "It is the public one of the two keys: letters and digits, no blanks.",
        );
    }
    let is_variable = |name: &str| {
        let fits = |c: char| c.is_ascii_alphanumeric() || c == '_';
        name.chars().all(fits) && !name.starts_with(|c: char| c.is_ascii_digit())
    };
    if variable.is_some_and(|name| !is_variable(name)) {
        // Someone may have taken it for the place of the key itself.
        fields.report.at_secret(
            fields.span("secret_key_env"),
            format!(
                "{}: secret_key_env isn't the name of an environment variable",
                fields.what()
            ),
            "Give the variable's name, not the key: letters, digits and _, as in\n\
             secret_key_env = \"FOREBAY_STORE_KEY\"",
        );
    }
    let (has_file, has_variable) = (fields.has("secret_key_file"), fields.has("secret_key_env"));
    if has_file && has_variable {
        fields.wrong(
            "secret_key_env",
            "both secret_key_file and secret_key_env are given",
            "Keep the one that holds the key and remove the other.",
        );
    } else if !has_file && !has_variable && !fields.has("secret_key") {
        fields.wrong(
            "access_key",
            "the secret key is missing",
            "Add a line: secret_key_file = \"/etc/forebay/store.key\"\n\
             or: secret_key_env = \"FOREBAY_STORE_KEY\"",
        );
    }
    let password = source(file, variable)?;
    Some(Credentials {
        username: access_key?.to_owned(),
        password,
    })
}

fn source(file: Option<PathBuf>, variable: Option<&str>) -> Option<PasswordSource> {
    match (file, variable) {
        (Some(path), _) => Some(PasswordSource::File(path)),
        (None, Some(name)) => Some(PasswordSource::Environment(name.to_owned())),
        (None, None) => None,
    }
}

/// What a store can't do is said where it is asked for.
pub(super) fn refuse_free_space(ladder: &Fields<'_, '_>) {
    if ladder.has("free_space") {
        ladder.wrong(
            "free_space",
            format!(
                "free_space is given, but the archive is in a store, {}",
                quoted("s3://…")
            ),
            "A store does not tell how much room it has: give each camera a quota instead.",
        );
    }
}
