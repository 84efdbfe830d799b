#!/usr/bin/python3
"""A camera that shares no code with the relay: GStreamer's RTSP server with x264, x265 or jpegenc.

Each H.264/H.265 access unit carries, before its first slice, a user_data_unregistered SEI message
(ITU-T H.264 D.1.7, H.265 D.2.7): a UUID, the number of the unit and its capture time, eight bytes
each, big endian. What goes to the payloader is logged, one JSON object a line, so that a test can
compare every recorded unit with what was sent:

    {"kind": "video", "media": 1, "counter": 7, "pts": ns, "captured": Unix ns, "key": false,
     "size": 812, "sha256": "…"}     the hash is of the canonical form, see units.py
    {"kind": "audio", "media": 1, "counter": 9, "pts": ns, "size": 371, "sha256": "…"}

`pts` is the pipeline's running time; `media` counts pipelines, since the server builds a new one
when a client comes after the last one left. G.711 goes to FILE.audio as well, as it was sent.

Prints one JSON line with the URL once it listens. Ends when its standard input is closed.
"""

import argparse
import hashlib
import json
import socket
import sys
import threading
import time

import gi

gi.require_version("Gst", "1.0")
gi.require_version("GstRtsp", "1.0")
gi.require_version("GstRtspServer", "1.0")
from gi.repository import GLib, Gst, GstRtsp, GstRtspServer  # noqa: E402

sys.dont_write_bytecode = True
import units  # noqa: E402


class Journal:
    """What was handed to the payloaders."""

    def __init__(self, path):
        self.lines = open(path, "w", buffering=1)
        self.samples = open(path + ".audio", "wb", buffering=0)
        self.lock = threading.Lock()
        self.counters = {"video": 0, "audio": 0}
        self.media = 0

    def next(self, kind):
        with self.lock:
            counter = self.counters[kind]
            self.counters[kind] += 1
            return counter

    def write(self, **fields):
        with self.lock:
            self.lines.write(json.dumps(fields) + "\n")


def encoder(a):
    """The part of the pipeline from raw pictures to access units."""
    if a.codec == "mjpeg":
        return "jpegenc quality=80", "image/jpeg"
    if a.codec == "h264":
        tune = "" if a.bframes else "tune=zerolatency"
        return (
            f"x264enc speed-preset=ultrafast {tune} threads=1 bitrate={a.bitrate} "
            f"key-int-max={a.gop} bframes={a.bframes} b-adapt=false rc-lookahead=0 "
            "option-string=scenecut=0 ! h264parse",
            "video/x-h264,stream-format=byte-stream,alignment=au",
        )
    options = f"bframes={a.bframes}:b-adapt=0:open-gop=0:scenecut=0:pools=none:frame-threads=1:wpp=0"
    if a.bframes == 0:
        options += ":rc-lookahead=0"
    return (
        f"x265enc speed-preset=ultrafast bitrate={a.bitrate} key-int-max={a.gop} "
        f"option-string={options} ! h265parse",
        "video/x-h265,stream-format=byte-stream,alignment=au",
    )


PAYLOADERS = {
    "h264": "rtph264pay config-interval=-1",
    "h265": "rtph265pay config-interval=-1",
    "mjpeg": "rtpjpegpay",
}
AUDIO = {
    "aac": ("audio/x-raw,rate=48000,channels=2", "avenc_aac bitrate=64000 ! aacparse", "rtpmp4gpay"),
    "pcma": ("audio/x-raw,rate=8000,channels=1", "alawenc", "rtppcmapay"),
    "pcmu": ("audio/x-raw,rate=8000,channels=1", "mulawenc", "rtppcmupay"),
}


