#!/usr/bin/env python3
"""Reads fragmented MP4 by the standard's text alone (ISO/IEC 14496-12, -15) and tells every sample.

    read_mp4.py [--dump FOLDER | --marks] FILE...

Prints one JSON object a file, and fails at whatever the standard forbids or these files should
not have: boxes that don't fill their parent, samples outside `mdat`, bytes of `mdat` that no
sample owns or two samples own, decode times that don't follow from the durations before them.
With --dump each audio track's payload goes to FOLDER/<file name>.<track id>. With --marks payload
is not hashed, only searched for the camera's mark near its begin: for gigabytes of recordings; and
a file may go on after an outage, so that decode times need not follow from the durations.
"""

import hashlib
import json
import mmap
import os
import struct
import sys

sys.dont_write_bytecode = True
import units  # noqa: E402

CONTAINERS = {b"moov", b"trak", b"mdia", b"minf", b"stbl", b"mvex", b"moof", b"traf", b"edts"}
CODECS = {
    b"avc1": "h264", b"avc3": "h264", b"hvc1": "h265", b"hev1": "h265",
    b"jpeg": "mjpeg", b"mjpa": "mjpeg", b"mp4v": "mjpeg",
    b"mp4a": "aac", b"alaw": "pcma", b"ulaw": "pcmu",
}  # fmt: skip


# Where a camera's mark is, if anywhere: behind parameter sets at the most.
MARK_BYTES = 1024


class Damaged(Exception):
    pass


def boxes(data, at, end):
    """Type, start of the box, start and end of its body."""
    while at < end:
        if end - at < 8:
            raise Damaged(f"{end - at} bytes at {at} are too few for a box")
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            size, body = struct.unpack_from(">Q", data, body)[0], body + 8
        elif size == 0:
            size = end - at
        if size < body - at or at + size > end:
            raise Damaged(f"box {kind} at {at} has {size} bytes, its parent ends at {end}")
        yield kind, at, body, at + size
        at += size


def tree(data, at, end):
    """All boxes below, as a list of (type, start, body, end, children)."""
    return [
        (k, s, b, e, tree(data, b, e) if k in CONTAINERS else []) for k, s, b, e in boxes(data, at, end)
    ]


def one(children, kind):
    found = [box for box in children if box[0] == kind]
    if len(found) != 1:
        raise Damaged(f"{len(found)} boxes {kind} where one belongs")
    return found[0]


def maybe(children, kind):
    return one(children, kind) if any(box[0] == kind for box in children) else None


def full(data, box):
    """Version and flags of a full box, and where its fields begin."""
    word = struct.unpack_from(">I", data, box[2])[0]
    return word >> 24, word & 0xFFFFFF, box[2] + 4


