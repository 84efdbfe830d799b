//! RTP (RFC 3550) of one track in one session: packets of H.264 (RFC 6184) and G.711, and sender
//! reports.
//!
//! Packets are written as they go over an interleaved connection: `$`, channel, length in two
//! bytes, packet. For UDP the first four bytes are left out, see [`packets`].

/// RTP payload bytes in a packet: fits an Ethernet frame through a tunnel.
const PAYLOAD_BYTES_MAX: usize = 1400;
/// NAL unit type of a fragment (RFC 6184 §5.8).
const FU_A: u8 = 28;
/// From 1900, where NTP begins, to 1970 in seconds (RFC 5905 figure 4).
const NTP_TO_UNIX_SECONDS: u64 = 2_208_988_800;

#[derive(Debug)]
pub(crate) struct RtpTrack {
    /// Channel of RTP; sender reports go to `rtcp_channel`.
    pub(crate) channel: u8,
    pub(crate) rtcp_channel: u8,
    pub(crate) payload_type: u8,
    pub(crate) ssrc: u32,
    /// Of the next packet.
    pub(crate) sequence: u16,
    packets: u32,
    octets: u32,
    /// Packets left out on purpose, and those sent since the last of them.
    pub(crate) left_out: u64,
    since_loss: u32,
    /// Leave out each n-th packet; 0 for none.
    pub(crate) lose_every: u32,
}

impl RtpTrack {
    pub(crate) fn new(channels: (u8, u8), payload_type: u8, ssrc: u32, sequence: u16) -> Self {
        let (channel, rtcp_channel) = channels;
        Self {
            channel,
            rtcp_channel,
            payload_type,
            ssrc,
            sequence,
            packets: 0,
            octets: 0,
            left_out: 0,
            since_loss: 0,
            lose_every: 0,
        }
    }

    /// Appends one packet of the concatenated `payload` parts.
    pub(crate) fn packet(
        &mut self,
        out: &mut Vec<u8>,
        time: u32,
        marker: bool,
        payload: [&[u8]; 2],
    ) {
        let size: usize = payload.iter().map(|part| part.len()).sum();
        let sequence = self.sequence;
        self.sequence = sequence.wrapping_add(1);
        self.since_loss += 1;
        if self.lose_every > 0 && self.since_loss >= self.lose_every {
            self.since_loss = 0;
            self.left_out += 1;
            return;
        }
        self.packets = self.packets.wrapping_add(1);
        self.octets = self.octets.wrapping_add(size as u32);
        frame(out, self.channel, 12 + size);
        out.extend([0x80, u8::from(marker) << 7 | self.payload_type]);
        out.extend(sequence.to_be_bytes());
        out.extend(time.to_be_bytes());
        out.extend(self.ssrc.to_be_bytes());
        for part in payload {
            out.extend_from_slice(part);
        }
    }

    /// Appends the packets of one NAL unit; `last`: it ends its access unit.
    pub(crate) fn nal(&mut self, out: &mut Vec<u8>, time: u32, nal: &[u8], last: bool) {
        if nal.len() <= PAYLOAD_BYTES_MAX {
            return self.packet(out, time, last, [nal, &[]]);
        }
        let Some((header, body)) = nal.split_first() else {
            return;
        };
        let mut chunks = body.chunks(PAYLOAD_BYTES_MAX - 2).enumerate().peekable();
        while let Some((index, chunk)) = chunks.next() {
            let ends = chunks.peek().is_none();
            self.fragment(out, time, *header, (index == 0, ends), last && ends, chunk);
        }
    }

    /// Appends one fragment; `edges`: it begins, it ends the NAL unit.
    pub(crate) fn fragment(
        &mut self,
        out: &mut Vec<u8>,
        time: u32,
        nal_header: u8,
        edges: (bool, bool),
        marker: bool,
        chunk: &[u8],
    ) {
        let indicator = nal_header & 0xE0 | FU_A;
        let header = u8::from(edges.0) << 7 | u8::from(edges.1) << 6 | nal_header & 0x1F;
        self.packet(out, time, marker, [&[indicator, header], chunk]);
    }

    /// Appends a sender report with a source description (RFC 3550 §6.4.1, §6.5): at `unix_ns` of
    /// the camera's clock, RTP time was `time`.
    pub(crate) fn sender_report(&self, out: &mut Vec<u8>, time: u32, unix_ns: i64) {
        const NAME: &[u8; 8] = b"boatyard";
        let ssrc = self.ssrc.to_be_bytes();
        frame(out, self.rtcp_channel, 28 + 20);
        out.extend([0x80, 200, 0, 6]);
        out.extend(ssrc);
        out.extend(ntp(unix_ns).to_be_bytes());
        out.extend(time.to_be_bytes());
        out.extend(self.packets.to_be_bytes());
        out.extend(self.octets.to_be_bytes());
        out.extend([0x81, 202, 0, 4]);
        out.extend(ssrc);
        out.extend([1, NAME.len() as u8]);
        out.extend(NAME);
        // The list of items ends with a zero, and the chunk at a multiple of four bytes.
        out.extend([0, 0]);
    }
}

