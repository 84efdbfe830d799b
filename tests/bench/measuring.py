"""What the benchmarks share: processes that are measured together, and building what they run."""

import json
import os
import signal
import socket
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TICKS = os.sysconf("SC_CLK_TCK")


class Group:
    """Processes that are measured together."""

    def __init__(self, commands, log):
        self.log = open(log, "ab")
        self.processes = [
            subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)
            for command in commands
        ]

    def cpu_seconds(self):
        """User and system time of all threads (proc(5): fields 14 and 15 of stat)."""
        total = 0
        for process in self.processes:
            stat = Path(f"/proc/{process.pid}/stat").read_text()
            fields = stat.rpartition(")")[2].split()
            total += int(fields[11]) + int(fields[12])
        return total / TICKS

    def memory(self):
        """PSS and RSS in bytes."""
        pss = rss = 0
        for process in self.processes:
            for line in Path(f"/proc/{process.pid}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    pss += int(line.split()[1]) * 1024
                elif line.startswith("Rss:"):
                    rss += int(line.split()[1]) * 1024
        return pss, rss

    def alive(self):
        return all(process.poll() is None for process in self.processes)

    def stop(self, sent=signal.SIGTERM):
        for process in self.processes:
            if process.poll() is None:
                process.send_signal(sent)
        for process in self.processes:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self.log.close()


class SiteServer:
    """A simulated site; it ends with the block."""

    def __init__(self, program, *options):
        self.process = subprocess.Popen(
            [program, *options], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self):
        self.urls = json.loads(self.process.stdout.readline())["urls"]
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(20)


def free_address():
    """A loopback address and port that nobody listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return "%s:%d" % free.getsockname()


def build(package, *extra):
    """Builds in release mode; gives the program's path."""
    command = ["cargo", "build", "--release", "--locked", "--package", package, *extra]
    command += ["--message-format", "json-render-diagnostics"]
    out = subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True).stdout
    found = [json.loads(line).get("executable") for line in out.splitlines()]
    return [path for path in found if path][-1]


def relay_program():
    return os.environ.get("FOREBAY_BIN") or build("forebay")


def site_program():
    return os.environ.get("SITE_SERVER_BIN") or build("forebay-tests", "--bin", "site_server")
