//! What the errors of a store mean.

use std::error::Error as _;
use std::io;

use object_store::Error;
use object_store::client::{HttpError, HttpErrorKind as Http};

use super::{NO_BUCKET, Operation, REFUSED};

/// What is answered where the keys are not taken, be it for the time that this machine has. Some stores
/// answer so with 400.
const KEYS: [&str; 8] = [
    "AccessDenied",
    "AuthorizationHeaderMalformed",
    "ExpiredToken",
    "InvalidAccessKeyId",
    "InvalidToken",
    "RequestTimeTooSkewed",
    "SignatureDoesNotMatch",
    "TokenRefreshRequired",
];

/// The end of an upload in parts was refused since its name is taken.
pub(super) fn is_taken(error: &Error) -> bool {
    matches!(
        error,
        Error::AlreadyExists { .. } | Error::Precondition { .. } | Error::NotModified { .. }
    ) || code(error).as_deref() == Some("PreconditionFailed")
}

/// An upload in parts is not there: it was ended, with success or not.
pub(super) fn is_ended(error: &Error) -> bool {
    code(error).as_deref() == Some("NoSuchUpload")
}

/// What went wrong, for whoever reads the log. Neither keys nor signatures are in it.
pub(super) fn told(operation: Operation, error: &Error) -> io::Error {
    use io::ErrorKind as Kind;
    let code = code(error);
    let code = code.as_deref();
    let (kind, text) = match error {
        _ if code == Some("NoSuchBucket") => (NO_BUCKET, "the store has no such bucket".to_owned()),
        _ if is_ended(error) => {
            let text = "the store has the upload in parts no more (NoSuchUpload): a rule of the bucket, \
                        or somebody, has ended it; it is begun anew";
            (Kind::ResourceBusy, text.to_owned())
        }
        Error::NotFound { .. } if operation.needs_bucket_alone() => {
            (NO_BUCKET, "the store has no such bucket".to_owned())
        }
        Error::NotFound { .. } => (Kind::NotFound, "it is not in the store".to_owned()),
        Error::AlreadyExists { .. } => (Kind::AlreadyExists, "something else is there".to_owned()),
        error if is_refusal(error, code) => {
            let why = match code {
                // Of a list the library says no more than the status.
                None => "no reason given",
                Some("RequestTimeTooSkewed") => {
                    "RequestTimeTooSkewed: the clock of this machine, or the store's, is wrong"
                }
                Some(code) => code,
            };
            (REFUSED, format!("the store refuses the access key ({why})"))
        }
        error => (kind(operation, error), words(error)),
    };
    io::Error::new(kind, text)
}

fn is_refusal(error: &Error, code: Option<&str>) -> bool {
    let refused = matches!(
        error,
        Error::PermissionDenied { .. } | Error::Unauthenticated { .. }
    );
    refused
        || matches!(status(error), Some(401 | 403))
        || code.is_some_and(|code| KEYS.contains(&code))
}

/// Of what kind a failure is that has no name of its own.
fn kind(operation: Operation, error: &Error) -> io::ErrorKind {
    let mut source: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(error) = source {
        if let Some(error) = error.downcast_ref::<HttpError>() {
            match error.kind() {
                Http::Connect => return io::ErrorKind::NotConnected,
                Http::Timeout => return io::ErrorKind::TimedOut,
                Http::Interrupted | Http::Request => return io::ErrorKind::ConnectionReset,
                _ => {}
            }
        }
        source = error.source();
    }
    match status(error) {
        Some(429 | 500..=599) => io::ErrorKind::ResourceBusy,
        // What came is not what was sent.
        Some(400) if operation == Operation::Put => io::ErrorKind::InvalidData,
        Some(_) => REFUSED,
        // The answer can't be understood: that says nothing of what was asked for.
        None => io::ErrorKind::ConnectionAborted,
    }
}

/// The error code in the answer of a store: `<Code>SlowDown</Code>`.
fn code(error: &Error) -> Option<String> {
    let text = chain(error);
    let (_, rest) = text.split_once("<Code>")?;
    let (code, _) = rest.split_once("</Code>")?;
    let plain = code.len() <= 64 && code.bytes().all(|c| c.is_ascii_alphanumeric());
    plain.then(|| code.to_owned())
}

/// The status of the answer, which the library has in words alone.
fn status(error: &Error) -> Option<u16> {
    let text = chain(error);
    let (_, rest) = text.split_once("status code: ")?;
    rest.get(..3)?.parse().ok()
}

fn chain(error: &Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(error) = source {
        text = format!("{text}: {error}");
        source = error.source();
    }
    text
}

/// An error in few words: what the store answers is a page of XML, with the request's keys in it.
pub(super) fn words(error: &Error) -> String {
    if let Some(code) = code(error) {
        let status = status(error).map(|status| format!(" (status {status})"));
        return format!("the store answers {code}{}", status.unwrap_or_default());
    }
    if let Some(status) = status(error) {
        return format!("the store answers with status {status}");
    }
    let mut last: &(dyn std::error::Error + 'static) = error;
    while let Some(source) = last.source() {
        last = source;
    }
    let text: String = last.to_string().chars().take(200).collect();
    format!("the store can't be used: {text}")
}