def launch(a):
    """The pipeline's description."""
    width, height = a.size.split("x")
    encode, caps = encoder(a)
    if a.file:
        source = f"multifilesrc location={a.file} loop=true caps=video/x-{a.codec},stream-format=byte-stream"
        encode = f"{a.codec}parse"
    else:
        # The corner of the SMPTE picture holds noise: no two pictures are the same.
        source = (
            "videotestsrc is-live=true pattern=smpte ! "
            f"video/x-raw,format=I420,width={width},height={height},framerate={a.fps}/1"
        )
    text = (
        f"( {source} ! {encode} ! "
        f"{caps} ! identity name=coded ! {PAYLOADERS[a.codec]} name=pay0 pt=96 "
    )
    if a.audio != "none":
        raw, encode, pay = AUDIO[a.audio]
        pt = {"aac": 97, "pcma": 8, "pcmu": 0}[a.audio]
        text += (
            f"audiotestsrc is-live=true wave=pink-noise volume=0.3 samplesperbuffer=160 ! {raw} ! "
            f"{encode} ! {pay} name=pay1 pt={pt} "
        )
    return text + ")"


def running_time(pad, buffer):
    segment = pad.get_sticky_event(Gst.EventType.SEGMENT, 0).parse_segment()
    return segment.to_running_time(Gst.Format.TIME, buffer.pts)


def unseekable(_pad, info):
    """A camera can't be wound back. The test source could, and would begin anew at each PLAY."""
    seeking = info.get_query().type == Gst.QueryType.SEEKING
    return Gst.PadProbeReturn.DROP if seeking else Gst.PadProbeReturn.OK


class Camera:
    def __init__(self, a):
        self.a = a
        self.passing = False
        self.begin = None
        self.journal = Journal(a.log)

    def configure(self, _factory, media):
        self.journal.media += 1
        number = self.journal.media
        element = media.get_element()
        pad = element.get_by_name("coded").get_static_pad("src")
        pad.add_probe(Gst.PadProbeType.QUERY_UPSTREAM, unseekable)
        pad.add_probe(Gst.PadProbeType.BUFFER, self.stamp, number)
        pay = element.get_by_name("pay1")
        if pay:
            pad = pay.get_static_pad("sink")
            pad.get_peer().add_probe(Gst.PadProbeType.QUERY_UPSTREAM, unseekable)
            pad.add_probe(Gst.PadProbeType.BUFFER, self.hear, number)

    def stamp(self, pad, info, media):
        """Marks a unit that comes from the encoder, logs it, and sends it on to the payloader."""
        if self.passing:
            return Gst.PadProbeReturn.OK
        buffer = info.get_buffer()
        counter = self.journal.next("video")
        if self.a.file:
            # A byte stream has no times: one picture after the other, each when it is due.
            self.begin = self.begin or time.monotonic_ns()
            pts = (counter * Gst.SECOND) // self.a.fps
            time.sleep(max(0, self.begin + pts - time.monotonic_ns()) / 1e9)
            buffer.pts = buffer.dts = pts
            buffer.duration = Gst.SECOND // self.a.fps
            age = 0
        else:
            pts = running_time(pad, buffer)
            coded = pad.get_parent_element()
            age = coded.get_clock().get_time() - coded.get_base_time() - pts
        captured = time.time_ns() - age
        unit = buffer.extract_dup(0, buffer.get_size())
        if self.a.codec != "mjpeg":
            unit = units.mark(self.a.codec, unit, counter, captured)
        key = not buffer.has_flags(Gst.BufferFlags.DELTA_UNIT)
        canonical = units.canonical(self.a.codec, units.split(self.a.codec, unit))
        self.journal.write(
            kind="video", media=media, counter=counter, pts=pts, captured=captured, key=key,
            size=len(canonical), sha256=hashlib.sha256(canonical).hexdigest(),
        )
        marked = Gst.Buffer.new_wrapped(unit)
        marked.pts, marked.dts, marked.duration = buffer.pts, buffer.dts, buffer.duration
        if not key:
            marked.set_flags(Gst.BufferFlags.DELTA_UNIT)
        # Bindings can't exchange a probe's buffer: push the marked one, then drop the other.
        self.passing = True
        pad.push(marked)
        self.passing = False
        return Gst.PadProbeReturn.DROP

    def hear(self, pad, info, media):
        buffer = info.get_buffer()
        data = buffer.extract_dup(0, buffer.get_size())
        if self.a.audio != "aac":
            self.journal.samples.write(data)
        self.journal.write(
            kind="audio", media=media, counter=self.journal.next("audio"),
            pts=running_time(pad, buffer), size=len(data), sha256=hashlib.sha256(data).hexdigest(),
        )
        return Gst.PadProbeReturn.OK


