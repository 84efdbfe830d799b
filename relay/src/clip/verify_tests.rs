//! What a clip says of its sources: thinned, whole, damaged.

use std::fs;

use serde_json::Value;

use super::tests::{H264, Yard, manifest, tools};
use super::*;
use crate::archive::Fingerprint;
use crate::archive::catalog::{Catalog, Change};

/// The last words of each entry, by what it is.
fn told(clip: &Clip) -> Vec<(Value, Value)> {
    let manifest = manifest(clip);
    let sources = manifest["sources"].as_array().unwrap();
    let told = |source: &Value| {
        (
            source["verified"].clone(),
            source["key_frames_only"].clone(),
        )
    };
    sources.iter().map(told).collect()
}

fn note(yard: &Yard, path: &Path) {
    // By coreutils.
    let output = std::process::Command::new("sha256sum").arg(path).output();
    let told = String::from_utf8(output.unwrap().stdout).unwrap();
    let sha256 = told.split(' ').next().unwrap().parse().unwrap();
    let object = path.strip_prefix(yard.path("archive")).unwrap();
    let change = Change::Object {
        object: object.to_str().unwrap().to_owned(),
        camera: crate::units::Name::new("slipway").unwrap(),
        fingerprint: Fingerprint {
            bytes: fs::metadata(path).unwrap().len(),
            sha256,
        },
        late: false,
    };
    let (mut catalog, _) = Catalog::open(&yard.path("spool")).unwrap();
    catalog.apply(&[change]).unwrap();
}

#[test]
fn key_frames_stand_in_for_what_was_thinned() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let whole = format!("{H264} -bf 0 -an");
    // A key frame each second, as thinning leaves them.
    let keys = format!("{whole} -vf fps=1 -g 1");
    let both = yard.record(0, 0, 1, &whole);
    yard.record(3000, 0, 2, &keys);
    let (from, to) = (
        yard.path("archive/slipway/footage"),
        yard.path("archive/slipway/key-frames"),
    );
    fs::rename(&from, &to).unwrap();
    // What is there whole is taken from there.
    yard.record(0, 0, 1, &whole);
    let clip = yard.cut(0, 6000, "clip");
    assert_eq!(clip.gaps, []);
    assert_eq!((clip.sources, clip.thinned), (2, 1));
    let bounds = manifest(&clip)["bounds"]["seconds"].as_f64().unwrap();
    assert!((bounds - 6.0).abs() < 0.01, "{bounds}");
    let shown: i64 = clip
        .files
        .iter()
        .zip(manifest(&clip)["files"].as_array().unwrap())
        .map(|(_, file)| file["streams"][0]["units"].as_i64().unwrap())
        .sum();
    assert_eq!(shown, 30 + 3);
    assert_eq!(
        told(&clip),
        [(Value::Null, Value::Null), (Value::Null, true.into())]
    );
    // And by them alone.
    fs::remove_dir_all(&from).unwrap();
    let clip = yard.cut(0, 6000, "thinned");
    assert_eq!((clip.sources, clip.thinned), (2, 2));
    let replayed = crate::archive::replay::Replay::archive(
        std::sync::Arc::new(crate::archive::RealDisk),
        &yard.path("archive"),
        &crate::units::Name::new("slipway").unwrap(),
        None,
        None,
    );
    assert_eq!(replayed.unwrap().map(Result::unwrap).count(), 33);
    assert!(!both.exists());
}

#[test]
fn a_damaged_source_is_named() {
    if !tools() {
        return;
    }
    let yard = Yard::new();
    let coding = format!("{H264} -bf 0 -an");
    let paths = [0, 3000, 6000].map(|at| yard.record(at, 0, 1, &coding));
    note(&yard, &paths[0]);
    note(&yard, &paths[1]);
    // The last bit of the last picture: it is decoded all the same.
    let mut bytes = fs::read(&paths[1]).unwrap();
    let mdat = bytes.windows(4).rposition(|kind| kind == b"mdat").unwrap();
    let length = u32::from_be_bytes(bytes[mdat - 4..mdat].try_into().unwrap()) as usize;
    bytes[mdat - 4 + length - 1] ^= 1;
    fs::write(&paths[1], bytes).unwrap();
    let clip = yard.cut(0, 9000, "clip");
    let verified: Vec<_> = told(&clip)
        .into_iter()
        .map(|(verified, _)| verified)
        .collect();
    assert_eq!(verified, [true.into(), false.into(), Value::Null]);
    let [damaged] = &clip.damaged[..] else {
        panic!("{:?}", clip.damaged)
    };
    assert!(damaged.source.contains("T073103"), "{damaged:?}");
    assert!(
        damaged
            .fault
            .starts_with("it is damaged: when it was published")
    );
    let manifest = manifest(&clip);
    assert_eq!(manifest["sources"][2]["remark"], "no manifest lists it");
}
