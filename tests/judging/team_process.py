"""The team's server as a process, and phones that speak its page's own requests."""

import http.client
import json
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]
_START = """
import sys
from truelobe.pages.students.server import serve
from truelobe.store import open_store
serve(open_store(sys.argv[1]), "127.0.0.1", int(sys.argv[2]), lambda host, port: print("open", flush=True))
"""


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def start(home, port):
    environment = os.environ | {"PYTHONPATH": str(ROOT / "inspect"), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-P", "-c", _START, str(home), str(port)]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline() == "open\n"
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return process
        time.sleep(0.05)
    raise AssertionError("the server did not answer")


def cpu_seconds(process):
    """How long a process has worked, whatever else its machine does: user and system time, proc_pid_stat(5)."""
    fields = Path(f"/proc/{process.pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def kill(process):
    """End a server without a word, as a power cut does."""
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


@contextmanager
def team_server(home):
    port = free_port()
    process = start(home, port)
    try:
        yield port
    finally:
        kill(process)


class Phone:
    """One phone: a cookie, a connection, everything it ever received."""

    def __init__(self, port):
        self.port, self.cookie, self.received = port, "", []
        self._connection = None

    def ask(self, path, body=None, headers=None, method=None):
        """Send a request; return status and what came back."""
        if self._connection is None:
            self._connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {"Cookie": self.cookie} if self.cookie else {}
        if body is not None:
            sent["Content-Type"] = "application/json"
        try:
            self._connection.request(
                method or ("GET" if body is None else "POST"),
                path,
                None if body is None else json.dumps(body),
                sent | (headers or {}),
            )
            answer = self._connection.getresponse()
            data = answer.read()
        except (OSError, http.client.HTTPException):
            self._connection.close()
            self._connection = None
            raise
        self.received.append((path, str(answer.headers).encode() + data))
        cookie = answer.headers.get("set-cookie")
        if cookie and answer.status == 200:
            self.cookie = cookie.split(";")[0]
            self.cookie_words = cookie
        kind = answer.headers.get("content-type", "")
        return answer.status, json.loads(data) if kind.startswith("application/json") else data

    def patiently(self, path, body=None, seconds=120):
        """Ask until an answer comes, as the page does; return status, answer and how long the last try took."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            began = time.monotonic()
            try:
                status, answer = self.ask(path, body)
            except (OSError, http.client.HTTPException):
                time.sleep(0.1)
                continue
            return status, answer, time.monotonic() - began
        raise AssertionError(f"no answer to {path}")

    def enter(self, student, word):
        return self.ask("/api/enter", {"student": student, "word": word})

    def tap(self, session, placing, submit=False):
        body = {"session": session, "tap": secrets.token_hex(12), "placing": placing, "submit": submit}
        return self.patiently("/api/tap", body)
