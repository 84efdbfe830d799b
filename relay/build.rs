//! Compiles the built-in plugins for the sandbox, so that the binary brings them along, and notes
//! the commit.

#![allow(clippy::panic, reason = "a build script fails by panicking")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// The built-in guests: the package, and the variable that tells the crate where its code is.
const GUESTS: &[(&str, &str)] = &[
    ("forebay-recorder", "FOREBAY_RECORDER_WASM"),
    ("forebay-decoder", "FOREBAY_DECODER_WASM"),
    ("forebay-stills", "FOREBAY_STILLS_WASM"),
    ("forebay-motion", "FOREBAY_MOTION_WASM"),
];

fn main() {
    let manifest = PathBuf::from(variable("CARGO_MANIFEST_DIR"));
    let root = manifest.parent().unwrap_or(&manifest).to_owned();
    note_commit(&root);
    build_plugins(&root);
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_else(|_| panic!("cargo sets {name}"))
}

fn note_commit(root: &Path) {
    let git = |arguments: &[&str]| {
        let output = Command::new("git")
            .arg("-C")
            .arg(root)
            .args(arguments)
            .output()
            .ok()?;
        let text = String::from_utf8(output.stdout).ok()?.trim().to_owned();
        (output.status.success() && !text.is_empty()).then_some(text)
    };
    // Without a repository (an unpacked archive of the source) the commit isn't known.
    let commit = git(&["rev-parse", "--short=12", "HEAD"]).unwrap_or_else(|| "unknown".to_owned());
    println!("cargo::rustc-env=FOREBAY_COMMIT={commit}");
    for file in ["HEAD", "logs/HEAD"] {
        if let Some(path) = git(&["rev-parse", "--git-path", file]) {
            let path = root.join(path);
            if path.exists() {
                println!("cargo::rerun-if-changed={}", path.display());
            }
        }
    }
}

fn build_plugins(root: &Path) {
    let plugins = root.join("plugins");
    for path in ["plugins", "wit"] {
        watch(&root.join(path));
    }
    // Beside this build's own output: OUT_DIR is <target>/<profile>/build/forebay-<hash>/out. The
    // path must stay the same from build to build, or everything is compiled anew.
    let out = PathBuf::from(variable("OUT_DIR"));
    let target = out.ancestors().nth(4).unwrap_or(&out).join("plugins");
    let mut cargo = Command::new(variable("CARGO"));
    cargo
        .current_dir(&plugins)
        .args(["build", "--release", "--locked"])
        .args(["--target", "wasm32-wasip2", "--target-dir"])
        .arg(&target);
    for (package, _) in GUESTS {
        cargo.args(["--package", package]);
    }
    // What this build was told is not meant for the guests.
    for (name, _) in std::env::vars() {
        let outer = [
            "CARGO_ENCODED_RUSTFLAGS",
            "CARGO_BUILD_TARGET",
            "CARGO_TARGET_DIR",
        ];
        if name.starts_with("RUSTC_W")
            || name.starts_with("CARGO_PROFILE_")
            || name.starts_with("CARGO_FEATURE_")
            || name == "RUSTFLAGS"
            || outer.contains(&name.as_str())
        {
            cargo.env_remove(name);
        }
    }
    // Decoders and pixel loops are up to three times as fast with it; every engine of today has it.
    cargo.env("RUSTFLAGS", "-Ctarget-feature=+simd128");
    let status = cargo.status();
    assert!(
        status.is_ok_and(|status| status.success()),
        "the built-in plugins could not be compiled (see above); \
         if the target is missing: rustup target add wasm32-wasip2"
    );
    for (package, variable) in GUESTS {
        let file = target.join(format!(
            "wasm32-wasip2/release/{}.wasm",
            package.replace('-', "_")
        ));
        println!("cargo::rustc-env={variable}={}", file.display());
    }
}

/// Cargo looks at folders as a whole, build output included: name the sources one by one.
fn watch(path: &Path) {
    let Ok(entries) = std::fs::read_dir(path) else {
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() {
            if path.file_name().is_some_and(|name| name != "target") {
                watch(&path);
            }
        } else if path.extension().is_some_and(|kind| {
            ["rs", "toml", "lock", "wit"]
                .iter()
                .any(|known| kind == *known)
        }) {
            println!("cargo::rerun-if-changed={}", path.display());
        }
    }
    println!("cargo::rerun-if-changed={}", path.display());
}
