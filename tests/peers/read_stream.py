#!/usr/bin/env python3
"""Tells the access units of an elementary stream (annex B, or JPEG pictures one after the other).

    read_stream.py h264|h265|mjpeg FILE

Prints one JSON object with a list of units: the hash of the canonical form (units.py), and number
and capture time where the unit carries the mark.
"""

import hashlib
import json
import sys

sys.dont_write_bytecode = True
import units  # noqa: E402


def pictures(data):
    """JPEG files one after the other: a picture ends where the next SOI marker follows EOI."""
    at = 0
    while at < len(data):
        end = data.find(b"\xff\xd9\xff\xd8", at)
        end = len(data) if end < 0 else end + 2
        yield [data[at:end]]
        at = end


def main():
    codec, path = sys.argv[1:]
    with open(path, "rb") as file:
        data = file.read()
    if codec == "mjpeg":
        found = pictures(data)
    else:
        found = units.access_units(codec, units.split_annex_b(data))
    told = []
    for nals in found:
        unit = {"unit": hashlib.sha256(units.canonical(codec, nals)).hexdigest()}
        mark = units.read_mark(nals)
        if mark:
            unit["counter"], unit["captured"] = mark
        told.append(unit)
    print(json.dumps({"units": told}))


if __name__ == "__main__":
    main()
