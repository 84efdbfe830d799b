//! Five cameras (GStreamer's server; x264, x265 and libjpeg; AAC and G.711) recorded at the same
//! time by one relay, while ffmpeg pulls the same streams beside it. The recording is made once;
//! each test looks at it from one side.

mod checks;
mod session;

use session::SESSION;

/// The properties that each camera's recording must have.
macro_rules! camera {
    ($module:ident, $name:literal $(, $only:ident)*) => {
        mod $module {
            use super::{SESSION, checks};

            #[test]
            fn every_unit_is_recorded_once_in_order_byte_for_byte() {
                checks::units(SESSION.camera($name));
            }

            #[test]
            fn the_recording_spans_the_session() {
                checks::span(SESSION.camera($name));
            }

            #[test]
            fn units_are_those_that_another_client_received() {
                checks::other_client(SESSION.camera($name));
            }

            #[test]
            fn files_decode_without_a_warning() {
                checks::decoding(SESSION.camera($name));
            }

            #[test]
            fn a_second_reader_finds_the_same_samples() {
                checks::second_reader(SESSION.camera($name));
            }

            #[test]
            fn pymp4_finds_the_same_samples_in_well_formed_boxes() {
                checks::boxes(SESSION.camera($name));
            }

            #[test]
            fn times_are_those_of_the_camera() {
                checks::times(SESSION.camera($name));
            }

            #[test]
            fn durations_fill_the_time_between_pictures() {
                checks::durations(SESSION.camera($name));
            }

            #[test]
            fn files_follow_each_other_without_a_hole() {
                checks::sequence(SESSION.camera($name));
            }

            #[test]
            fn files_are_cut_at_multiples_of_the_segment_length() {
                checks::cuts(SESSION.camera($name));
            }

            #[test]
            fn names_and_reference_times_are_the_capture_times() {
                checks::capture_times(SESSION.camera($name));
            }

            $(
                #[test]
                fn $only() {
                    checks::$only(SESSION.camera($name));
                }
            )*
        }
    };
}

camera!(
    h264_aac_digest,
    "h264-aac-digest",
    audio_is_what_was_sent,
    audio_and_video_agree
);
camera!(
    h264_bframes_pcmu,
    "h264-bframes-pcmu",
    audio_is_what_was_sent,
    audio_and_video_agree
);
camera!(
    h265_pcma,
    "h265-pcma",
    audio_is_what_was_sent,
    audio_and_video_agree
);
camera!(
    h265_aac_udp,
    "h265-aac-udp",
    audio_is_what_was_sent,
    audio_and_video_agree
);
camera!(mjpeg_silent, "mjpeg-silent", there_is_no_audio);

#[test]
fn the_relay_ends_within_five_seconds_of_sigterm_and_leaves_nothing_open() {
    checks::end(&SESSION);
}

#[test]
fn the_log_holds_no_password() {
    assert!(!SESSION.stopped.log.is_empty());
    for secret in session::PASSWORDS {
        assert!(
            !SESSION.stopped.log.contains(secret),
            "{}",
            SESSION.stopped.log
        );
    }
}
