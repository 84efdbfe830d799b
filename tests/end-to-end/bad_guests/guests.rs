//! The guests as files: compiled from `tests/guests`, once.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;

use forebay_tests::run;

static FOLDER: LazyLock<PathBuf> = LazyLock::new(build);

/// The component of that name.
pub(crate) fn guest(name: &str) -> PathBuf {
    let file = FOLDER.join(format!("{name}.wasm"));
    assert!(file.is_file(), "{} was not built", file.display());
    file
}

fn build() -> PathBuf {
    let sources = Path::new(env!("CARGO_MANIFEST_DIR")).join("guests");
    // Beside the output of this build, where the next run finds it again.
    let target = Path::new(crate::SCRATCH).with_file_name("guests");
    build_for_sandbox(&sources, &target, &["--examples"]).join("examples")
}

/// Compiles what `chosen` names in the workspace at `sources`; gives the folder of the components.
pub(crate) fn build_for_sandbox(sources: &Path, target: &Path, chosen: &[&str]) -> PathBuf {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command
        .current_dir(sources)
        .args(["build", "--quiet", "--release", "--locked"])
        .args(chosen)
        .args(["--target", "wasm32-wasip2", "--target-dir"])
        .arg(target);
    // What the build of the tests was told is not meant for the guests (as in relay/build.rs).
    for (name, _) in std::env::vars() {
        let outer = [
            "RUSTFLAGS",
            "CARGO_ENCODED_RUSTFLAGS",
            "CARGO_BUILD_TARGET",
            "CARGO_TARGET_DIR",
        ];
        let prefixes = ["RUSTC_W", "CARGO_PROFILE_", "CARGO_FEATURE_"];
        if outer.contains(&name.as_str()) || prefixes.iter().any(|start| name.starts_with(start)) {
            command.env_remove(name);
        }
    }
    // If the target is missing: rustup target add wasm32-wasip2
    run(&mut command);
    target.join("wasm32-wasip2/release")
}
