//! RTCP receiver reports (RFC 3550 §6.4.2): what a viewer owes the sender, and the one lawful small
//! packet that can be sent on a session at any time. The RTSP library sends none. Pure.

use std::time::{Duration, Instant};

/// Distance of reports, varied by half of it either way (RFC 3550 §6.3.1). Three times the least
/// that §6.2 has: a report on its way when the link goes is in the way of the kick.
const INTERVAL: Duration = Duration::from_secs(15);
const RECEIVER_REPORT: u8 = 201;
const SOURCE_DESCRIPTION: u8 = 202;
const CNAME: u8 = 1;

/// What one stream's reports are made of.
#[derive(Debug)]
pub struct Reception {
    /// Ours.
    ssrc: u32,
    cname: String,
    source: Option<Source>,
    due: Instant,
    jitter: fastrand::Rng,
}

#[derive(Debug, Clone, Copy)]
struct Source {
    ssrc: u32,
    /// First and highest sequence number, with the wraps in the upper half.
    first: u32,
    highest: u32,
    received: u32,
    /// Of these, at the last report.
    expected_before: u32,
    received_before: u32,
    /// Interarrival jitter in ticks, times 16 (RFC 3550 appendix A.8).
    jitter: u32,
    transit: Option<i64>,
    /// Middle of the last sender report's NTP time, and when it came.
    sender_report: Option<(u32, Instant)>,
}

/// What reports need to know of a packet.
#[derive(Debug, Clone, Copy)]
pub struct Packet {
    /// Its sender.
    pub ssrc: u32,
    /// Its number.
    pub sequence: u16,
    /// Its media time in ticks.
    pub ticks: i64,
    /// Ticks a second.
    pub clock_rate: u32,
}

impl Reception {
    /// Of a stream that begins. `seed` chooses our SSRC and CNAME, random as RFC 7022 §4.2 wants it.
    #[must_use]
    pub fn new(now: Instant, seed: u64) -> Self {
        let mut jitter = fastrand::Rng::with_seed(seed);
        Self {
            ssrc: jitter.u32(..),
            cname: format!("{:024x}", jitter.u128(..) >> 32),
            source: None,
            // The first after half the time (§6.2).
            due: now + INTERVAL / 2,
            jitter,
        }
    }

    /// Takes an RTP packet.
    pub fn packet(&mut self, packet: Packet, now: Instant, since: Instant) {
        let Packet {
            ssrc,
            sequence,
            ticks,
            clock_rate,
        } = packet;
        let sequence = u32::from(sequence);
        let source = match &mut self.source {
            Some(source) if source.ssrc == ssrc => source,
            other => other.insert(Source {
                ssrc,
                first: sequence,
                highest: sequence,
                received: 0,
                expected_before: 0,
                received_before: 0,
                jitter: 0,
                transit: None,
                sender_report: None,
            }),
        };
        source.received = source.received.wrapping_add(1);
        let step = (sequence as u16).wrapping_sub(source.highest as u16);
        if step < 0x8000 {
            source.highest = source.highest.wrapping_add(step.into());
        }
        let elapsed = now.saturating_duration_since(since).as_nanos();
        let arrival = i64::try_from(elapsed * u128::from(clock_rate) / 1_000_000_000).unwrap_or(0);
        let transit = arrival.wrapping_sub(ticks);
        if let Some(before) = source.transit.replace(transit) {
            let difference = transit.wrapping_sub(before).unsigned_abs();
            let difference = u32::try_from(difference).unwrap_or(u32::MAX >> 5);
            source.jitter = source
                .jitter
                .saturating_add(difference)
                .saturating_sub(source.jitter.saturating_add(8) >> 4);
        }
    }

    /// Takes a sender report's NTP time.
    pub fn sender_report(&mut self, ntp: u64, now: Instant) {
        if let Some(source) = &mut self.source {
            source.sender_report = Some(((ntp >> 16) as u32, now));
        }
    }

    /// Whether a report is due.
    #[must_use]
    pub fn is_due(&self, now: Instant) -> bool {
        self.source.is_some() && now >= self.due
    }

    /// A report for now: receiver report and source description in one compound packet (§6.1).
    pub fn report(&mut self, now: Instant) -> Vec<u8> {
        self.due = now + INTERVAL.mul_f64(0.5 + self.jitter.f64());
        let mut packet = Vec::with_capacity(80);
        let blocks = u8::from(self.source.is_some());
        header(
            &mut packet,
            RECEIVER_REPORT,
            blocks,
            1 + 6 * u16::from(blocks),
        );
        packet.extend(self.ssrc.to_be_bytes());
        if let Some(source) = &mut self.source {
            source.block(&mut packet, now);
        }
        // One chunk: SSRC, CNAME, and at least one zero up to the next multiple of four.
        let item = 2 + self.cname.len();
        let words = 1 + (item + 1).div_ceil(4);
        header(
            &mut packet,
            SOURCE_DESCRIPTION,
            1,
            u16::try_from(words).unwrap_or(u16::MAX),
        );
        packet.extend(self.ssrc.to_be_bytes());
        packet.extend([CNAME, u8::try_from(self.cname.len()).unwrap_or(u8::MAX)]);
        packet.extend(self.cname.as_bytes());
        packet.extend(std::iter::repeat_n(0, (words - 1) * 4 - item));
        packet
    }
}

