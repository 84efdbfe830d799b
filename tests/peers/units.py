"""Access units as these tests compare them: split, marked, brought into a canonical form.

Nothing here comes from the relay; it follows ITU-T H.264 and H.265 (annex B, 7.3.1, 7.4.1) and
ISO/IEC 10918-1 (JPEG).
"""

import struct

# The UUID that the cameras of tests/site use too. It holds no zero, so that it needs no emulation
# prevention byte.
MARK = bytes.fromhex("6f72656261794d1e9c415ae307b2d860")

# NAL unit types that a client may take out or move into its description of the stream:
# access unit delimiter and the parameter sets (H.264 table 7-1, H.265 table 7-1).
LEFT_OUT = {"h264": {7, 8, 9}, "h265": {32, 33, 34, 35}}


def nal_type(codec, nal):
    return nal[0] & 0x1F if codec == "h264" else (nal[0] >> 1) & 0x3F


def is_slice(codec, nal):
    return nal_type(codec, nal) in range(1, 6) if codec == "h264" else nal_type(codec, nal) < 32


def split_annex_b(data):
    """NAL units of a byte stream (annex B), without start codes and trailing zeros."""
    found, at = [], data.find(b"\0\0\1")
    while at >= 0:
        after = data.find(b"\0\0\1", at + 3)
        nal = data[at + 3 : after if after >= 0 else len(data)].rstrip(b"\0")
        if nal:
            found.append(nal)
        at = after
    return found


def split_lengths(data, width=4):
    """NAL units behind their lengths (ISO/IEC 14496-15)."""
    found, at = [], 0
    while at < len(data):
        length = int.from_bytes(data[at : at + width], "big")
        at += width
        if length == 0 or at + length > len(data):
            raise ValueError(f"NAL unit of {length} bytes at {at} of {len(data)}")
        found.append(data[at : at + length])
        at += length
    return found


def split(codec, unit):
    return [unit] if codec == "mjpeg" else split_annex_b(unit)


def scan(jpeg):
    """Quantisation tables and entropy-coded data: what RTP carries of a JPEG (RFC 2435)."""
    at, tables = 2, {}
    while True:
        if jpeg[at] != 0xFF:
            raise ValueError(f"no marker at {at}")
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        body = jpeg[at + 4 : at + 2 + length]
        if marker == 0xDB:
            while body:
                size = 128 if body[0] >> 4 else 64
                tables[body[0]] = body[1 : 1 + size]
                body = body[1 + size :]
        at += 2 + length
        if marker == 0xDA:
            # Coded data holds no marker but RSTn: the first EOI ends it, even where a receiver
            # has put a second one behind.
            end = jpeg.find(b"\xff\xd9", at)
            coded = jpeg[at : end if end >= 0 else len(jpeg)]
            return b"".join(tables[key] for key in sorted(tables)) + coded


def canonical(codec, nals):
    """The unit without what differs lawfully between two carriages of the same unit."""
    if codec == "mjpeg":
        return scan(nals[0])
    return b"".join(nal for nal in nals if nal_type(codec, nal) not in LEFT_OUT[codec])


def escape(payload):
    """Emulation prevention (7.4.1): no 00 00 00, 00 00 01, 00 00 02 or 00 00 03 in a NAL unit."""
    out, zeros = bytearray(), 0
    for byte in payload:
        if zeros >= 2 and byte <= 3:
            out.append(3)
            zeros = 0
        out.append(byte)
        zeros = zeros + 1 if byte == 0 else 0
    return bytes(out)


def unescape(nal):
    return nal.replace(b"\0\0\3", b"\0\0")


def mark(codec, unit, counter, captured):
    """Puts the SEI message with number and capture time before the first slice."""
    body = MARK + struct.pack(">QQ", counter, captured)
    header = b"\x06" if codec == "h264" else b"\x4e\x01"
    sei = header + escape(bytes([5, len(body)]) + body + b"\x80")
    nals = split_annex_b(unit)
    first = next(i for i, nal in enumerate(nals) if is_slice(codec, nal))
    nals.insert(first, sei)
    return b"".join(b"\0\0\0\1" + nal for nal in nals)


def read_mark(nals):
    """Number and capture time (Unix nanoseconds) from the SEI message, or None."""
    for nal in nals:
        at = nal.find(MARK)
        if at >= 0:
            body = unescape(nal[at:])
            return struct.unpack(">QQ", body[16:32])
    return None


def access_units(codec, nals):
    """Groups the NAL units of a stream by picture (H.264 7.4.1.2.3, H.265 7.4.2.4.4)."""
    unit, has_slice = [], False
    for nal in nals:
        if is_slice(codec, nal):
            # The first bit of the slice header: first_mb_in_slice is 0 (its Exp-Golomb code is
            # "1"), or first_slice_segment_in_pic_flag.
            first = nal[1 if codec == "h264" else 2] & 0x80 != 0
            begins = first and has_slice
        else:
            # Suffix SEI and what is reserved behind a picture stay with it (H.265).
            behind = codec == "h265" and nal_type(codec, nal) in (36, 37, 38, 40, 45, 46, 47)
            begins = has_slice and not behind
        if begins:
            yield unit
            unit, has_slice = [], False
        unit.append(nal)
        has_slice = has_slice or is_slice(codec, nal)
    if has_slice:
        yield unit