class Track:
    def __init__(self, data, trak, movie_timescale, brief):
        self.brief = brief
        version, _, at = full(data, tkhd := one(trak[4], b"tkhd"))
        self.id = struct.unpack_from(">I", data, at + (16 if version else 8))[0]
        self.width, self.height = (v >> 16 for v in struct.unpack_from(">II", data, tkhd[3] - 8))
        mdia = one(trak[4], b"mdia")
        version, _, at = full(data, one(mdia[4], b"mdhd"))
        self.timescale = struct.unpack_from(">I", data, at + (16 if version else 8))[0]
        _, _, at = full(data, one(mdia[4], b"hdlr"))
        self.kind = {b"vide": "video", b"soun": "audio"}.get(data[at + 4 : at + 8], "other")
        stbl = one(one(mdia[4], b"minf")[4], b"stbl")
        stsd = one(stbl[4], b"stsd")
        _, _, at = full(data, stsd)
        if struct.unpack_from(">I", data, at)[0] != 1:
            raise Damaged("a track with more than one sample entry")
        _, _, body, end = next(boxes(data, at + 4, stsd[3]))
        self.entry = data[at + 8 : at + 12]
        self.codec = CODECS.get(self.entry)
        self.length_size = 4
        self.channels = self.rate = 0
        if self.kind == "video":
            self.configure_video(data, body, end)
        elif self.kind == "audio":
            self.channels = struct.unpack_from(">H", data, body + 16)[0]
            self.rate = struct.unpack_from(">I", data, body + 24)[0] >> 16
        self.shift = self.edits(data, trak, movie_timescale)
        self.duration = self.size = self.flags = 0  # defaults of trex
        self.next_decode = None
        self.samples = []
        self.payload = bytearray()

    def configure_video(self, data, body, end):
        """The parameter sets' home: avcC or hvcC (ISO/IEC 14496-15 5.3.3, 8.3.3)."""
        for kind, _, at, _ in boxes(data, body + 78, end):
            if kind == b"avcC":
                self.length_size = (data[at + 4] & 3) + 1
            elif kind == b"hvcC":
                self.length_size = (data[at + 21] & 3) + 1

    def edits(self, data, trak, movie_timescale):
        """What the edit list adds to a composition time, in seconds (8.6.6)."""
        edts = maybe(trak[4], b"edts")
        if not edts:
            return 0.0
        version, _, at = full(data, one(edts[4], b"elst"))
        count = struct.unpack_from(">I", data, at)[0]
        layout = ">QqI" if version else ">IiI"
        delay = 0.0
        for i in range(count):
            length, start, _ = struct.unpack_from(layout, data, at + 4 + i * struct.calcsize(layout))
            if start == -1:
                delay += length / movie_timescale
            elif i == count - 1:
                return delay - start / self.timescale
            else:
                raise Damaged("an edit list with several pieces of media")
        return delay

    def take(self, data, at, size, decode, offset, duration, flags):
        sample = data[at : at + (min(size, MARK_BYTES) if self.brief else size)]
        told = {
            "decode": decode,
            "time": (decode + offset) / self.timescale + self.shift,
            "duration": duration / self.timescale,
            "size": size,
            "key": not flags & 0x10000,
        }
        if self.brief:
            mark = units.read_mark([sample])
            if mark:
                told["counter"], told["captured"] = mark
            self.samples.append(told)
            return
        told["sha256"] = hashlib.sha256(sample).hexdigest()
        if self.kind == "audio":
            self.payload += sample
        elif self.codec:
            whole = self.codec == "mjpeg"
            nals = [sample] if whole else units.split_lengths(sample, self.length_size)
            told["unit"] = hashlib.sha256(units.canonical(self.codec, nals)).hexdigest()
            mark = units.read_mark(nals)
            if mark:
                told["counter"], told["captured"] = mark
        self.samples.append(told)

    def told(self):
        return {
            "id": self.id, "kind": self.kind, "entry": self.entry.decode("latin1"),
            "codec": self.codec, "timescale": self.timescale, "width": self.width,
            "height": self.height, "channels": self.channels, "rate": self.rate,
            "samples": self.samples,
        }  # fmt: skip


def read_run(data, trun, track, state, mdats):
    """One `trun` (8.8.8): samples that follow each other in the file."""
    version, flags, at = full(data, trun)
    count = struct.unpack_from(">I", data, at)[0]
    at += 4
    if flags & 0x1:
        state["at"] = state["base"] + struct.unpack_from(">i", data, at)[0]
        at += 4
    first_flags = None
    if flags & 0x4:
        first_flags = struct.unpack_from(">I", data, at)[0]
        at += 4
    for i in range(count):
        duration, size, sample_flags, offset = *state["defaults"], 0
        if flags & 0x100:
            duration, at = struct.unpack_from(">I", data, at)[0], at + 4
        if flags & 0x200:
            size, at = struct.unpack_from(">I", data, at)[0], at + 4
        if flags & 0x400:
            sample_flags, at = struct.unpack_from(">I", data, at)[0], at + 4
        elif i == 0 and first_flags is not None:
            sample_flags = first_flags
        if flags & 0x800:
            offset, at = struct.unpack_from(">i" if version else ">I", data, at)[0], at + 4
        begin, end = state["at"], state["at"] + size
        home = next((m for m in mdats if m["begin"] <= begin and end <= m["end"]), None)
        if not home:
            raise Damaged(f"a sample at {begin}..{end} lies outside mdat")
        home["owned"].append((begin, end))
        track.take(data, begin, size, track.next_decode, offset, duration, sample_flags)
        track.next_decode += duration
        state["at"] = end
    if at != trun[3]:
        raise Damaged(f"trun ends at {trun[3]}, its fields at {at}")


