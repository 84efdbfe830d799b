"""Tells when it is dark: the same as `../dark`, in Python.

    componentize-py -d ../../../wit -w analyzer componentize --stub-wasi dark -o dark.wasm
"""

import json

import wit_world
from componentize_py_types import Err
from wit_world.imports.findings import Finding
from wit_world.imports.pictures import Request

# What settings there are, and their values where the configuration names none.
DEFAULTS = {"below": 40.0, "seconds": 2.0}


class Dark:
    def __init__(self, settings):
        for name, value in settings.items():
            # True and False are numbers to Python.
            if name not in DEFAULTS or type(value) not in (int, float):
                known = ", ".join(DEFAULTS)
                raise ValueError(f"{name} = {json.dumps(value)}: known are the numbers {known}")
        settings = {**DEFAULTS, **settings}
        self.below = settings["below"]
        self.patience = int(settings["seconds"] * 1e9)
        self.dark = False
        self.turned = None  # Since when it has been otherwise than `dark` says.

    def analyze(self, picture):
        [plane] = picture.planes
        rows = range(0, plane.height * plane.stride, plane.stride)
        total = sum(sum(plane.bytes[row : row + plane.width]) for row in rows)
        dark = total / (plane.width * plane.height) < self.below
        if dark == self.dark:
            self.turned = None
            return []
        if self.turned is None:
            self.turned = picture.captured
        if picture.captured - self.turned < self.patience:
            return []
        begun, self.turned, self.dark = self.turned, None, dark
        phase = "begin" if dark else "end"
        return [Finding("dark", float(dark), begun, phase, None, "")]


# State is kept here: of the class below a new object is made for each call.
analyzer = None


def told(function):
    """Makes an exception the call's error, whose text the relay logs: there are no files, and so
    no traceback."""

    def call(*arguments):
        try:
            return function(*arguments)
        except Exception as error:
            raise Err(f"{type(error).__name__}: {error}")

    return call


class WitWorld(wit_world.WitWorld):
    @told
    def configure(self, configuration):
        global analyzer
        analyzer = Dark(json.loads(configuration.settings or "{}"))
        # A picture a second, 64 pixels wide, of luma alone.
        return Request(1.0, 64, "gray8", "analysis", 0.0)

    @told
    def analyze(self, picture):
        return analyzer.analyze(picture)

    def tick(self, now):
        return []

    def stop(self):
        return []
