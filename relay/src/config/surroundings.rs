//! Checks of what the configuration points to: folders, secrets, plugin files.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::time::Duration;

use super::excerpt::sounds_secret;
use super::model::{Config, Plugin};
use super::problem::Problem;
use super::secrets::{Credentials, PasswordSource, SecretError};

/// How long the file system may take for one answer. A network file system whose server is gone
/// may never answer.
const PATIENCE: Duration = Duration::from_secs(5);

/// First bytes of a WebAssembly component, <https://component-model.bytecodealliance.org>,
/// Binary.md: magic number, version, layer 1. A core module has layer 0.
const WASM_MAGIC: &[u8] = b"\0asm";
const COMPONENT_LAYER: &[u8] = &[1, 0];

impl Config {
    /// Checks what needs the machine: whether archive, spool and plugin cache can be written,
    /// passwords and token can be read and are kept to themselves, plugin files are there; and
    /// whether each camera is recorded. Leaves nothing behind: a file is made in each of the
    /// folders, or in the nearest one above that exists, and removed again.
    #[must_use]
    pub fn check_surroundings(&self) -> Vec<Problem> {
        let mut problems = self.check_folders();
        problems.extend(self.check_references());
        problems
    }

    fn check_folders(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        let relay = &self.relay;
        for (key, path) in [
            ("archive", &relay.archive),
            ("spool", &relay.spool),
            ("plugin_cache", &relay.plugin_cache),
        ] {
            if key == "archive" && relay.store.is_some() {
                continue;
            }
            let folder = path.clone();
            problems.extend(patiently(key, path, move || writable(key, &folder)));
        }
        problems
    }

    /// The part of [`check_surroundings`](Self::check_surroundings) that looks at no folder: what may
    /// be another one while a relay runs.
    #[must_use]
    pub fn check_references(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        let relay = &self.relay;
        if let Some(path) = &relay.token_file {
            let (relay, file) = (relay.clone(), path.clone());
            problems.extend(patiently("token_file", path, move || {
                match relay.read_token() {
                    Ok(_) => open_to_others("[relay]: token_file", &file),
                    Err(error) => vec![secret_problem("[relay]", &error)],
                }
            }));
        }
        if let Some(heartbeat) = self.heartbeat.clone() {
            let file = heartbeat.url_file.clone();
            problems.extend(patiently(
                "url_file",
                &file.clone(),
                move || match heartbeat.read_url() {
                    Ok(_) => open_to_others("[heartbeat]: url_file", &file),
                    Err(error) => vec![secret_problem("[heartbeat]", &error)],
                },
            ));
        }
        if let Some(path) = self.pictures.ffmpeg.clone() {
            let program = path.clone();
            problems.extend(patiently("[pictures]: ffmpeg", &path, move || {
                executable(&program)
            }));
        }
        if let Some(store) = &relay.store {
            let (credentials, what) = (store.credentials.clone(), "[store]".to_owned());
            problems.extend(secret(credentials, what, "secret_key_file"));
        }
        for camera in &self.cameras {
            let what = format!("camera \"{}\"", camera.name);
            let urls = [
                ("url", Some(&camera.url)),
                ("analysis_url", camera.analysis_url.as_ref()),
            ];
            for (key, _) in urls
                .into_iter()
                .filter_map(|(key, url)| Some((key, url?)))
                .filter(|(_, url)| url.query_pairs().any(|(key, _)| sounds_secret(&key)))
            {
                problems.push(Problem::warning(
                    format!("{what}: {key} seems to hold a password"),
                    "Some cameras know no other way; then nobody but the relay may read this file. \
                     Where the camera can do it, use username with password_file.",
                ));
            }
            if let Some(credentials) = camera.credentials.clone() {
                problems.extend(secret(credentials, what, "password_file"));
            }
            if self.sinks_of(&camera.name).next().is_none() {
                problems.push(Problem::warning(
                    format!("camera \"{}\": no sink takes it, so that nothing is recorded", camera.name),
                    "Name it in cameras of a [[sink]]; or add a sink with plugin = \"builtin:recorder\".",
                ));
            }
        }
        for sink in &self.sinks {
            let Plugin::File(path) = &sink.plugin else {
                continue;
            };
            let (what, file) = (format!("sink \"{}\"", sink.name), path.clone());
            problems.extend(patiently(&what.clone(), path, move || plugin(&what, &file)));
        }
        problems
    }
}

