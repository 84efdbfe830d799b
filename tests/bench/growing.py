"""A synthetic archive of years: its metadata whole, and some real footage.

Journals, manifests (chained), findings and the rows of the catalog are those of a relay that has
recorded so many cameras for so long, with outages, a restart each week and three days without the
camera `yard`. Footage lies there for the last hours alone. All of it follows from the seed, the end
and the sizes. The formats are written here a second time on purpose: the program under test has no
part in them.
"""

import datetime
import hashlib
import json
import random
import re
import sqlite3
import struct
import subprocess
from pathlib import Path

NAMES = ("slipway", "gate", "mast-crane", "yard", "workshop", "quay", "store", "road")
SECOND = 1_000_000_000
DAY = 86_400 * SECOND
FRAME = 100_000_000
# From 1900, where NTP counts from (RFC 5905), to 1970; seconds.
NTP_EPOCH = 2_208_988_800
LENGTH_OF_DAYS_AWAY = 3


def stamp(nanos):
    """RFC 3339 in UTC, as short as it goes."""
    seconds, rest = divmod(nanos, SECOND)
    time = datetime.datetime.fromtimestamp(seconds, datetime.timezone.utc)
    text = time.strftime("%Y-%m-%dT%H:%M:%S")
    return text + (f".{rest:09}".rstrip("0") if rest else "") + "Z"


def day_of(nanos):
    return stamp(nanos)[:10]


def stem(nanos):
    """The name of a file by its first instant, to the millisecond."""
    seconds, rest = divmod(nanos, SECOND)
    time = datetime.datetime.fromtimestamp(seconds, datetime.timezone.utc)
    return time.strftime("%Y-%m-%dT%H%M%S") + f".{rest // 1_000_000:03}Z"