/// Version 2, no padding, a count, the type, and the length in words behind the first.
fn header(packet: &mut Vec<u8>, kind: u8, count: u8, words: u16) {
    packet.extend([0x80 | count, kind]);
    packet.extend(words.to_be_bytes());
}

impl Source {
    fn block(&mut self, packet: &mut Vec<u8>, now: Instant) {
        let expected = self.highest.wrapping_sub(self.first).wrapping_add(1);
        let lost = i64::from(expected) - i64::from(self.received);
        let expected_since = expected.wrapping_sub(self.expected_before);
        let received_since = self.received.wrapping_sub(self.received_before);
        (self.expected_before, self.received_before) = (expected, self.received);
        let lost_since = expected_since.saturating_sub(received_since);
        let fraction = (u64::from(lost_since) << 8)
            .checked_div(expected_since.into())
            .unwrap_or(0)
            .min(255);
        packet.extend(self.ssrc.to_be_bytes());
        // 8 bits of fraction, 24 bits of a signed count.
        let lost = lost.clamp(-0x80_0000, 0x7f_ffff) as u32 & 0xff_ffff;
        packet.extend(((fraction as u32) << 24 | lost).to_be_bytes());
        packet.extend(self.highest.to_be_bytes());
        packet.extend((self.jitter >> 4).to_be_bytes());
        let (last, delay) = self.sender_report.map_or((0, 0), |(ntp, at)| {
            let delay = now.saturating_duration_since(at).as_secs_f64() * 65536.0;
            (ntp, delay as u32)
        });
        packet.extend(last.to_be_bytes());
        packet.extend(delay.to_be_bytes());
    }
}

/// The session's connection carries RTCP behind a `$`, a channel and a length (RFC 2326 §10.12).
#[must_use]
pub fn interleaved(channel: u8, packet: &[u8]) -> Vec<u8> {
    let length = u16::try_from(packet.len()).unwrap_or(u16::MAX);
    let mut framed = vec![b'$', channel];
    framed.extend(length.to_be_bytes());
    framed.extend(packet);
    framed
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read by hand along the figure in RFC 3550 §6.4.2, and by the library's own parser.
    #[test]
    fn a_report_reads_back() {
        let start = Instant::now();
        let mut reception = Reception::new(start, 3);
        assert!(!reception.is_due(start + INTERVAL));
        for number in 0..1000_u32 {
            // One in ten is missing; numbers wrap around.
            if number % 10 == 3 {
                continue;
            }
            let packet = Packet {
                ssrc: 0xfeed_beef,
                sequence: (65_000 + number) as u16,
                ticks: i64::from(number) * 3600,
                clock_rate: 90_000,
            };
            let now = start + Duration::from_millis(u64::from(number) * 40);
            reception.packet(packet, now, start);
        }
        reception.sender_report(0x1234_5678_9abc_def0, start + Duration::from_secs(40));
        assert!(reception.is_due(start + INTERVAL));
        let packet = reception.report(start + Duration::from_secs(42));
        assert!(!reception.is_due(start + Duration::from_secs(49)));
        assert_eq!(packet.len() % 4, 0);
        assert_eq!(&packet[..4], [0x81, 201, 0, 7]);
        assert_eq!(&packet[8..12], [0xfe, 0xed, 0xbe, 0xef]);
        // A tenth of 256, and 100 in all.
        assert_eq!(&packet[12..16], [25, 0, 0, 100]);
        let highest = u32::from_be_bytes(packet[16..20].try_into().unwrap());
        assert_eq!(highest, 65_000 + 999);
        // No jitter but where a packet is missing, and there none by definition of transit.
        assert_eq!(&packet[20..24], [0; 4]);
        assert_eq!(&packet[24..28], [0x56, 0x78, 0x9a, 0xbc]);
        assert_eq!(&packet[28..32], (2_u32 << 16).to_be_bytes());
        let (first, rest) = retina::rtcp::PacketRef::parse(&packet).unwrap();
        assert_eq!((first.payload_type(), first.count()), (201, 1));
        let (second, rest) = retina::rtcp::PacketRef::parse(rest).unwrap();
        assert_eq!((second.payload_type(), second.count()), (202, 1));
        assert!(rest.is_empty());
        let framed = interleaved(1, &packet);
        assert_eq!(&framed[..4], [b'$', 1, 0, packet.len() as u8]);
    }

    #[test]
    fn before_the_first_packet_it_is_empty() {
        let now = Instant::now();
        let packet = Reception::new(now, 1).report(now);
        assert_eq!(&packet[..4], [0x80, 201, 0, 1]);
    }
}