/// Whether a password can be had, and is kept to itself. `key`: what names its file.
fn secret(credentials: Credentials, what: String, key: &'static str) -> Vec<Problem> {
    let file = match &credentials.password {
        PasswordSource::File(path) => path.clone(),
        PasswordSource::Environment(_) => PathBuf::new(),
    };
    let path = file.clone();
    patiently(&what.clone(), &path, move || {
        match (credentials.read(), &credentials.password) {
            (Err(error), _) => vec![secret_problem(&what, &error)],
            (Ok(_), PasswordSource::File(_)) => open_to_others(&format!("{what}: {key}"), &file),
            (Ok(_), PasswordSource::Environment(_)) => Vec::new(),
        }
    })
}

/// Runs a check that may hang on a thread of its own, which is given up after [`PATIENCE`].
fn patiently(
    what: &str,
    path: &Path,
    check: impl FnOnce() -> Vec<Problem> + Send + 'static,
) -> Vec<Problem> {
    let (sender, receiver) = mpsc::sync_channel(1);
    let thread = std::thread::Builder::new()
        .name("check".into())
        .spawn(move || {
            // When nobody waits any longer, nobody wants the answer.
            sender.send(check()).unwrap_or_default();
        });
    let failed = match thread {
        Err(error) => format!("{what}: no thread can be started to check it: {error}"),
        Ok(_) => match receiver.recv_timeout(PATIENCE) {
            Ok(problems) => return problems,
            Err(_) => {
                let (path, seconds) = (path.display(), PATIENCE.as_secs());
                format!("{what}: {path} gave no answer within {seconds} s")
            }
        },
    };
    vec![Problem::new(
        failed,
        "Is it on a network or failing disk? Try: ls on the same path.",
    )]
}

fn secret_problem(what: &str, error: &SecretError) -> Problem {
    let cause = std::error::Error::source(error).map(|cause| format!(": {cause}"));
    Problem::new(
        format!("{what}: {error}{}", cause.unwrap_or_default()),
        error.advice(),
    )
}

/// Whether a folder can be made, or be written if it is there.
fn writable(key: &str, folder: &Path) -> Vec<Problem> {
    let shown = folder.display();
    let Some(existing) = nearest_existing(folder) else {
        let advice = "Check the path.";
        return vec![Problem::new(
            format!("[relay]: {key} {shown} has no folder above it"),
            advice,
        )];
    };
    let place = if existing == folder {
        String::new()
    } else {
        format!(
            " ({} is the nearest folder that exists)",
            existing.display()
        )
    };
    let probe = existing.join(format!(".forebay-check-{}-{key}", std::process::id()));
    let tried = if existing.is_dir() {
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&probe)
            .and_then(|file| {
                drop(file);
                std::fs::remove_file(&probe)
            })
    } else {
        Err(io::Error::from(io::ErrorKind::NotADirectory))
    };
    match tried {
        Ok(()) => Vec::new(),
        Err(error) => vec![Problem::new(
            format!("[relay]: {key} {shown} can't be written{place}: {error}"),
            format!(
                "Make the folder and give it to the user who runs the relay, as in\n\
                 install -d -o forebay {shown}"
            ),
        )],
    }
}

/// The path itself or the nearest above it that exists, of whatever kind.
fn nearest_existing(path: &Path) -> Option<PathBuf> {
    // A relative path of one part ends with the empty path, which is the working folder.
    let ancestors = path.ancestors().map(|above| {
        if above.as_os_str().is_empty() {
            Path::new(".")
        } else {
            above
        }
    });
    // What may not be looked at counts as existing: its error is told when it is used.
    let mut found = ancestors.filter(|above| match above.symlink_metadata() {
        Ok(_) => true,
        Err(error) => !matches!(
            error.kind(),
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
        ),
    });
    found.next().map(Path::to_path_buf)
}

/// Whether ffmpeg can be started.
fn executable(path: &Path) -> Vec<Problem> {
    let found = std::fs::metadata(path).and_then(|metadata| {
        if !metadata.is_file() {
            return Err(io::Error::other("it isn't a regular file"));
        }
        if metadata.mode() & 0o111 == 0 {
            return Err(io::Error::from(io::ErrorKind::PermissionDenied));
        }
        Ok(())
    });
    match found {
        Ok(()) => Vec::new(),
        Err(error) => vec![Problem::new(
            format!(
                "[pictures]: ffmpeg {} can't be run: {error}",
                path.display()
            ),
            "Give the path that `command -v ffmpeg` prints, or remove the line: the built-in decoder \
             does most streams.",
        )],
    }
}

