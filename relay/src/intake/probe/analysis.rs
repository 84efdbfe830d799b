//! What a probe of a camera's second stream says of its use and its price.

use super::report::Report;
use crate::hold::Codec;
use crate::pictures::policy::SMALL_PIXELS_MAX;

/// A second stream beyond this rate is worth a word: 640 × 360 needs 0.3 to 0.5 Mb/s.
const BITS_REMARK: f64 = 1e6;
const BITS_A_DAY_IN_GB: f64 = 86_400.0 / 8.0 / 1e9;

impl Report {
    /// What the stream costs on the uplink, by what came while it was looked at. `main`: the
    /// camera's other stream.
    #[must_use]
    pub fn cost_of_analysis(&self, name: &str, main: Option<&Self>) -> String {
        let share = main
            .filter(|main| main.bits_per_second > 0.0)
            .map(|main| {
                let share = self.bits_per_second / main.bits_per_second * 100.0;
                format!(", {share:.0} % on top of the main stream")
            })
            .unwrap_or_default();
        format!(
            "{name}: costs {:.2} Mb/s of the uplink, {:.1} GB a day{share}",
            self.bits_per_second / 1e6,
            self.bits_per_second * BITS_A_DAY_IN_GB,
        )
    }

    /// What the operator should look at in the settings of the second stream.
    #[must_use]
    pub fn remarks_of_analysis(&self, name: &str, main: Option<&Self>) -> Vec<String> {
        let (width, height) = self.size;
        let mut remarks = Vec::new();
        if self.video.is_none() {
            remarks.push("sends no pictures, which are all that it is for".to_owned());
        }
        let pixels = u64::from(width) * u64::from(height);
        if pixels > SMALL_PIXELS_MAX && self.video.is_some_and(|codec| codec != Codec::Jpeg) {
            let keys = self.group_seconds.map_or_else(String::new, |seconds| {
                format!(", one each {seconds:.1} s at the longest")
            });
            remarks.push(format!(
                "pictures of {width}x{height} are too large to decode every one of them: plugins get \
                 its key frames{keys}; set it to 640x360"
            ));
        }
        if main.is_some_and(|main| main.size == self.size && pixels > 0) {
            remarks.push("is as large as the main stream; is it the right one?".to_owned());
        } else if self.bits_per_second > BITS_REMARK {
            remarks.push(
                "costs more than it must: 640x360 at 5 to 10 pictures a second and 0.3 to 0.5 Mb/s \
                 is plenty for plugins"
                    .to_owned(),
            );
        }
        let of_stream = |remark| format!("{name}: {remark}");
        remarks.into_iter().map(of_stream).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::report::{ReceiverReport, SecondSession};
    use super::*;

    fn report(size: (u32, u32), bits_per_second: f64) -> Report {
        Report {
            video: Some(Codec::H264),
            profile: "avc1.64001E".to_owned(),
            size,
            rate: 10.0,
            group_seconds: Some(2.0),
            bits_per_second,
            audio: None,
            authentication: "digest".to_owned(),
            clock: None,
            round_trip: 0.06,
            packets_lost: 0,
            second_session: SecondSession::Yes,
            receiver_report: ReceiverReport::Accepted,
        }
    }

    #[test]
    fn the_price_is_told() {
        // 1 Mb/s is 10.8 GB a day.
        let (main, small) = (report((1920, 1080), 4e6), report((640, 360), 400_000.0));
        assert_eq!(
            small.cost_of_analysis("slipway (analysis)", Some(&main)),
            "slipway (analysis): costs 0.40 Mb/s of the uplink, 4.3 GB a day, 10 % on top of the \
             main stream"
        );
        let none: [String; 0] = [];
        assert_eq!(small.remarks_of_analysis("slipway", Some(&main)), none);
    }

    #[test]
    fn what_is_unwise_is_told() {
        let main = report((1280, 720), 4e6);
        let large = report((1280, 720), 2e6);
        let remarks = large.remarks_of_analysis("gate", Some(&main));
        assert_eq!(remarks.len(), 2, "{remarks:?}");
        assert!(remarks[0].contains("1280x720 are too large"), "{remarks:?}");
        assert!(remarks[0].contains("each 2.0 s"), "{remarks:?}");
        assert!(remarks[1].contains("as large as the main"), "{remarks:?}");
        let dear = report((640, 360), 2e6).remarks_of_analysis("gate", None);
        assert!(
            dear.len() == 1 && dear[0].contains("0.3 to 0.5"),
            "{dear:?}"
        );
    }
}
