"""Runs analyzers in a host that shares no code with the relay: the package `wasmtime` (PyPI).

    python analyzer_host.py COMPONENT SETTINGS

needs `pip install wasmtime`. SETTINGS is the JSON object that `configure` is given. Standard input
has a JSON object a line, each a picture in gray8: `captured` (nanoseconds), `width`, `height`,
`stride`, and `rows`, a list of rows in hexadecimal, each of `stride` bytes. The first line of the
output is the analyzer's request, each further one a list of findings: one for each picture, and one
for `stop`. An error of the analyzer is its text in that place; one of `configure` ends it all.
"""

import json
import sys

import wasmtime
from wasmtime import component
from wasmtime.component import ComponentInstanceType, FuncType, ResourceType

PACKAGE = "forebay:plugin/"
# The resources, and the interface that defines each: elsewhere they are only mentioned.
RESOURCES = {"access-unit": "media@", "object": "objects@"}


class Fields:
    """A record, whose fields the bindings read as attributes."""

    def __init__(self, **fields):
        for name, value in fields.items():
            setattr(self, name, value)


def plain(value):
    """What the bindings give as JSON can hold it."""
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if hasattr(value, "__dict__"):
        return {name: plain(item) for name, item in vars(value).items()}
    return value


def refused(name):
    """A function of the host that no analyzer of these tests should call."""

    def function(*_):
        raise RuntimeError(f"the analyzer calls {name}")

    return function


def link(engine, plugin):
    """Grants what the component imports: WASI without files or network, logging, and else only
    functions that refuse."""
    linker = component.Linker(engine)
    linker.add_wasip2()
    with linker.root() as root:
        for name, item in plugin.type.imports(engine).items():
            if not name.startswith(PACKAGE):
                continue
            assert isinstance(item.ty, ComponentInstanceType), name
            with root.add_instance(name) as instance:
                for member, kind in item.ty.exports(engine).items():
                    if isinstance(kind.ty, FuncType):
                        quiet = name.startswith(PACKAGE + "telemetry@")
                        function = (lambda *_: None) if quiet else refused(f"{name} {member}")
                        instance.add_func(member, function)
                    elif name.startswith(PACKAGE + RESOURCES.get(member, "-")):
                        number = list(RESOURCES).index(member)
                        instance.add_resource(member, ResourceType.host(number), lambda *_: None)
    return linker


def main(path, settings):
    engine = wasmtime.Engine()
    plugin = component.Component.from_file(engine, path)
    store = wasmtime.Store(engine)
    wasi = wasmtime.WasiConfig()
    wasi.inherit_stderr()
    store.set_wasi(wasi)
    instance = link(engine, plugin).instantiate(store, plugin)

    def call(name, *arguments):
        function = instance.get_func(store, name)
        answer = function(store, *arguments)
        if hasattr(function, "post_return"):
            function.post_return(store)
        return answer

    def tell(answer):
        print(json.dumps(plain(answer)), flush=True)

    configuration = {
        "camera": "gate",
        "sink": "analyzer",
        "site": "boatyard",
        "time-zone": "Europe/Oslo",
        "latitude": None,
        "longitude": None,
        "settings": settings,
    }
    request = call("configure", Fields(**configuration))
    tell(request)
    if isinstance(request, str):
        return
    for sequence, line in enumerate(sys.stdin):
        given = json.loads(line)
        width, height = given["width"], given["height"]
        data = bytes.fromhex("".join(given["rows"]))
        plane = Fields(width=width, height=height, stride=given["stride"], bytes=data)
        picture = {
            "camera": "gate",
            "sequence": sequence,
            "captured": given["captured"],
            "uncertainty": 0,
            "asked": None,
            "source": "analysis",
            "random-access": True,
            "width": width,
            "height": height,
            "camera-width": width,
            "camera-height": height,
            "format": "gray8",
            "planes": [plane],
        }
        tell(call("analyze", Fields(**picture)))
    tell(call("stop"))


if __name__ == "__main__":
    main(*sys.argv[1:])
