//! Playlists as RFC 8216 lays them down (pure).

use std::fmt::Write as _;

use crate::archive::findings::utc;
use crate::units::CaptureTime;

/// Only what is of version 6: a map, and lengths with fractions.
const VERSION: u32 = 6;

/// A segment, as a playlist has it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Entry {
    pub(super) uri: String,
    /// Where its beginning is, which comes before the media.
    pub(super) map: String,
    /// Its times, or its parameters, are others than those of the one before.
    pub(super) is_break: bool,
    /// When it was captured.
    pub(super) begin: CaptureTime,
    pub(super) nanos: i64,
}

/// A list of segments.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Media {
    /// Whole seconds; no segment is longer, rounded.
    pub(super) target_seconds: u64,
    /// Number of the first one.
    pub(super) sequence: u64,
    /// Breaks before the first one.
    pub(super) breaks: u64,
    /// Nothing comes any more.
    pub(super) is_whole: bool,
    pub(super) entries: Vec<Entry>,
}

impl Media {
    pub(super) fn write(&self) -> String {
        let mut text = format!(
            "#EXTM3U\n#EXT-X-VERSION:{VERSION}\n#EXT-X-TARGETDURATION:{}\n#EXT-X-MEDIA-SEQUENCE:{}\n",
            self.target_seconds, self.sequence
        );
        let mut line = |line: std::fmt::Arguments<'_>| {
            // Writing to a text does not fail.
            text.write_fmt(line).ok();
            text.push('\n');
        };
        if self.breaks > 0 {
            line(format_args!(
                "#EXT-X-DISCONTINUITY-SEQUENCE:{}",
                self.breaks
            ));
        }
        if self.is_whole {
            line(format_args!("#EXT-X-PLAYLIST-TYPE:VOD"));
        }
        let mut map = None;
        for (index, entry) in self.entries.iter().enumerate() {
            if entry.is_break && index > 0 {
                line(format_args!("#EXT-X-DISCONTINUITY"));
            }
            if map != Some(&entry.map) {
                line(format_args!("#EXT-X-MAP:URI=\"{}\"", entry.map));
                map = Some(&entry.map);
            }
            line(format_args!(
                "#EXT-X-PROGRAM-DATE-TIME:{}",
                millis(entry.begin)
            ));
            line(format_args!("#EXTINF:{:.5},", entry.nanos as f64 / 1e9));
            line(format_args!("{}", entry.uri));
        }
        if self.is_whole {
            line(format_args!("#EXT-X-ENDLIST"));
        }
        text
    }
}

/// To the millisecond, as far as players read.
fn millis(time: CaptureTime) -> String {
    let whole = time.unix_nanos().div_euclid(1_000_000) * 1_000_000;
    utc(CaptureTime::from_unix_nanos(whole))
}

/// The one rendition that there is of a camera.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Master {
    /// The greatest, and the usual bits a second of a segment.
    pub(super) peak: u64,
    pub(super) average: u64,
    pub(super) codecs: String,
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) pictures_a_second: Option<f64>,
    pub(super) uri: String,
}

impl Master {
    pub(super) fn write(&self) -> String {
        let mut text = format!(
            "#EXTM3U\n#EXT-X-VERSION:{VERSION}\n#EXT-X-STREAM-INF:BANDWIDTH={},AVERAGE-BANDWIDTH={}",
            self.peak.max(1),
            self.average.max(1)
        );
        if !self.codecs.is_empty() {
            write!(text, ",CODECS=\"{}\"", self.codecs).ok();
        }
        if self.width > 0 && self.height > 0 {
            write!(text, ",RESOLUTION={}x{}", self.width, self.height).ok();
        }
        if let Some(rate) = self.pictures_a_second {
            write!(text, ",FRAME-RATE={rate:.3}").ok();
        }
        format!("{text}\n{}\n", self.uri)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_playlist_says_what_is_missing() {
        let entry = |number: i64, is_break, map: &str| Entry {
            uri: format!("{number}.m4s"),
            map: map.to_owned(),
            is_break,
            begin: CaptureTime::from_unix_nanos(1_777_900_000_123_456_789 + number * 2_000_000_000),
            nanos: 2_000_000_000,
        };
        let media = Media {
            target_seconds: 2,
            sequence: 7,
            breaks: 1,
            is_whole: false,
            entries: vec![
                entry(7, true, "a.mp4"),
                entry(8, false, "a.mp4"),
                entry(12, true, "b.mp4"),
            ],
        };
        assert_eq!(
            media.write(),
            "#EXTM3U\n#EXT-X-VERSION:6\n#EXT-X-TARGETDURATION:2\n#EXT-X-MEDIA-SEQUENCE:7\n\
             #EXT-X-DISCONTINUITY-SEQUENCE:1\n\
             #EXT-X-MAP:URI=\"a.mp4\"\n#EXT-X-PROGRAM-DATE-TIME:2026-05-04T13:06:54.123Z\n\
             #EXTINF:2.00000,\n7.m4s\n\
             #EXT-X-PROGRAM-DATE-TIME:2026-05-04T13:06:56.123Z\n#EXTINF:2.00000,\n8.m4s\n\
             #EXT-X-DISCONTINUITY\n#EXT-X-MAP:URI=\"b.mp4\"\n\
             #EXT-X-PROGRAM-DATE-TIME:2026-05-04T13:07:04.123Z\n#EXTINF:2.00000,\n12.m4s\n"
        );
    }
}