def read_fragment(data, moof, tracks, mdats):
    for traf in (box for box in moof[4] if box[0] == b"traf"):
        _, flags, at = full(data, one(traf[4], b"tfhd"))
        track = tracks[struct.unpack_from(">I", data, at)[0]]
        at += 4
        base, duration, size, sample_flags = moof[1], track.duration, track.size, track.flags
        if flags & 0x1:
            base, at = struct.unpack_from(">Q", data, at)[0], at + 8
        if flags & 0x2:
            at += 4
        if flags & 0x8:
            duration, at = struct.unpack_from(">I", data, at)[0], at + 4
        if flags & 0x10:
            size, at = struct.unpack_from(">I", data, at)[0], at + 4
        if flags & 0x20:
            sample_flags, at = struct.unpack_from(">I", data, at)[0], at + 4
        if not flags & 0x20001:
            raise Damaged("tfhd says neither default-base-is-moof nor a base offset")
        version, _, at = full(data, one(traf[4], b"tfdt"))
        decode = struct.unpack_from(">Q" if version else ">I", data, at)[0]
        # A fragment that was written into a silence had to guess its last duration: it may be a
        # rounding short, but never long.
        left_out = 0 if track.next_decode is None else decode - track.next_decode
        if not track.brief and not 0 <= left_out * 1000 < track.timescale:
            raise Damaged(
                f"track {track.id}: fragment at {moof[1]} begins at {decode}, "
                f"the samples before end at {track.next_decode}"
            )
        track.next_decode = decode
        state = {"base": base, "at": base, "defaults": (duration, size, sample_flags)}
        for trun in (box for box in traf[4] if box[0] == b"trun"):
            read_run(data, trun, track, state, mdats)


def read_prft(data, box):
    """Producer reference time (8.16.5): a media time and the wall clock's time of it."""
    version, _, at = full(data, box)
    track, seconds, fraction = struct.unpack_from(">III", data, at)
    media = struct.unpack_from(">Q" if version else ">I", data, at + 12)[0]
    # NTP's era 0 began 1900-01-01; 2 208 988 800 s to the Unix epoch (RFC 5905).
    unix = seconds - 2_208_988_800 + fraction / 2**32
    return {"track": track, "unix": unix, "media": media}


def read(path, brief):
    with open(path, "rb") as file:
        data = mmap.mmap(file.fileno(), 0, prot=mmap.PROT_READ) if brief else file.read()
    top = tree(data, 0, len(data))
    if not top or top[0][0] != b"ftyp":
        raise Damaged("no ftyp at the beginning")
    moov = one(top, b"moov")
    version, _, at = full(data, one(moov[4], b"mvhd"))
    movie_timescale = struct.unpack_from(">I", data, at + (16 if version else 8))[0]
    tracks = {}
    for trak in (box for box in moov[4] if box[0] == b"trak"):
        track = Track(data, trak, movie_timescale, brief)
        tracks[track.id] = track
    for trex in (box for box in one(moov[4], b"mvex")[4] if box[0] == b"trex"):
        _, _, at = full(data, trex)
        number, _, duration, size, flags = struct.unpack_from(">5I", data, at)
        track = tracks[number]
        track.duration, track.size, track.flags = duration, size, flags
    mdats = [{"begin": b[2], "end": b[3], "owned": []} for b in top if b[0] == b"mdat"]
    references = []
    for box in top:
        if box[0] == b"moof":
            read_fragment(data, box, tracks, mdats)
        elif box[0] == b"prft":
            references.append(read_prft(data, box))
    for mdat in mdats:
        at = mdat["begin"]
        for begin, end in sorted(mdat["owned"]):
            if begin != at:
                raise Damaged(f"mdat at {mdat['begin']}: a sample begins at {begin}, not at {at}")
            at = end
        if at != mdat["end"]:
            raise Damaged(f"mdat at {mdat['begin']}: no sample owns {at}..{mdat['end']}")
    return tracks, {
        "file": path,
        "bytes": len(data),
        "brands": data[top[0][2] : top[0][2] + 4].decode("latin1"),
        "fragments": sum(box[0] == b"moof" for box in top),
        "references": references,
        "tracks": [track.told() for track in tracks.values()],
    }


def main():
    arguments = sys.argv[1:]
    folder, brief = None, arguments[:1] == ["--marks"]
    if brief:
        arguments = arguments[1:]
    if arguments[:1] == ["--dump"]:
        folder, arguments = arguments[1], arguments[2:]
    for path in arguments:
        try:
            tracks, told = read(path, brief)
        except (Damaged, ValueError, IndexError, KeyError, struct.error) as error:
            sys.exit(f"{path}: {type(error).__name__}: {error}")
        for track in tracks.values():
            if folder and track.kind == "audio":
                with open(os.path.join(folder, f"{os.path.basename(path)}.{track.id}"), "wb") as out:
                    out.write(track.payload)
        print(json.dumps(told))


if __name__ == "__main__":
    main()
