//! The relay's configuration file, written for one test.

use std::ffi::{OsStr, OsString};
use std::fmt::Write as _;
use std::fs::{self, OpenOptions};
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One camera of the configuration.
#[derive(Debug, Clone, Default)]
pub struct Camera {
    /// Its name in the archive.
    pub name: String,
    /// Where it is, without credentials.
    pub url: String,
    /// User and password.
    pub login: Option<(String, String)>,
    /// RTP over UDP instead of inside the RTSP connection.
    pub udp: bool,
    /// TOML to stand at the end of its table.
    pub extra: String,
}

/// What a relay is started with.
#[derive(Debug, Clone)]
pub struct Configuration {
    folder: PathBuf,
    cameras: Vec<Camera>,
    segment_seconds: u32,
    plugin: String,
    settings: String,
    spool: Option<PathBuf>,
    relay: String,
    archive: Option<PathBuf>,
    leaves_archive: bool,
    bucket: Option<String>,
    extra: String,
    arguments: Vec<OsString>,
    environment: Vec<(String, OsString)>,
}

impl Configuration {
    /// Everything that the relay writes goes below `folder`.
    #[must_use]
    pub fn new(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
            cameras: Vec::new(),
            segment_seconds: 4,
            plugin: "builtin:recorder".into(),
            settings: String::new(),
            spool: None,
            relay: String::new(),
            archive: None,
            leaves_archive: false,
            bucket: None,
            extra: String::new(),
            arguments: Vec::new(),
            environment: Vec::new(),
        }
    }

    /// Adds a camera.
    #[must_use]
    pub fn camera(mut self, camera: Camera) -> Self {
        self.cameras.push(camera);
        self
    }

    /// Length of the recorder's files; 4 s unless set.
    #[must_use]
    pub fn segment_seconds(mut self, seconds: u32) -> Self {
        self.segment_seconds = seconds;
        self
    }

    /// Another recorder than the built-in one: a component, and TOML for its settings.
    #[must_use]
    pub fn recorder(mut self, plugin: &Path, settings: &str) -> Self {
        self.plugin = plugin.display().to_string();
        self.settings = settings.into();
        self
    }

    /// The spool's folder, if it is not to be left to the relay.
    #[must_use]
    pub fn spool(mut self, spool: &Path) -> Self {
        self.spool = Some(spool.to_path_buf());
        self
    }

    /// TOML to stand at the end of `[relay]`.
    #[must_use]
    pub fn relay(mut self, toml: &str) -> Self {
        self.relay.push_str(toml);
        self
    }

    /// The archive's folder is not looked at, let alone made: it may hang.
    #[must_use]
    pub fn leave_archive(mut self) -> Self {
        self.leaves_archive = true;
        self
    }

    /// The archive's folder, if another relay has the same.
    #[must_use]
    pub fn archive_at(mut self, archive: &Path) -> Self {
        self.archive = Some(archive.to_path_buf());
        self
    }

    /// A word more for `forebay run`.
    #[must_use]
    pub fn argument(mut self, word: impl AsRef<OsStr>) -> Self {
        self.arguments.push(word.as_ref().to_owned());
        self
    }

    /// A variable of the relay's environment.
    #[must_use]
    pub fn variable(mut self, name: &str, value: impl AsRef<OsStr>) -> Self {
        let value = value.as_ref().to_owned();
        self.environment.push((name.to_owned(), value));
        self
    }

    /// What [`argument`](Self::argument) and [`variable`](Self::variable) were given.
    pub(crate) fn apply(&self, program: &mut Command) {
        program.args(&self.arguments);
        program.envs(self.environment.iter().map(|(name, value)| (name, value)));
    }

    /// The archive is in a bucket (`s3://…`); what `[store]` says beside its key goes into
    /// [`extra`](Self::extra). Needs a [`spool`](Self::spool).
    #[must_use]
    pub fn bucket(mut self, place: &str) -> Self {
        self.bucket = Some(place.to_owned());
        self
    }

    /// TOML to stand at the end of the file.
    #[must_use]
    pub fn extra(mut self, toml: &str) -> Self {
        self.extra.push_str(toml);
        self
    }

    /// The archive's folder.
    #[must_use]
    pub fn archive(&self) -> PathBuf {
        let archive = self.archive.clone();
        archive.unwrap_or_else(|| self.folder.join("archive"))
    }

    /// The folder given to [`new`](Self::new).
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Writes the file, with the passwords in files of their own, and returns its path.
    #[must_use]
    pub fn write(&self, listen: &str) -> PathBuf {
        let archive = self.bucket.clone().unwrap_or_else(|| {
            let archive = self.archive();
            if !self.leaves_archive {
                fs::create_dir_all(&archive).unwrap();
            }
            archive.to_str().unwrap().to_owned()
        });
        let relay = &self.relay;
        let spool = self
            .spool
            .as_ref()
            .map(|spool| format!("spool = {spool:?}\n"));
        let spool = spool.unwrap_or_default();
        let mut text = format!(
            "[relay]\narchive = {archive:?}\nlisten = {listen:?}\n{spool}{relay}\n\
             [[site]]\nname = \"boatyard\"\ntime_zone = \"Europe/Oslo\"\n\
             latitude = 60.39\nlongitude = 5.32\n"
        );
        for camera in &self.cameras {
            let Camera {
                name,
                url,
                login,
                udp,
                extra,
            } = camera;
            write!(
                text,
                "\n[[camera]]\nname = {name:?}\nsite = \"boatyard\"\nurl = {url:?}\n"
            )
            .unwrap();
            if let Some((user, password)) = login {
                let path = self.folder.join(format!("{name}.password"));
                let mut file = OpenOptions::new();
                file.write(true).create(true).truncate(true).mode(0o600);
                file.open(&path)
                    .unwrap()
                    .write_all(password.as_bytes())
                    .unwrap();
                write!(text, "username = {user:?}\npassword_file = {path:?}\n").unwrap();
            }
            if *udp {
                text.push_str("transport = \"udp\"\n");
            }
            text.push_str(extra);
        }
        write!(
            text,
            "\n[[sink]]\nname = \"footage\"\nplugin = {:?}\ncameras = [\"*\"]\n\
             [sink.settings]\nsegment_seconds = {}\n{}{}",
            self.plugin, self.segment_seconds, self.settings, self.extra
        )
        .unwrap();
        let path = self.folder.join("forebay.toml");
        fs::write(&path, text).unwrap();
        path
    }
}