/// Warns of a secret that every user of the machine can read.
fn open_to_others(what: &str, path: &Path) -> Vec<Problem> {
    let mode = std::fs::metadata(path)
        .map(|metadata| metadata.mode())
        .unwrap_or_default();
    if mode & 0o004 == 0 {
        return Vec::new();
    }
    let path = path.display();
    vec![Problem::warning(
        format!("{what} {path} can be read by every user of this machine"),
        format!("chmod o= {path}"),
    )]
}

fn plugin(what: &str, path: &Path) -> Vec<Problem> {
    let shown = path.display();
    let mut header = Vec::new();
    let opened = std::fs::metadata(path).and_then(|metadata| {
        if !metadata.is_file() {
            return Err(io::Error::other("it isn't a regular file"));
        }
        File::open(path)?.take(8).read_to_end(&mut header)
    });
    if let Err(error) = opened {
        let message = format!("{what}: plugin {shown} can't be read: {error}");
        let advice = "Check the path: a relative one is taken from the configuration's folder.";
        return vec![Problem::new(message, advice)];
    }
    let advice = "Build it as a component, in Rust: cargo build --target wasm32-wasip2";
    if !header.starts_with(WASM_MAGIC) {
        vec![Problem::new(
            format!("{what}: plugin {shown} isn't WebAssembly"),
            advice,
        )]
    } else if !header.ends_with(COMPONENT_LAYER) || header.len() != 8 {
        let message = format!("{what}: plugin {shown} is WebAssembly, but not a component");
        vec![Problem::new(message, advice)]
    } else {
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::super::parse;
    use super::super::problem::Severity;
    use super::*;

    struct Home(tempfile::TempDir);

    impl Home {
        fn new() -> Self {
            Self(tempfile::tempdir().unwrap())
        }

        fn file(&self, name: &str, content: &[u8], mode: u32) {
            let path = self.0.path().join(name);
            std::fs::write(&path, content).unwrap();
            std::fs::set_permissions(&path, PermissionsExt::from_mode(mode)).unwrap();
        }

        /// The problems of a configuration in this folder, without the folder's name.
        fn check(&self, relay: &str, camera: &str, sink: &str) -> Vec<(Severity, String)> {
            let text = format!(
                "[relay]\n{relay}\n[[site]]\nname = 'boatyard'\ntime_zone = 'Europe/Oslo'\n\
                 [[camera]]\nname = 'gate'\nsite = 'boatyard'\nurl = 'rtsp://10.40.0.12/main'\n\
                 {camera}\n[[sink]]\nname = 'footage'\n{sink}"
            );
            let config = parse(&text, &self.0.path().join("forebay.toml")).unwrap();
            let root = format!("{}/", self.0.path().display());
            let problems = config.check_surroundings().into_iter();
            problems
                .map(|p| (p.severity, p.message.replace(&root, "")))
                .collect()
        }

        fn entries(&self) -> usize {
            std::fs::read_dir(self.0.path()).unwrap().count()
        }
    }

    const RECORDER: &str = "plugin = 'builtin:recorder'";

    #[test]
    fn what_is_well_is_silent_and_nothing_is_left_behind() {
        let home = Home::new();
        home.file("token", b"0123456789abcdef\n", 0o600);
        home.file("password", b"hunter2\n", 0o640);
        home.file("mine.wasm", b"\0asm\x0d\0\x01\0 and so on", 0o644);
        let found = home.check(
            "archive = 'a/b/c'\ntoken_file = 'token'",
            "username = 'relay'\npassword_file = 'password'",
            "plugin = 'mine.wasm'",
        );
        assert_eq!(found, []);
        assert_eq!(home.entries(), 3);
    }

    #[test]
    fn folders_that_cannot_be_made_are_named() {
        let home = Home::new();
        home.file("taken", b"", 0o644);
        let found = home.check(
            "archive = 'taken/archive'\nspool = '/proc/forebay'",
            "",
            RECORDER,
        );
        let messages: Vec<_> = found.iter().map(|(_, message)| message.as_str()).collect();
        assert_eq!(messages.len(), 3, "{messages:?}");
        assert!(messages[0].starts_with(
            "[relay]: archive taken/archive can't be written (taken is the nearest folder that \
             exists): "
        ));
        assert!(messages[1].starts_with("[relay]: spool /proc/forebay can't be written (/proc is"));
        assert!(messages[2].starts_with("[relay]: plugin_cache /proc/forebay/plugin-cache"));
        assert!(
            found
                .iter()
                .all(|(severity, _)| *severity == Severity::Error)
        );
    }

    #[test]
    fn secrets_must_be_there_and_stay_private() {
        let home = Home::new();
        let user = |line: &str| format!("username = 'relay'\n{line}");
        let archive = "archive = 'archive'";
        let missing = home.check(archive, &user("password_file = 'no'"), RECORDER);
        assert_eq!(missing.len(), 1);
        assert!(
            missing[0]
                .1
                .starts_with("camera \"gate\": no can't be read: "),
            "{missing:?}"
        );
        let unset = home.check(
            archive,
            &user("password_env = 'NO_SUCH_VARIABLE'"),
            RECORDER,
        );
        assert_eq!(
            unset[0].1,
            "camera \"gate\": there is no environment variable NO_SUCH_VARIABLE"
        );

        home.file("empty", b"\n", 0o600);
        let empty = home.check(archive, &user("password_file = 'empty'"), RECORDER);
        assert_eq!(
            empty,
            [(Severity::Error, "camera \"gate\": empty is empty".into())]
        );
        home.file("open", b"hunter2", 0o644);
        let open = home.check(archive, &user("password_file = 'open'"), RECORDER);
        let message =
            "camera \"gate\": password_file open can be read by every user of this machine";
        assert_eq!(open, [(Severity::Warning, message.into())]);
    }

    #[test]
    fn tokens_are_long_and_fit_for_a_header() {
        let home = Home::new();
        for (token, message) in [
            (
                &b"0123456789abcde\n"[..],
                "[relay]: token holds a token of less than 16 characters",
            ),
            (
                b"0123456789 abcdef",
                "[relay]: token holds a character that a token can't have",
            ),
            (
                b"0123456789=abcdef",
                "[relay]: token holds a character that a token can't have",
            ),
        ] {
            home.file("token", token, 0o600);
            let found = home.check("archive = 'a'\ntoken_file = 'token'", "", RECORDER);
            assert_eq!(found.len(), 1);
            assert!(found[0].1.starts_with(message), "{found:?}");
        }
    }

    #[test]
    fn plugin_files_are_components() {
        let home = Home::new();
        for (content, message) in [
            (
                &b"\0asm\x01\0\0\0 and so on"[..],
                "is WebAssembly, but not a component",
            ),
            (b"\0asm\x01\0", "is WebAssembly, but not a component"),
            (b"(module)", "isn't WebAssembly"),
            (b"", "isn't WebAssembly"),
        ] {
            home.file("mine.wasm", content, 0o644);
            let found = home.check("archive = 'a'", "", "plugin = 'mine.wasm'");
            let message = format!("sink \"footage\": plugin mine.wasm {message}");
            assert_eq!(found, [(Severity::Error, message)]);
        }
        let found = home.check("archive = 'a'", "", "plugin = 'none.wasm'");
        assert!(
            found[0]
                .1
                .starts_with("sink \"footage\": plugin none.wasm can't be read")
        );
    }

    #[test]
    fn a_camera_that_nobody_records_is_a_warning() {
        let home = Home::new();
        let second = "[[camera]]\nname = 'slipway'\nsite = 'boatyard'\nurl = 'rtsp://10.40.0.11/'";
        let found = home.check(
            "archive = 'a'",
            second,
            "plugin='builtin:recorder'\ncameras=['gate']",
        );
        let message = "camera \"slipway\": no sink takes it, so that nothing is recorded";
        assert_eq!(found, [(Severity::Warning, message.into())]);
    }

    #[test]
    fn a_password_among_the_parameters_of_a_url_is_a_warning() {
        let home = Home::new();
        let second = "[[camera]]\nname = 'slipway'\nsite = 'boatyard'\n\
                      url = 'rtsp://10.40.0.11/?channel=1&password=hunter2'";
        let found = home.check("archive = 'a'", second, "plugin='builtin:recorder'");
        let message = "camera \"slipway\": url seems to hold a password";
        assert_eq!(found, [(Severity::Warning, message.into())]);
    }

    #[test]
    fn a_check_that_hangs_is_given_up() {
        let (_keep, never) = mpsc::channel::<()>();
        let found = patiently("archive", Path::new("/net/gone"), move || {
            never.recv().unwrap_or_default();
            Vec::new()
        });
        assert_eq!(
            found[0].message,
            "archive: /net/gone gave no answer within 5 s"
        );
    }
}
