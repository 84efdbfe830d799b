//! Clips in a real browser.

use super::{AAC, BEGIN, H264, Yard, cut, near, with_gap};
use crate::player::play;

/// With sound and without: the clock runs on over the gap, all pictures are shown at their times, and
/// any time can be sought.
#[test]
fn clips_play_in_a_browser() {
    let yard = Yard::new("clip-browser");
    let coding = format!("{H264} -bf 2 {AAC}");
    with_gap(&yard, &coding, &format!("{H264} -bf 0 {AAC} -s 256x144"));
    for (name, more) in [("sound", &[][..]), ("silent", &["--redact-audio"][..])] {
        let output = yard.clip(BEGIN, BEGIN + 10.0, name, more);
        let folder = yard.folder.join(name);
        let (films, manifest) = cut(&output, &folder);
        let named = |film: usize| films[film].file_name().unwrap().to_str().unwrap();
        let told = play(&folder, named(0), "1.5,3.5,5.25,0");
        assert_eq!(told.error, None, "{told:#?}");
        assert_eq!(told.size, [192, 108]);
        assert!(
            near(told.duration, 7.0, 0.1) && near(told.ended, told.duration, 0.05),
            "{told:#?}"
        );
        assert!(near(told.seekable[0][1], told.duration, 0.01), "{told:#?}");
        assert_eq!(told.sought, [1.5, 3.5, 5.25, 0.0]);
        assert_eq!(told.audio_bytes > 0, name == "sound", "{told:#?}");
        let gap = (2.0, 5.0);
        let offset = manifest["files"][0]["stretches"][1]["file_seconds"]
            .as_f64()
            .unwrap();
        assert!(near(offset, gap.1, 0.021), "{manifest:#}");
        // In the gap the clock runs, and no picture is shown.
        let in_gap = |time: &&f64| (gap.0 + 0.1..gap.1 - 0.1).contains(*time);
        assert!(told.clock.iter().filter(in_gap).count() >= 5, "{told:#?}");
        assert_eq!(told.pictures.iter().filter(in_gap).count(), 0, "{told:#?}");
        // A busy machine leaves pictures out, but not all of a stretch.
        let shown = |from, to| {
            told.pictures
                .iter()
                .filter(|time| (from..to).contains(*time))
                .count()
        };
        assert!(shown(0.0, 2.1) >= 3 && shown(4.9, 7.0) >= 3, "{told:#?}");
        // Pictures are a tenth of a second apart, on both sides of the gap.
        let off = |time: f64| (time * 10.0 - (time * 10.0).round()).abs() / 10.0;
        assert!(
            told.pictures.iter().all(|time| off(*time) < 0.021),
            "{told:#?}"
        );

        let after = play(&folder, named(1), "0.5");
        assert_eq!((after.error, after.size), (None, [256, 144]));
        assert!(near(after.duration, 2.0, 0.1), "{}", after.duration);
    }
}