def write(path, lines):
    """Writes a file of lines; gives its length and SHA-256."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = b"".join(lines)
    path.write_bytes(text)
    return len(text), hashlib.sha256(text).hexdigest()


class Film:
    """A real minute of footage, written anew for each time it is to have been captured at."""

    def __init__(self, folder, seconds):
        path = folder / "film.mp4"
        command = (
            "ffmpeg -v error -nostdin -y -f lavfi -i testsrc2=size=160x90:rate=10:duration=%d "
            "-c:v libx264 -preset veryfast -crf 40 -g 20 -bf 0 -pix_fmt yuv420p "
            "-video_track_timescale 10000 "
            "-movflags +frag_keyframe+empty_moov+default_base_moof -write_prft wallclock %s"
        )
        subprocess.run((command % (seconds, path)).split(), check=True)
        self.bytes = bytearray(path.read_bytes())
        path.unlink()
        # ISO/IEC 14496-12, 8.16.5: size, type, version and flags, track, NTP time, media time.
        self.places = []
        for found in re.finditer(b"prft", bytes(self.bytes)):
            at = found.start() + 4
            if self.bytes[at] == 1:
                media = struct.unpack_from(">Q", self.bytes, at + 16)[0]
            else:
                media = struct.unpack_from(">I", self.bytes, at + 16)[0]
            self.places.append((at + 8, media * SECOND // 10_000))

    def at(self, begin):
        for at, offset in self.places:
            seconds, rest = divmod(begin + offset, SECOND)
            # Rounded up, so that whoever cuts it to whole milliseconds finds the same.
            fraction = -(-(rest << 32) // SECOND)
            struct.pack_into(">II", self.bytes, at, seconds + NTP_EPOCH, min(fraction, 2**32 - 1))
        return bytes(self.bytes)


class Manifests:
    """The manifests of a camera, a file a day."""

    def __init__(self, archive, camera):
        self.archive, self.camera = archive, camera
        self.previous = None

    def write(self, begin, records):
        name = f"{self.camera}/manifest/{day_of(begin)}/{stem(begin)}.jsonl"
        if self.previous is None:
            link = '"previous":null,"sha256":null,"reason":"the first"'
        else:
            link = '"previous":"%s","sha256":"%s"' % self.previous
        lines, check = [], ""
        first = f'{{"at":"{stamp(begin)}","kind":"chain",{link}'
        for body in (first, *records):
            check = hashlib.sha256((check + body).encode()).hexdigest()[:16]
            lines.append(f'{body},"check":"{check}"}}\n'.encode())
        bytes_, sha256 = write(self.archive / name, lines)
        self.previous = (name, sha256)
        return name, bytes_, sha256


class Camera:
    """One camera's time."""

    def __init__(self, options, index):
        self.options = options
        self.name = NAMES[index] if index < len(NAMES) else f"camera-{index}"
        self.dice = random.Random(f"{options.seed} {self.name}")
        self.phase = self.dice.randrange(options.segment_seconds * 1000) * 1_000_000
        self.manifests = Manifests(options.archive, self.name)
        self.gaps = []
        self.objects = self.footage_bytes = 0
        self.oldest = None

    def outages(self, begin, number):
        """Outages of a day: begin, end, cause. They do not touch each other."""
        # Its third part, so that days before and after are whole.
        away = self.options.days // 3
        if self.name == "yard" and away <= number < away + LENGTH_OF_DAYS_AWAY:
            return [(begin, begin + DAY, "camera")]
        found = []
        for part in range(self.options.outages):
            length = DAY // self.options.outages
            start = begin + part * length + self.dice.randrange(length // 2)
            last = start + self.dice.randrange(2, 180) * SECOND
            found.append((start, last, "uplink"))
        return found

    def footage(self, begin, outages):
        """The segments of a day, each with its stretches."""
        step = self.options.segment_seconds * SECOND
        at = begin
        while at < begin + DAY:
            end = min(at + step, begin + DAY)
            spans, left = [], at
            for first, last, _ in outages:
                if last <= left or first >= end:
                    continue
                if first > left:
                    spans.append((left, first))
                left = last
            if left < end:
                spans.append((left, end))
            if spans:
                yield spans[0][0], spans
            at = end

    def day(self, begin, number, run, rows, film):
        options, name, dice = self.options, self.name, self.dice
        day = day_of(begin)
        outages = self.outages(begin, number)
        self.gaps.extend(gap for gap in outages if begin >= options.end - 7 * DAY)
        records = []
        for purpose in ("footage", "stills"):
            (options.archive / name / purpose / day).mkdir(parents=True)
        site = f'"{options.site}"'

        def publish(at, object_, bytes_, sha256):
            records.append(
                f'{{"at":"{stamp(at)}","kind":"object","object":"{object_}",'
                f'"bytes":{bytes_},"sha256":"{sha256}"'
            )

        for at, spans in self.footage(begin, outages):
            object_ = f"{name}/footage/{day}/{stem(at)}.mp4"
            late = at >= options.end - options.sample_hours * 3600 * SECOND
            if late and spans == [(at, at + options.segment_seconds * SECOND)]:
                content = film.at(at)
                path = options.archive / object_
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
                bytes_, sha256 = len(content), hashlib.sha256(content).hexdigest()
            else:
                bytes_ = dice.randrange(28_000_000, 32_000_000) * options.segment_seconds // 60
                sha256 = hashlib.sha256(object_.encode()).hexdigest()
                rows.extend((object_, a, b, name, FRAME, bytes_) for a, b in spans)
            self.oldest = self.oldest or object_
            self.objects += 1
            self.footage_bytes += bytes_
            publish(spans[-1][1] + SECOND, object_, bytes_, sha256)
        for minute in range(7 * 60, 18 * 60, 10):
            at = begin + minute * 60 * SECOND + self.phase
            object_ = f"{name}/stills/{day}/{stem(at)}.jpg"
            publish(at, object_, 600_000, hashlib.sha256(object_.encode()).hexdigest())
        for hour in range(24):
            at = begin + hour * 3600 * SECOND + self.phase
            kinds = ("motion", "motion", "still", "dark", "motion")
            lines = []
            for index, kind in enumerate(kinds):
                phase = ("begin", "end")[hour % 2] if kind == "dark" else None
                line = {"at": stamp(at + index * SECOND), "sink": "eye", "kind": kind}
                line |= {"phase": phase} if phase else {}
                line |= {"score": round(dice.random(), 3), "stream": "main"}
                lines.append((json.dumps(line, separators=(",", ":")) + "\n").encode())
            object_ = f"{name}/findings/{day}/{stem(at)}.jsonl"
            publish(at + 3600 * SECOND, object_, *write(options.archive / object_, lines))
        journal = f"{name}/ledger/{day}/{stem(begin)}.jsonl"
        lines = self.journal(begin, run, outages, site)
        publish(begin + DAY, journal, *write(options.archive / journal, lines))
        self.manifests.write(begin + SECOND, records)

    def journal(self, begin, run, outages, site):
        lines = []
        since, last = run

        def say(at, body):
            lines.append((at, f'{{"at":"{stamp(at)}",{body}}}\n'.encode()))

        for minute in range(1440):
            at = begin + minute * 60 * SECOND
            alive = min(at + 60 * SECOND, last)
            ended = "true" if alive == last else "false"
            say(
                at,
                f'"kind":"run","begin":"{stamp(since)}","alive":"{stamp(alive)}",'
                f'"ended":{ended},"site":{site}',
            )
            if minute % 10 == 0:
                say(
                    at,
                    f'"kind":"clock","of":"{stamp(at)}","uncertainty":0.0525,"camera":'
                    '{"offset":-3.25,"drift_ppm":12.5,"plausible":true,"steps":0}',
                )
        # Nothing lasts over midnight here, so that a day's journal tells all that there is to tell.
        say(begin, '"kind":"standing"')
        for first, end, cause in outages:
            for at, until in ((first, "null"), (end, f'"{stamp(end)}"')):
                say(
                    min(at, begin + DAY - 1),
                    f'"kind":"evidence","run":"{stamp(since)}","witness":"intake",'
                    f'"begin":"{stamp(first)}","end":{until},"cause":"{cause}",'
                    '"detail":"no packet, and no answer"',
                )
        lines.sort(key=lambda line: line[0])
        return [line for _, line in lines]


def row_hash(*values):
    """What the catalog's triggers keep of a row (relay/src/archive/catalog/seal.rs)."""
    taken = hashlib.sha256()
    for value in values:
        if value is None:
            kind, content = 0, b""
        elif isinstance(value, int):
            kind, content = 1, value.to_bytes(8, "little", signed=True)
        elif isinstance(value, float):
            kind, content = 2, struct.pack("<d", value)
        elif isinstance(value, str):
            kind, content = 3, value.encode()
        else:
            kind, content = 4, value
        taken.update(struct.pack("<BQ", kind, len(content)))
        taken.update(content)
    return int.from_bytes(taken.digest()[:8], "little", signed=True)


def make(options, forebay):
    """Makes all of it; gives what is true of it."""
    options.archive = options.folder / "archive"
    options.site = "boatyard"
    spool = options.archive / ".spool"
    spool.mkdir(parents=True)
    cameras = [Camera(options, index) for index in range(options.cameras)]
    config = [
        f'[relay]\narchive = "{options.archive}"\nlisten = "127.0.0.1:0"\n\n'
        f'[[site]]\nname = "{options.site}"\ntime_zone = "UTC"\n',
        '[[sink]]\nname = "footage"\nplugin = "builtin:recorder"\n',
    ]
    for camera in cameras:
        config.append(
            f'[[camera]]\nname = "{camera.name}"\nsite = "{options.site}"\n'
            'url = "rtsp://127.0.0.1:9/main"\n'
        )
    options.config = options.folder / "forebay.toml"
    options.config.write_text("\n".join(config))
    film = None
    if options.sample_hours:
        film = Film(options.folder, options.segment_seconds)
    staged = sqlite3.connect(options.folder / "footage.tmp")
    staged.execute("PRAGMA synchronous = OFF")
    staged.execute("CREATE TABLE footage (object, begin, end, camera, frame, bytes)")
    first = options.end - options.days * DAY
    for number in range(options.days):
        begin = first + number * DAY
        week = number - number % 7
        last = min(first + (week + 7) * DAY, options.end) - SECOND // 2
        for camera in cameras:
            rows = []
            camera.day(begin, number, (first + week * DAY, last), rows, film)
            staged.executemany("INSERT INTO footage VALUES (?, ?, ?, ?, ?, ?)", rows)
    staged.commit()
    rebuild = [forebay, "catalog", "rebuild", "--config", options.config]
    subprocess.run(rebuild, check=True, stdout=subprocess.DEVNULL)
    fill(spool / "catalog.sqlite", options.folder / "footage.tmp")
    staged.close()
    (options.folder / "footage.tmp").unlink()
    return {
        "config": str(options.config),
        "begin": stamp(first),
        "end": stamp(options.end),
        "objects": sum(camera.objects for camera in cameras),
        "bytes": sum(camera.footage_bytes for camera in cameras),
        "cameras": {
            camera.name: {
                "objects": camera.objects,
                "bytes": camera.footage_bytes,
                "oldest": camera.oldest,
                "gaps": [[stamp(a), stamp(b), cause] for a, b, cause in camera.gaps],
            }
            for camera in cameras
        },
    }


def fill(catalog, staged):
    """Adds what files that are not there hold."""
    connection = sqlite3.connect(catalog, isolation_level=None)
    connection.create_function("row_hash", -1, row_hash, deterministic=True)
    connection.create_function("exclusive_or", 2, lambda a, b: a ^ b, deterministic=True)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("PRAGMA wal_autocheckpoint = 16384")
    connection.execute("ATTACH ? AS staged", (str(staged),))
    connection.execute("BEGIN")
    connection.execute(
        "INSERT INTO main.footage (object, begin, end, camera, frame, bytes) "
        "SELECT object, begin, end, camera, frame, bytes FROM staged.footage"
    )
    connection.execute("COMMIT")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
