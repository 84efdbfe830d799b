//! What the plugin makes of its configuration, and of what the relay hands over.

use forebay_plugin_sdk::{Configuration, Picture, Plane};
use forebay_stills::{frame, read, request};

fn configuration(settings: &str) -> Configuration {
    Configuration {
        camera: "slipway".into(),
        sink: "daily".into(),
        site: "boatyard".into(),
        time_zone: "Europe/Oslo".into(),
        latitude: Some(60.39),
        longitude: Some(5.32),
        settings: settings.into(),
    }
}

#[test]
fn a_request_names_what_a_jpeg_needs() {
    let (settings, schedule, origin) =
        read(&configuration(r#"{"longest_side":1280,"every_minutes":5}"#)).unwrap();
    let request = request(&settings);
    assert_eq!((request.rate, request.longest_side), (0.0, 1280));
    assert_eq!(
        (request.format.as_str(), request.source.as_str()),
        ("i420", "main")
    );
    assert_eq!(request.minimum_score, 0.0);
    assert_eq!(schedule.every_nanos(), 300_000_000_000);
    assert_eq!(
        (origin.camera.as_str(), origin.site.as_str()),
        ("slipway", "boatyard")
    );
}

#[test]
fn a_configuration_is_refused_with_words() {
    let refuse = |configuration: &Configuration| read(configuration).err().unwrap();
    let text = refuse(&configuration(r#"{"every_minutes":11}"#));
    assert!(
        text.contains("sink \"daily\": every_minutes = 11"),
        "{text}"
    );
    let text = refuse(&configuration(r#"{"between":["07:00","1800"]}"#));
    assert!(
        text.contains("between") && text.contains("\"1800\" is no clock time"),
        "{text}"
    );
    let text = refuse(&Configuration {
        latitude: None,
        longitude: None,
        ..configuration(r#"{"sun_above":5}"#)
    });
    assert!(
        text.contains("give it `latitude` and `longitude`"),
        "{text}"
    );
    let text = refuse(&Configuration {
        time_zone: "Europe/Nowhere".into(),
        ..configuration("{}")
    });
    assert!(text.contains("time zone \"Europe/Nowhere\""), "{text}");
}

fn picture(planes: Vec<Plane>) -> Picture {
    Picture {
        camera: "slipway".into(),
        sequence: 1,
        captured: 5,
        uncertainty: 7,
        asked: Some(4),
        source: "main".into(),
        random_access: true,
        width: 3,
        height: 3,
        camera_width: 3,
        camera_height: 3,
        format: "i420".into(),
        planes,
    }
}

fn plane(width: u32, height: u32, stride: u32, bytes: usize) -> Plane {
    Plane {
        width,
        height,
        stride,
        bytes: vec![9; bytes],
    }
}

#[test]
fn pictures_that_lie_are_refused() {
    let chroma = || plane(2, 2, 2, 4);
    let good = picture(vec![plane(3, 3, 8, 19), chroma(), chroma()]);
    let view = frame(&good).unwrap();
    assert_eq!(
        (view.captured, view.asked, view.uncertainty_nanos),
        (5, Some(4), 7)
    );
    assert_eq!(
        view.luma().rows().map(<[u8]>::len).collect::<Vec<_>>(),
        [3, 3, 3]
    );

    let wide = || plane(70_000, 1, 70_000, 70_000);
    for (planes, words) in [
        (vec![plane(3, 3, 3, 9)], "with 1 planes: i420 was asked for"),
        (
            vec![plane(3, 3, 8, 18), chroma(), chroma()],
            "3x3 in rows of 8 bytes has 18",
        ),
        (
            vec![plane(3, 3, 2, 9), chroma(), chroma()],
            "in rows of 2 bytes",
        ),
        (
            vec![plane(3, 3, u32::MAX, 9), chroma(), chroma()],
            "has 9 bytes",
        ),
        (
            vec![plane(5, 3, 5, 15), chroma(), chroma()],
            "chroma of 2x2 does not belong",
        ),
        (
            vec![plane(0, 0, 0, 0), chroma(), chroma()],
            "0x0 makes no JPEG",
        ),
        (vec![wide(), chroma(), chroma()], "70000x1 makes no JPEG"),
    ] {
        let error = frame(&picture(planes)).unwrap_err();
        assert!(error.contains(words), "{error}");
    }
}
