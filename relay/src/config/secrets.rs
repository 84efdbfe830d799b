//! Passwords and tokens: read from where the configuration points, shown nowhere.

use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::model::{Heartbeat, Relay};

/// Longest secret, in bytes.
const SECRET_BYTES_MAX: usize = 4096;
/// Shortest token of the web server, in characters: 16 random characters of base64 are 96 bits.
const TOKEN_CHARACTERS_MIN: usize = 16;

/// A password or token. Debug and Display show a placeholder; [`expose`](Self::expose) is the only
/// way to it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    #[cfg(test)]
    pub(crate) fn for_tests(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// The secret itself, to be sent and never to be shown.
    #[must_use]
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[hidden]")
    }
}

impl fmt::Display for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("[hidden]")
    }
}

/// How to log in to a camera.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credentials {
    /// The user; not empty, without a colon (RFC 7617 §2).
    pub username: String,
    /// Where the password is.
    pub password: PasswordSource,
}

/// Where a password is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PasswordSource {
    /// `password_file`: the first line of a file.
    File(PathBuf),
    /// `password_env`: an environment variable of that name.
    Environment(String),
}

/// Why a secret can't be had. Display names the file or variable and nothing of its content.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file can't be opened or read.
    #[error("{} can't be read", .0.display())]
    Unreadable(PathBuf, #[source] io::Error),
    /// A folder, pipe or device.
    #[error("{} isn't a regular file", .0.display())]
    NotAFile(PathBuf),
    /// The environment has no such variable.
    #[error("there is no environment variable {0}")]
    Unset(String),
    /// Nothing in it.
    #[error("{0} is empty")]
    Empty(String),
    /// More than 4096 bytes.
    #[error("{0} holds more than 4096 bytes")]
    TooLong(String),
    /// Not UTF-8, or control characters in it.
    #[error("{0} holds something else than text")]
    NotText(String),
    /// A second line in it.
    #[error("{0} holds more than one line")]
    SeveralLines(String),
    /// A token of less than 16 characters.
    #[error("{0} holds a token of less than 16 characters")]
    ShortToken(String),
    /// No URL to send a heartbeat to.
    #[error("{0} holds no URL that begins with http:// or https:// and names a host")]
    BadUrl(String),
    /// A character that a bearer token can't have (RFC 6750 §2.1).
    #[error(
        "{0} holds a character that a token can't have: allowed are A-Z a-z 0-9 - . _ ~ + / and = \
         at the end"
    )]
    BadToken(String),
}

impl SecretError {
    /// What to do about it.
    #[must_use]
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Unreadable(..) => {
                "Check the path, and that the user who runs the relay may read the file."
            }
            Self::NotAFile(_) => "Give the path of a file with the secret in its only line.",
            Self::Unset(_) => {
                "Set it for the process of the relay, or name a password_file instead."
            }
            Self::Empty(_) | Self::TooLong(_) | Self::NotText(_) | Self::SeveralLines(_) => {
                "It must hold the secret as one line of text and nothing else."
            }
            Self::BadUrl(_) => {
                "Its only line must be the URL that the service gives for one check, as \
                 https://example.org/a-long-secret"
            }
            Self::ShortToken(_) | Self::BadToken(_) => {
                "Make a good one: head -c 24 /dev/urandom | base64"
            }
        }
    }
}

impl Credentials {
    /// Reads the password anew.
    ///
    /// # Errors
    /// [`SecretError`] when it can't be read or isn't one line of text.
    pub fn read(&self) -> Result<Secret, SecretError> {
        match &self.password {
            PasswordSource::File(path) => from_file(path),
            PasswordSource::Environment(name) => {
                let value =
                    std::env::var_os(name).ok_or_else(|| SecretError::Unset(name.clone()))?;
                let shown = format!("environment variable {name}");
                let text = value
                    .into_string()
                    .map_err(|_| SecretError::NotText(shown.clone()))?;
                one_line(text, shown)
            }
        }
    }
}

impl Relay {
    /// Reads the token of the web server anew; nothing where no `token_file` is given.
    ///
    /// # Errors
    /// [`SecretError`] when it can't be read, is short or can't be a bearer token.
    pub fn read_token(&self) -> Result<Option<Secret>, SecretError> {
        let Some(path) = &self.token_file else {
            return Ok(None);
        };
        let token = from_file(path)?;
        let shown = path.display().to_string();
        if token.0.chars().count() < TOKEN_CHARACTERS_MIN {
            return Err(SecretError::ShortToken(shown));
        }
        let allowed = |c: char| c.is_ascii_alphanumeric() || "-._~+/".contains(c);
        if !token.0.trim_end_matches('=').chars().all(allowed) {
            return Err(SecretError::BadToken(shown));
        }
        Ok(Some(token))
    }
}

impl Heartbeat {
    /// Reads the URL anew.
    ///
    /// # Errors
    /// [`SecretError`] when it can't be read, or isn't the URL of a web server.
    pub fn read_url(&self) -> Result<Secret, SecretError> {
        let secret = from_file(&self.url_file)?;
        let good = url::Url::parse(secret.expose())
            .is_ok_and(|url| matches!(url.scheme(), "http" | "https") && url.has_host());
        // The parser takes blanks within for `%20`, and so would hide a second word.
        if good && !secret.0.contains(char::is_whitespace) {
            Ok(secret)
        } else {
            Err(SecretError::BadUrl(self.url_file.display().to_string()))
        }
    }
}

