//! Faults of the machines that relays run on: a disk that is too small, with an archive in which a bit has
//! turned and a pin that nobody can read; an archive that is unmounted; a lease
//! that can't be reached.

use std::fs;
use std::net::SocketAddr;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use forebay_site::SimulatedCamera;
use forebay_tests::{Relay, mp4_files, wait_for};

use super::WAIT_MAX;
use super::faults::{RECORDER, camera_toml, site_toml};

/// Of the small relay's disk, and what is free of it at first: less than a twentieth.
const DISK_BYTES: u64 = 256 << 20;
const FREE_BYTES: u64 = 8 << 20;

/// A relay whose archive is unmounted while it records.
pub(super) struct Strayed {
    relay: Relay,
    folder: PathBuf,
    done: bool,
}

impl Strayed {
    pub(super) fn start(folder: &Path, camera: &SimulatedCamera, cache: &Path) -> Self {
        let [archive, spool] = ["archive", "spool"].map(|name| folder.join(name));
        fs::create_dir_all(&archive).unwrap();
        // The shell that unmounts ends with the relay, whose process this one becomes.
        let script = format!(
            "mount -t tmpfs none {archive:?} || exit
            (while kill -0 $$ && [ ! -e {0:?}/unmount ]; do sleep 0.2; done; umount --lazy {archive:?}) &
            exec \"$0\" \"$@\"",
            folder,
        );
        let mut program = Command::new("unshare");
        program
            .args(["--mount", "--map-root-user", "sh", "-c", &script])
            .arg(Relay::program());
        let relay = Relay::spawn_by(&mut program, folder, |listen| {
            format!(
                "[relay]\narchive = {archive:?}\nspool = {spool:?}\nlisten = \"{listen}\"\n\
                 plugin_cache = {cache:?}\n[carry]\nwaiting_max = \"6 MB\"\n{}{}{RECORDER}",
                site_toml("quay"),
                camera_toml("quay", camera, &[]).replace("\"quay\"\nsite", "\"ramp\"\nsite")
            )
        });
        Self {
            relay,
            folder: folder.to_owned(),
            done: false,
        }
    }

    pub(super) fn address(&self) -> SocketAddr {
        self.relay.address()
    }

    pub(super) fn relay(&self) -> &Relay {
        &self.relay
    }

    /// Once it has carried something, its time has come.
    pub(super) fn go_on(&mut self) {
        if self.done || !self.relay.is_ready() {
            return;
        }
        let metrics = self.relay.metrics();
        let carried = metrics.sum("forebay_carried_bytes_total", &[]) > Some(0.0);
        if !carried {
            return;
        }
        fs::write(self.folder.join("unmount"), "").unwrap();
        self.done = true;
    }
}

/// A relay that contends for a lease in a folder that is not there: a share that is not mounted.
pub(super) fn contender(folder: &Path, camera: &SimulatedCamera, cache: &Path) -> Relay {
    fs::create_dir_all(folder).unwrap();
    Relay::spawn_by_with(
        &mut Command::new(Relay::program()),
        folder,
        &["--lease".as_ref(), folder.join("share/lease").as_os_str()],
        |listen| {
            format!(
                "[relay]\narchive = {:?}\nlisten = \"{listen}\"\nplugin_cache = {cache:?}\n{}{}{RECORDER}",
                folder.join("archive"),
                site_toml("quay"),
                camera_toml("quay", camera, &[])
            )
        },
    )
}

/// The relay on a small disk. What it finds there it has recorded itself, in a first run with room.
pub(super) fn small(folder: &Path, camera: &SimulatedCamera, cache: &Path) -> Relay {
    fs::create_dir_all(folder).unwrap();
    let archive = folder.join("archive");
    let toml = |listen: SocketAddr, more: &str| {
        format!(
            "[relay]\narchive = {archive:?}\nlisten = \"{listen}\"\nplugin_cache = {cache:?}\n{more}{}{}{RECORDER}",
            site_toml("quay"),
            camera_toml("quay", camera, &[])
        )
    };
    let first = Relay::spawn_by(&mut Command::new(Relay::program()), folder, |listen| {
        toml(listen, "[scrub]\nenabled = false\n")
    });
    let footage = archive.join("quay/footage");
    let recorded = wait_for(WAIT_MAX, || {
        let published = first.is_ready().then(|| {
            first
                .metrics()
                .sum("forebay_sink_objects_published_total", &[])
        })?;
        (published >= Some(2.0)).then_some(())
    });
    assert!(recorded.is_some(), "{}", first.log());
    assert!(first.stop().status.success());

    let files = mp4_files(&footage);
    let [one, another, ..] = files.as_slice() else {
        panic!("{files:?}");
    };
    // A bit of the picture data turns.
    let file = fs::File::options()
        .read(true)
        .write(true)
        .open(one)
        .unwrap();
    let middle = file.metadata().unwrap().len() / 2;
    let mut byte = [0];
    file.read_exact_at(&mut byte, middle).unwrap();
    file.write_all_at(&[byte[0] ^ 1], middle).unwrap();
    // Something is due for years, and a pin that can't be read keeps it.
    let old = footage.join("2020-05-04");
    fs::create_dir(&old).unwrap();
    fs::copy(another, old.join("2020-05-04T073100.120Z.mp4")).unwrap();
    let pins = archive.join("quay/pins/2020-05-04");
    fs::create_dir_all(&pins).unwrap();
    fs::write(pins.join("2020-05-04T073100.120Z.jsonl"), "no pin\n").unwrap();

    // A disk of its own, which goes with the process's mounts.
    let kept = folder.join("kept");
    fs::rename(&archive, &kept).unwrap();
    fs::create_dir(&archive).unwrap();
    let script = format!(
        "mount -t tmpfs -o size={DISK_BYTES} none {archive:?} && cp -a {kept:?}/. {archive:?} && \
         head -c $(($(stat -f -c %a {archive:?}) * $(stat -f -c %S {archive:?}) - {FREE_BYTES})) \
         /dev/zero >{:?} && exec \"$0\" \"$@\"",
        archive.join("ballast")
    );
    let mut program = Command::new("unshare");
    program
        .args(["--mount", "--map-root-user", "sh", "-c", &script])
        .arg(Relay::program());
    Relay::spawn_by(&mut program, folder, |listen| {
        let more = "[scrub]\nfirst_after_seconds = 5\n\
            [ladder]\nfootage_days = 30\nfree_space = \"50 MB\"\n";
        toml(listen, more)
    })
}
