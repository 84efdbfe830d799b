"""Reads an HLS playlist again and again with PyPI's m3u8, and holds it against RFC 8216.

    playlists.py [--seconds 8] [--codecs PREFIX,PREFIX] [--breaks N] URL

Of a live list: each reload begins no earlier than the one before, segments keep their names, times and
lengths, numbers go on by one, no segment is longer than the target, times rise, and each segment can be
fetched. Of one that is whole: the same, once. Prints one JSON line of what it saw.
"""

import argparse
import json
import sys
import time
import urllib.request

import m3u8


def fetch(url):
    with urllib.request.urlopen(url, timeout=30) as answer:
        return answer.read()


def boxes(data):
    """The kinds of the boxes of a file (ISO/IEC 14496-12 §4.2)."""
    kinds, at = [], 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        assert size >= 8, (at, size)
        kinds.append(data[at + 4 : at + 8].decode())
        at += size
    assert at == len(data), "a box is cut"
    return kinds


def check(media, seen):
    """One state of the list; what is in it."""
    assert media.version >= 6 and media.target_duration >= 1, media.dumps()
    assert media.segments, "no segment"
    assert media.program_date_time is not None or media.segments[0].program_date_time, "no times"
    last = None
    for index, segment in enumerate(media.segments):
        number = media.media_sequence + index
        # §4.3.3.1: rounded to the nearest integer.
        assert int(segment.duration + 0.5) <= media.target_duration, segment
        assert segment.init_section is not None, "no beginning"
        told = (segment.absolute_uri, segment.duration, segment.program_date_time)
        assert seen.setdefault(number, told) == told, (number, seen[number], told)
        time_of = segment.program_date_time.timestamp()
        if last is not None:
            assert time_of > last[0], "times do not rise"
            hole = time_of - last[0] - last[1]
            if not segment.discontinuity:
                assert abs(hole) < 0.25, f"a hole of {hole} s that is not told"
        last = (time_of, segment.duration)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=8)
    parser.add_argument("--codecs", default="")
    parser.add_argument("--breaks", type=int)
    parser.add_argument("url")
    a = parser.parse_args()

    text = fetch(a.url).decode()
    first = m3u8.loads(text, uri=a.url)
    url = a.url
    if first.is_variant:
        (rendition,) = first.playlists
        info = rendition.stream_info
        wanted = a.codecs.split(",") if a.codecs else []
        codecs = info.codecs.split(",")
        assert len(codecs) >= len(wanted), info.codecs
        for found, prefix in zip(codecs, wanted):
            assert found.lower().startswith(prefix.lower()), info.codecs
        assert info.bandwidth > 0 and info.average_bandwidth > 0 and info.resolution, text
        url = rendition.absolute_uri
    seen, fetched, maps, sequence = {}, {}, {}, -1
    breaks = 0
    end = time.monotonic() + a.seconds
    while True:
        media = m3u8.loads(fetch(url).decode(), uri=url)
        check(media, seen)
        assert media.media_sequence >= sequence, "the list went back"
        sequence = media.media_sequence
        for index, segment in enumerate(media.segments):
            number = sequence + index
            if number in fetched:
                continue
            data = fetch(segment.absolute_uri)
            assert boxes(data) == ["prft", "moof", "mdat"], boxes(data)
            fetched[number] = len(data)
            breaks += int(bool(segment.discontinuity))
            beginning = segment.init_section.absolute_uri
            if beginning not in maps:
                maps[beginning] = boxes(fetch(beginning))
                assert maps[beginning] == ["ftyp", "moov"], maps
        if media.is_endlist or time.monotonic() > end:
            break
        time.sleep(media.target_duration / 2)
    numbers = sorted(fetched)
    assert numbers == list(range(numbers[0], numbers[-1] + 1)), numbers
    if a.breaks is not None:
        assert breaks == a.breaks, f"{breaks} breaks"
    told = {
        "segments": len(fetched),
        "seconds": round(sum(seen[n][1] for n in numbers), 3),
        "bytes": sum(fetched.values()),
        "breaks": breaks,
        "maps": len(maps),
        "target": media.target_duration,
        "begin": seen[numbers[0]][2].timestamp(),
        "end": seen[numbers[-1]][2].timestamp() + seen[numbers[-1]][1],
    }
    print(json.dumps(told))
    sys.stdout.flush()


main()