fn frame(out: &mut Vec<u8>, channel: u8, size: usize) {
    out.extend([b'$', channel]);
    out.extend((size as u16).to_be_bytes());
}

/// NTP time of a Unix time, 32 bits of seconds and of fraction; the era is not told.
fn ntp(unix_ns: i64) -> u64 {
    let seconds = unix_ns.div_euclid(1_000_000_000) as u64;
    let nanos = unix_ns.rem_euclid(1_000_000_000) as u64;
    (seconds.wrapping_add(NTP_TO_UNIX_SECONDS) << 32) | ((nanos << 32) / 1_000_000_000)
}

/// Ticks of an RTP clock in this time.
pub(crate) fn ticks(media_ns: u64, clock_rate: u32) -> u32 {
    (u128::from(media_ns) * u128::from(clock_rate) / 1_000_000_000) as u32
}

/// The channel and bytes of each packet in a buffer that [`RtpTrack`] filled.
pub(crate) fn packets(buffer: &[u8]) -> impl Iterator<Item = (u8, &[u8])> {
    let mut rest = buffer;
    std::iter::from_fn(move || {
        let ([_, channel, high, low], after) = rest.split_first_chunk::<4>()?;
        let (packet, after) =
            after.split_at_checked(usize::from(u16::from_be_bytes([*high, *low])))?;
        rest = after;
        Some((*channel, packet))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ntp_of_rfc_3550() {
        // RFC 3550 §6.4.1, figure 2: 1995-11-10 11:33:25.125 UTC.
        assert_eq!(ntp(816_003_205_125_000_000), 0xb44d_b705_2000_0000);
        assert_eq!(ntp(-1_000_000_000) >> 32, NTP_TO_UNIX_SECONDS - 1);
    }

    #[test]
    fn fragments_make_up_the_unit() {
        let nal: Vec<u8> = std::iter::once(0x65)
            .chain((0..5000_u32).map(|i| i as u8))
            .collect();
        let mut track = RtpTrack::new((4, 5), 96, 0xAABB_CCDD, 65_534);
        let mut out = Vec::new();
        track.nal(&mut out, 77, &[0x67, 1, 2], false);
        track.nal(&mut out, 77, &nal, true);
        let packets: Vec<_> = packets(&out).collect();
        // RFC 3550 §5.1: version 2, marker and type, sequence, time, SSRC.
        let single = [
            &[0x80, 96, 0xFF, 0xFE, 0, 0, 0, 77, 0xAA, 0xBB, 0xCC, 0xDD][..],
            &[0x67, 1, 2],
        ]
        .concat();
        assert_eq!(packets[0], (4, &single[..]));
        let fragments = &packets[1..];
        assert_eq!(fragments.len(), 4);
        let mut body: Vec<u8> = Vec::new();
        for (index, (_, packet)) in fragments.iter().enumerate() {
            let last = index + 1 == fragments.len();
            assert!(packet.len() <= 12 + PAYLOAD_BYTES_MAX);
            assert_eq!(packet[1], if last { 0xE0 } else { 96 });
            assert_eq!(
                packet[2..4],
                65_535_u16.wrapping_add(index as u16).to_be_bytes()
            );
            // RFC 6184 §5.8: indicator F|NRI|28, header S|E|R|type.
            let edges = if index == 0 { 0x80 } else { 0 } | if last { 0x40 } else { 0 };
            assert_eq!(packet[12..14], [0x7C, edges | 5]);
            body.extend(&packet[14..]);
        }
        assert_eq!(body, nal[1..]);
    }

    #[test]
    fn lost_packets_leave_their_number() {
        let mut track = RtpTrack::new((0, 1), 96, 1, 0);
        track.lose_every = 3;
        let mut out = Vec::new();
        for _ in 0..7 {
            track.nal(&mut out, 0, &[1], true);
        }
        let numbers: Vec<u8> = packets(&out).map(|(_, packet)| packet[3]).collect();
        assert_eq!(numbers, [0, 1, 3, 4, 6]);
    }

    #[test]
    fn sender_reports_fill_their_words() {
        let track = RtpTrack::new((0, 1), 96, 1, 0);
        let mut out = Vec::new();
        track.sender_report(&mut out, 5, 0);
        let [(1, report)] = packets(&out).collect::<Vec<_>>()[..] else {
            panic!("{out:?}")
        };
        // Length fields count 32-bit words less one (RFC 3550 §6.4.1).
        let first = 4 * (usize::from(report[3]) + 1);
        assert_eq!(
            report.len(),
            first + 4 * (usize::from(report[first + 3]) + 1)
        );
    }
}
