"""The team's server as a process: started and stopped by the coach, seen by the coach's page through the store.

The coach's page and the server share nothing but the store: the server writes down where it listens and who has
called, the page writes down when it should stop. So it does not matter which of the two was started how.
"""

from __future__ import annotations

import asyncio
import ipaddress
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

import uvicorn

from truelobe.messages import TruelobeError
from truelobe.pages.students.app import make_app
from truelobe.store import Store
from truelobe.store.base import new_uid, now

FIRST_PORT = 8510
PORTS = 20
BEAT_SECONDS = 2.0
_STATUS, _STOP = "team server", "team server stop"


@dataclass(frozen=True)
class TeamServer:
    """A running server, as it wrote itself down.

    Attributes
    ----------
    run : str
        Identifies this run.
    host, port : str, int
        Where it listens.
    beat : str
        When it was last alive, ISO 8601.
    machine, pid : str, int
        Where it runs, and as which process.
    phones : int
        How many other machines have called.
    first_phone_at : str or None
    """

    run: str
    host: str
    port: int
    beat: str
    machine: str
    pid: int
    phones: int = 0
    first_phone_at: str | None = None

    def alive(self, at: datetime) -> bool:
        """Tell whether it has given a sign within the last seconds, and its process was not ended meanwhile."""
        recent = at - datetime.fromisoformat(self.beat) < timedelta(seconds=5 * BEAT_SECONDS)
        return recent and not (self.machine == socket.gethostname() and _gone(self.pid))


def _gone(pid: int) -> bool:
    """Tell whether a process of this machine has ended; where asking would disturb it, False."""
    if os.name == "nt":  # signal 0 would end the process there
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return False


def running(store: Store) -> TeamServer | None:
    """Return the server that runs on this store, or None."""
    written = store.settings.get(_STATUS)
    found = TeamServer(**written) if written else None
    return found if found and found.alive(now()) else None


def ask_to_stop(store: Store) -> None:
    """Ask the server to end, also one too busy to have given a sign lately; it does within seconds."""
    written = store.settings.get(_STATUS)
    if written:
        store.settings.put(_STOP, written["run"])


def launch(store: Store, host: str = "0.0.0.0") -> None:
    """Start the server as a process of its own, which goes on when the coach's page is closed."""
    place = store.place
    environment = os.environ | {
        "TRUELOBE_HOME": str(place.home),
        "TRUELOBE_DATABASE": place.url.render_as_string(hide_password=False),
        "TRUELOBE_PHOTOS": place.photos,
        "PYTHONPATH": str(Path(__file__).resolve().parents[3]),
    }
    subprocess.Popen(
        [sys.executable, "-P", "-m", "truelobe", "team", "--host", host],
        env=environment,
        cwd=place.home,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def own_address() -> str | None:
    """Return this machine's address on the local network, or None without one. Nothing is sent.

    Connecting a datagram socket only chooses the way out; 192.0.2.1 is kept for documentation (RFC 5737).
    """
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))
        address = str(probe.getsockname()[0])
        if not ipaddress.ip_address(address).is_loopback:
            return address
    return None


class _Callers:
    """Counts the machines that have called, this one apart."""

    def __init__(self) -> None:
        self._own = own_address()
        self._seen: set[str] = set()
        self._lock = threading.Lock()
        self.first_at: datetime | None = None

    def note(self, address: str) -> None:
        with suppress(ValueError):
            if ipaddress.ip_address(address).is_loopback or address == self._own:
                return
        with self._lock:
            self._seen.add(address)
            self.first_at = self.first_at or now()

    def __len__(self) -> int:
        return len(self._seen)


def free_socket(host: str, port: int | None) -> socket.socket:
    """Return a bound socket: the port asked for, else the first free one.

    Raises
    ------
    TruelobeError
        ``port-taken``.
    """
    for one in [port] if port is not None else range(FIRST_PORT, FIRST_PORT + PORTS):
        listener = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, one))
            listener.listen()  # two may bind a port that nobody listens on yet; only one may listen
        except OSError:
            listener.close()
            continue
        return listener
    raise TruelobeError(
        "port-taken", "Another program listens there already.", "Give another port: truelobe team --port 8600."
    )


def serve(store: Store, host: str, port: int | None, told: Callable[[str, int], None]) -> None:
    """Serve the student pages until interrupted or asked to stop.

    Parameters
    ----------
    told : callable
        Called with host and port before the first request is answered.

    Raises
    ------
    TruelobeError
        ``team-running``, ``port-taken``.
    """
    if running(store):
        raise TruelobeError("team-running", "The team's pages are open already.", "Close them first.")
    callers = _Callers()
    with free_socket(host, port) as listener:
        at = int(listener.getsockname()[1])
        app = make_app(store, callers.note)
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=5,  # a phone that left in the middle of a request holds nobody up
        )
        server = uvicorn.Server(config)
        beat = threading.Thread(target=_beat, args=(store, server, callers, host, at), daemon=True)
        beat.start()
        told(host, at)
        asyncio.run(server.serve(sockets=[listener]))
        server.should_exit = True
        beat.join(timeout=2 * BEAT_SECONDS)
    store.settings.put(_STATUS, None)


def _beat(store: Store, server: uvicorn.Server, callers: _Callers, host: str, port: int) -> None:
    run = new_uid()
    while not server.should_exit:
        first = callers.first_at.isoformat() if callers.first_at else None
        status = TeamServer(
            run, host, port, now().isoformat(), socket.gethostname(), os.getpid(), len(callers), first
        )
        with suppress(TruelobeError):  # a busy or full store is tried again at the next beat
            store.settings.put(_STATUS, asdict(status))
            if store.settings.get(_STOP) == run:
                server.should_exit = True
        waited = time.monotonic()
        while time.monotonic() - waited < BEAT_SECONDS and not server.should_exit:
            time.sleep(0.1)
