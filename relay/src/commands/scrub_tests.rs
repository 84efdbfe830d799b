#![allow(clippy::unwrap_used)]

use super::*;
use crate::archive::scrub::FaultKind;

#[test]
fn rates() {
    for (text, bytes) in [
        ("20MB/s", 20_000_000),
        ("512 KiB/s", 524_288),
        ("1000", 1000),
    ] {
        assert_eq!(rate(text), Ok(ByteCount::new(bytes)), "{text}");
    }
    for bad in ["", "20 MB/h", "fast", "0", "0 MB/s", "20 Mb/s"] {
        assert!(rate(bad).is_err(), "{bad}");
    }
}

fn told(format: Format, faults: &[Fault], scrubbed: Scrubbed) -> String {
    let mut teller = Teller {
        out: Vec::new(),
        format,
        told: 0,
        quarantined: 1,
        failed: Ok(()),
    };
    teller.begin();
    faults.iter().for_each(|fault| teller.fault(fault));
    teller.end(&scrubbed);
    teller.failed.unwrap();
    String::from_utf8(teller.out).unwrap()
}

#[test]
fn reports() {
    let damaged = Fault {
        kind: FaultKind::Damaged,
        camera: Some(Name::new("gate").unwrap()),
        path: "gate/footage/2026-05-04/2026-05-04T073100.120Z.mp4".into(),
        detail: "it has 7 bytes instead of 8".into(),
    };
    let catalog = Fault {
        kind: FaultKind::Catalog,
        camera: None,
        path: "/srv/forebay/.spool/catalog.sqlite".into(),
        detail: "a \"table\"\nis broken".into(),
    };
    let scrubbed = Scrubbed {
        objects: 3,
        bytes: 1000,
        manifests: 2,
        waiting: 1,
        faults: 2,
        ..Scrubbed::default()
    };
    let faults = [damaged, catalog];
    assert_eq!(
        told(Format::Text, &faults, scrubbed),
        "damaged     gate/footage/2026-05-04/2026-05-04T073100.120Z.mp4: it has 7 bytes instead of 8\n\
         catalog     /srv/forebay/.spool/catalog.sqlite: a \"table\" is broken\n\
         3 objects of 1000 bytes and 2 manifests read: 2 faults; 1 moved to .quarantine; 1 too young \
         to be in a manifest\n"
    );
    for faults in [&faults[..], &[]] {
        let json = told(Format::Json, faults, scrubbed);
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(json["format"], "forebay-scrub");
        assert_eq!(json["faults"].as_array().unwrap().len(), faults.len());
        assert_eq!(
            (&json["bytes"], &json["waiting"]),
            (&1000.into(), &1.into())
        );
        if let Some(last) = faults.last() {
            assert_eq!(json["faults"][1]["detail"], last.detail.as_str());
            assert!(json["faults"][1]["camera"].is_null());
        }
    }
}
