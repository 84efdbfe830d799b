"""Prints the box tree of an MP4 file as JSON, as the parser `pymp4` (PyPI) reads its boxes.

    python mp4_boxes.py FILE

needs `pip install pymp4==1.4.0`. Each box has its `type`, `offset` and `size`, and `children` or
the parser's fields. Bytes are given in hexadecimal, the payload of `mdat` by its length alone.
Exits with 1 and a text on standard error where boxes don't fill their container exactly, or where
the parser refuses one.
"""

import json
import sys

from construct import ConstructError
from construct.lib import Container
from pymp4.parser import Box

# Walked here: the parser loses its place in a container after an `avcC` with the fields that High
# profile adds (ISO/IEC 14496-15 §5.3.3.1.2).
CONTAINERS = {"moov", "trak", "edts", "mdia", "minf", "dinf", "stbl", "mvex", "moof", "traf"}
# Fields that hold four-character codes.
CODES = {"type", "format", "major_brand", "compatible_brands", "handler_type"}
# The parser's own count from the beginning of what it is given.
PLACES = {"offset", "end"}


def plain(value, name=None):
    """The parser's value as JSON can hold it."""
    if isinstance(value, Container):
        return {key: plain(item, key) for key, item in value.items() if key not in PLACES}
    if isinstance(value, (list, tuple)):
        return [plain(item, name) for item in value]
    if isinstance(value, bytes):
        return value.decode("latin-1") if name in CODES else value.hex()
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


def boxes(data, start, end):
    """The boxes that fill the bytes from `start` to `end`."""
    tree = []
    while start < end:
        size = int.from_bytes(data[start : start + 4], "big")
        kind = data[start + 4 : start + 8].decode("latin-1")
        if size < 8 or start + size > end:
            raise ValueError(f"the box {kind!r} at byte {start} does not fit: {size} bytes")
        box = {"type": kind, "offset": start, "size": size}
        if kind in CONTAINERS:
            box["children"] = boxes(data, start + 8, start + size)
        elif kind == "mdat":
            box["data"] = size - 8
        else:
            try:
                parsed = Box.parse(data[start : start + size])
            except (ConstructError, OSError, UnicodeDecodeError) as error:
                raise ValueError(f"the box {kind!r} at byte {start}: {error}") from error
            box.update(plain(parsed))
        tree.append(box)
        start += size
    return tree


def main():
    if len(sys.argv) != 2:
        sys.exit("usage: mp4_boxes.py FILE")
    try:
        with open(sys.argv[1], "rb") as file:
            data = file.read()
        tree = boxes(data, 0, len(data))
    except (OSError, ValueError) as error:
        sys.exit(f"{sys.argv[1]}: {error}")
    json.dump(tree, sys.stdout, indent=1)


if __name__ == "__main__":
    main()