def protect(server, factory, a):
    """Asks for a password by digest (RFC 2617) or in the clear."""
    if not (a.digest or a.basic):
        return
    user, password = (a.digest or a.basic).split(":", 1)
    auth = GstRtspServer.RTSPAuth()
    token = GstRtspServer.RTSPToken()
    token.set_string("media.factory.role", "viewer")
    if a.digest:
        auth.set_supported_methods(GstRtsp.RTSPAuthMethod.DIGEST)
        auth.add_digest(user, password, token)
    else:
        auth.set_supported_methods(GstRtsp.RTSPAuthMethod.BASIC)
        auth.add_basic(GstRtspServer.RTSPAuth.make_basic(user, password), token)
    server.set_auth(auth)
    permissions = GstRtspServer.RTSPPermissions()
    permissions.add_permission_for_role("viewer", "media.factory.access", True)
    permissions.add_permission_for_role("viewer", "media.factory.construct", True)
    factory.set_permissions(permissions)


def bound(_server, client, size):
    """What a connection may hold back; the server itself drops what waits for longer."""
    written = client.get_connection().get_write_socket()
    written.set_option(socket.SOL_SOCKET, socket.SO_SNDBUF, size)


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--codec", choices=["h264", "h265", "mjpeg"], default="h264")
    parser.add_argument("--audio", choices=["none", *AUDIO], default="none")
    parser.add_argument("--digest", metavar="USER:PASSWORD")
    parser.add_argument("--basic", metavar="USER:PASSWORD")
    parser.add_argument("--fps", type=int, default=25)
    parser.add_argument("--gop", type=int, default=25, help="pictures from key frame to key frame")
    parser.add_argument("--bframes", type=int, default=0)
    parser.add_argument("--size", default="640x360")
    parser.add_argument("--bitrate", type=int, default=1000, help="kb/s")
    parser.add_argument("--file", help="H.264 or H.265 as a byte stream, sent over and over "
                        "instead of the test picture")
    parser.add_argument("--listen", metavar="ADDRESS", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--send-buffer", type=int, help="SO_SNDBUF of each connection, bytes")
    parser.add_argument("--log", required=True, help="the journal of units sent")
    parser.add_argument("--for", type=float, default=600, dest="seconds", help="end after so long")
    return parser.parse_args()


def main():
    a = arguments()
    Gst.init(None)
    camera = Camera(a)
    server = GstRtspServer.RTSPServer()
    server.set_address(a.listen)
    server.set_service(str(a.port))
    factory = GstRtspServer.RTSPMediaFactory()
    factory.set_launch(launch(a))
    factory.set_shared(True)
    factory.connect("media-configure", camera.configure)
    protect(server, factory, a)
    if a.send_buffer:
        server.connect("client-connected", bound, a.send_buffer)
    server.get_mount_points().add_factory("/main", factory)
    if server.attach(None) == 0:
        sys.exit("can't listen on %s, port %d" % (a.listen, a.port))
    port = server.get_bound_port()
    print(json.dumps({"port": port, "url": f"rtsp://{a.listen}:{port}/main"}), flush=True)
    loop = GLib.MainLoop()
    threading.Thread(target=lambda: (sys.stdin.read(), loop.quit()), daemon=True).start()
    GLib.timeout_add(int(a.seconds * 1000), loop.quit)
    loop.run()


if __name__ == "__main__":
    main()
