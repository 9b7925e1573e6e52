"""Starting an app for a test, and ending everything it has started."""

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from pathlib import Path

ROOT = Path(__file__).parents[2]
START_SECONDS = 150  # a busy machine is slow; a start that works does not wait for this


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def listens(port):
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def serving(words, *, home, folder, cwd=None, path=(ROOT / "inspect",)):
    """Run Python with some words and a port, from a folder (or `cwd`); give the address once it answers.

    At the end nothing is left that knows this home: not the app, nor its workers, nor a team's server it started.
    """
    port = free_port()
    environment = os.environ | {
        "PYTHONPATH": os.pathsep.join(map(str, path)),
        "TRUELOBE_HOME": str(home),
        "OMP_NUM_THREADS": "2",
    }
    log = folder / "log.txt"
    with log.open("w") as written:
        process = subprocess.Popen(
            [sys.executable, *map(str, words), str(port)],
            cwd=cwd or folder,
            env=environment,
            stdout=written,
            stderr=written,
        )
        try:
            deadline = time.monotonic() + START_SECONDS
            while not listens(port):
                assert process.poll() is None, log.read_text()
                assert time.monotonic() < deadline, log.read_text()
                time.sleep(0.1)
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(timeout=20)
            _end_all_of(home)
            process.wait()


def _end_all_of(home):
    """End every process that was started for a home, by what Linux tells of its environment."""
    mark = f"TRUELOBE_HOME={home}".encode()
    for told in Path("/proc").glob("[0-9]*/environ"):
        with suppress(OSError):  # it has ended meanwhile, or is somebody else's
            if mark in told.read_bytes().split(b"\0"):
                os.kill(int(told.parent.name), signal.SIGKILL)
