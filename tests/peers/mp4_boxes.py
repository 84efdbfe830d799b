"""Prints the box tree of an MP4 file as JSON, as the parser `pymp4` (PyPI) reads it.

    python mp4_boxes.py FILE

needs `pip install pymp4==1.4.0`. Bytes are given in hexadecimal, the payload of `mdat` by its
length alone. Exits with 1 and a text on standard error where the file is not whole boxes.
"""

import io
import json
import sys

from construct import ConstructError
from construct.lib import Container
from pymp4.parser import Box

# Fields that hold four-character codes.
CODES = {"type", "format", "major_brand", "compatible_brands", "handler_type"}


def plain(value, name=None, kind=None):
    """The parser's value as JSON can hold it; `kind` is the box that it stands in."""
    if isinstance(value, Container):
        kind = value.get("type", kind)
        return {key: plain(item, key, kind) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item, name, kind) for item in value]
    if isinstance(value, bytes):
        if name in CODES:
            return value.decode("latin-1")
        return len(value) if kind == b"mdat" else value.hex()
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


def boxes(data):
    """The boxes at the top of a file."""
    stream, parsed = io.BytesIO(data), []
    while (start := stream.tell()) < len(data):
        # Checked here, as the parser takes a box that is cut short for a short one.
        if start + int.from_bytes(data[start : start + 4], "big") > len(data):
            raise ValueError(f"the box at byte {start} is cut short")
        parsed.append(plain(Box.parse_stream(stream)))
    return parsed


def main():
    if len(sys.argv) != 2:
        sys.exit("usage: mp4_boxes.py FILE")
    try:
        with open(sys.argv[1], "rb") as file:
            tree = boxes(file.read())
    except (OSError, ValueError, ConstructError) as error:
        sys.exit(f"{sys.argv[1]}: {error}")
    json.dump(tree, sys.stdout, indent=1)


if __name__ == "__main__":
    main()