fn from_file(path: &Path) -> Result<Secret, SecretError> {
    let unreadable = |error| SecretError::Unreadable(path.to_owned(), error);
    // Opening a pipe that nobody writes to would wait for ever.
    if !std::fs::metadata(path).map_err(unreadable)?.is_file() {
        return Err(SecretError::NotAFile(path.to_owned()));
    }
    let mut bytes = Vec::new();
    // Two more for the end of the line, one more to see that there is too much.
    let most = SECRET_BYTES_MAX as u64 + 3;
    File::open(path)
        .map_err(unreadable)?
        .take(most)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    let shown = path.display().to_string();
    let text = String::from_utf8(bytes).map_err(|_| SecretError::NotText(shown.clone()))?;
    one_line(text, shown)
}

/// Takes off one end of line, which editors add.
fn one_line(mut text: String, shown: String) -> Result<Secret, SecretError> {
    if text.ends_with('\n') {
        text.pop();
        if text.ends_with('\r') {
            text.pop();
        }
    }
    if text.is_empty() {
        Err(SecretError::Empty(shown))
    } else if text.len() > SECRET_BYTES_MAX {
        Err(SecretError::TooLong(shown))
    } else if text.contains('\n') {
        Err(SecretError::SeveralLines(shown))
    } else if text.contains(char::is_control) {
        Err(SecretError::NotText(shown))
    } else {
        Ok(Secret(text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(content: &[u8]) -> Result<Secret, SecretError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("secret");
        std::fs::write(&path, content).unwrap();
        let password = PasswordSource::File(path);
        Credentials {
            username: "relay".into(),
            password,
        }
        .read()
    }

    #[test]
    fn a_line_of_text_is_a_secret() {
        for (content, secret) in [
            ("hunter2", "hunter2"),
            ("hunter2\n", "hunter2"),
            ("a b ø \r\n", "a b ø "),
        ] {
            assert_eq!(read(content.as_bytes()).unwrap().expose(), secret);
        }
        assert_eq!(read(&[b'x'; 4096]).unwrap().expose().len(), 4096);
    }

    #[test]
    fn anything_else_is_refused_without_showing_it() {
        for (content, error) in [
            (&b""[..], "is empty"),
            (b"\n", "is empty"),
            (b"hunter2\n\n", "more than one line"),
            (b"hunter2\0", "something else than text"),
            (b"hunter2\xff", "something else than text"),
            (&[b'x'; 4097], "more than 4096 bytes"),
            (&[b'x'; 10_000], "more than 4096 bytes"),
        ] {
            let message = read(content).unwrap_err().to_string();
            assert!(message.contains(error), "{message}");
            assert!(!message.contains("hunter2"), "{message}");
        }
    }

    #[test]
    fn files_that_are_none_and_unset_variables_are_named() {
        let from = |password| {
            Credentials {
                username: "relay".into(),
                password,
            }
            .read()
        };
        let folder = tempfile::tempdir().unwrap();
        let missing = from(PasswordSource::File(folder.path().join("no"))).unwrap_err();
        assert!(matches!(missing, SecretError::Unreadable(..)));
        let is_folder = from(PasswordSource::File(folder.path().into())).unwrap_err();
        assert!(matches!(is_folder, SecretError::NotAFile(_)));
        let unset = from(PasswordSource::Environment("NO_SUCH_VARIABLE".into())).unwrap_err();
        assert_eq!(
            unset.to_string(),
            "there is no environment variable NO_SUCH_VARIABLE"
        );
        // Cargo sets this one for its tests.
        let set = from(PasswordSource::Environment("CARGO_MANIFEST_DIR".into())).unwrap();
        assert_eq!(set.expose(), env!("CARGO_MANIFEST_DIR"));
    }

    #[test]
    fn a_url_is_a_secret_of_its_own() {
        let folder = tempfile::tempdir().unwrap();
        let url_file = folder.path().join("url");
        let heartbeat = Heartbeat {
            url_file: url_file.clone(),
            every: std::time::Duration::from_secs(60),
            gap: std::time::Duration::from_secs(900),
        };
        for (content, good) in [
            ("https://example.org/hunter2\n", true),
            ("http://127.0.0.1:8080/hunter2?a=b", true),
            ("ftp://example.org/hunter2", false),
            ("https:///hunter2 x", false),
            ("example.org/hunter2", false),
            ("https://example.org/hunter2 ", false),
        ] {
            std::fs::write(&url_file, content).unwrap();
            let read = heartbeat.read_url();
            assert_eq!(read.is_ok(), good, "{content}: {read:?}");
            let mut shown = format!("{read:?}");
            if let Err(error) = read {
                shown += &error.to_string();
            }
            assert!(!shown.contains("hunter2"), "{shown}");
        }
    }

    #[test]
    fn a_secret_is_not_shown() {
        let secret = read(b"hunter2").unwrap();
        assert_eq!(format!("{secret} {secret:?}"), "[hidden] [hidden]");
    }
}
