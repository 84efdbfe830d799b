//! What cameras take of an uplink.
//!
//! - Bytes on the wire (`W`) for bytes of media (`M`), by the packets that carry them. Each full packet
//!   of the tunnel is `OUTER_BYTES` long and carries `INNER_BYTES` of an IP packet; what is left for
//!   media is less by the headers within. `W = M · outer / (inner − headers) · (1 + framing)`.
//! - Use: the sum of `W` of all streams that are pulled at a time, as a share of the uplink's rate.
//! - A month: `W · wanted seconds of the next 30 days`.
//! - Catching up after an outage of `t` seconds, as far as cameras have kept what they could not send:
//!   at rate `r` on an uplink of rate `u` it takes `r · t / (u − r)` seconds, since what is new goes on
//!   coming meanwhile.

use std::time::Duration;

use crate::config::{BitRate, Plan, Transport};
use crate::units::CaptureTime;

/// A packet of the tunnel on the wire: that of Ethernet (IEEE 802.3), which the tunnel's usual MTU is
/// made to fit.
const OUTER_BYTES: f64 = 1500.0;
/// What of it is an IP packet of the camera's: less IPv6 (40), UDP (8), and WireGuard's header (16) and
/// tag (16): WireGuard's paper, §5.4.6. That is its usual MTU. Over IPv4 a packet has 60 bytes more
/// instead of these 80; the larger number is counted with.
const INNER_BYTES: f64 = 1420.0;
/// IPv4 (20, RFC 791), TCP (20, RFC 9293), and its time stamps (12, RFC 7323 appendix A).
const TCP_BYTES: f64 = 52.0;
/// IPv4 (20), UDP (8, RFC 768).
const UDP_BYTES: f64 = 28.0;
/// RTP's header (RFC 3550 §5.1).
const RTP_BYTES: f64 = 12.0;
/// What stands before each RTP packet inside of RTSP (RFC 2326 §10.12).
const INTERLEAVED_BYTES: f64 = 4.0;
/// Media in one RTP packet: cameras fill an Ethernet frame less the headers of UDP.
const RTP_PAYLOAD_BYTES: f64 = 1400.0;
/// Of an uplink more than this should not be in use at a time, so that an outage can be caught up and
/// weather has room.
pub const USE_MAX: f64 = 0.6;
/// What a month is here.
pub const MONTH: Duration = Duration::from_secs(30 * 24 * 3600);

/// Bytes on the wire for each byte of media: more than 1.
#[must_use]
pub fn overhead(transport: Transport) -> f64 {
    match transport {
        // A stream of bytes: packets are full whatever is in them.
        Transport::Tcp => {
            let framing = (RTP_BYTES + INTERLEAVED_BYTES) / RTP_PAYLOAD_BYTES;
            OUTER_BYTES / (INNER_BYTES - TCP_BYTES) * (1.0 + framing)
        }
        Transport::Udp => OUTER_BYTES / (INNER_BYTES - UDP_BYTES - RTP_BYTES),
    }
}

/// How long it takes until what an outage has held back is there; none where that is never.
#[must_use]
pub fn catch_up(used: BitRate, uplink: BitRate, outage: Duration) -> Option<Duration> {
    let spare = uplink.bits() - used.bits();
    let seconds = used.bits() * outage.as_secs_f64() / spare;
    (spare > 0.0)
        .then(|| Duration::try_from_secs_f64(seconds).ok())
        .flatten()
}

/// How long an outage may last until a buffer of so many bytes at the camera is full.
#[must_use]
pub fn buffered(bytes: f64, rate: BitRate) -> f64 {
    bytes * 8.0 / rate.bits()
}

/// Bytes that come at a rate in some time.
#[must_use]
pub fn volume(rate: BitRate, seconds: f64) -> f64 {
    rate.bits() / 8.0 * seconds
}

/// For how many seconds of the next [`MONTH`] a camera is wanted.
#[must_use]
pub fn wanted_seconds(plan: &Plan, now: CaptureTime) -> f64 {
    let month = i64::try_from(MONTH.as_nanos()).unwrap_or(i64::MAX);
    let end = CaptureTime::from_unix_nanos(now.unix_nanos().saturating_add(month));
    let (mut at, mut wanted) = (now, 0_i64);
    while at < end {
        let next = plan.next_change(at).map_or(end, |next| next.min(end));
        if plan.is_wanted(at) {
            wanted = wanted.saturating_add(next.unix_nanos().saturating_sub(at.unix_nanos()));
        }
        at = next;
    }
    wanted as f64 / 1e9
}

#[cfg(test)]
mod tests {
    use jiff::civil::{Time, Weekday};
    use jiff::tz::TimeZone;

    use super::*;
    use crate::config::Pause;

    fn near(a: f64, b: f64, by: f64) {
        assert!((a - b).abs() <= by, "{a} is not {b}");
    }

    #[test]
    fn a_full_packet_has_the_headers_that_the_standards_give_it() {
        // By hand: 1500 on the wire are 1500 − 40 − 8 − 16 − 16 = 1420 within, of which
        // 1420 − 20 − 20 − 12 = 1368 are the connection's; 16 of 1416 of these are RTP's.
        near(
            overhead(Transport::Tcp),
            1500.0 / 1368.0 * 1416.0 / 1400.0,
            1e-12,
        );
        // Ethernet's frame less IPv6, UDP, WireGuard, IPv4, UDP and RTP is 1380.
        near(overhead(Transport::Udp), 1500.0 / 1380.0, 1e-12);
    }

    #[test]
    fn volumes_are_those_of_a_carriers_table() {
        // 1 Mb/s is 10.8 GB a day and 324 GB in 30 days: 10⁶ / 8 × 86 400.
        let one = BitRate::from_megabits(1.0);
        near(volume(one, 86_400.0), 10.8e9, 1.0);
        near(volume(one, MONTH.as_secs_f64()), 324e9, 1.0);
    }

    #[test]
    fn what_was_held_back_goes_with_what_is_left() {
        let rate = BitRate::from_megabits;
        // 8 Mb/s for 60 s are 480 Mb; 4 Mb/s are left for them.
        let caught = catch_up(rate(8.0), rate(12.0), Duration::from_secs(60));
        assert_eq!(caught, Some(Duration::from_secs(120)));
        assert_eq!(catch_up(rate(8.0), rate(8.0), Duration::from_secs(1)), None);
        assert_eq!(catch_up(rate(9.0), rate(8.0), Duration::from_secs(1)), None);
        // A megabyte of 4 Mb/s.
        near(buffered(1e6, rate(4.0)), 2.0, 1e-9);
    }

    #[test]
    fn a_camera_that_pauses_at_night_takes_half() {
        let days = [
            Weekday::Monday,
            Weekday::Tuesday,
            Weekday::Wednesday,
            Weekday::Thursday,
            Weekday::Friday,
            Weekday::Saturday,
            Weekday::Sunday,
        ];
        let night = Pause::Weekly {
            days: days.to_vec(),
            from: Time::constant(18, 0, 0, 0),
            until: Time::constant(6, 0, 0, 0),
        };
        let plan = Plan::new(TimeZone::UTC, [night]);
        let now = CaptureTime::from_unix_nanos(1_780_000_000_000_000_000);
        near(wanted_seconds(&plan, now), 15.0 * 86_400.0, 1e-3);
        near(wanted_seconds(&Plan::always(), now), 30.0 * 86_400.0, 1e-3);
    }
}
