"""`truelobe open`: the pages in the browser, on this machine alone unless it is told otherwise."""

from __future__ import annotations

import argparse
import getpass
import socket
import sys
import threading
from importlib import import_module
from pathlib import Path

from truelobe.messages import TruelobeError
from truelobe.pages.options import command_line
from truelobe.store import open_store

_START = Path(__file__).resolve().parents[1] / "pages" / "script" / "start.py"


def add_open(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the job."""
    parser = subparsers.add_parser(
        "open",
        help="open the pages in the browser",
        description="Open the pages. They are reachable from this machine alone, unless --to-network is given.",
    )
    parser.add_argument("--port", type=int, help="port on 127.0.0.1 (the first free one from 8501)")
    parser.add_argument(
        "--to-network",
        action="store_true",
        help="open them to other devices of the network too, behind a passphrase; plain http, so others on the "
        "network could read what is sent",
    )
    parser.add_argument("--new-passphrase", action="store_true", help="with --to-network: set another passphrase")
    parser.add_argument("--no-browser", action="store_true", help="only serve; open no browser window")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted; return the exit status."""
    from streamlit.web import cli  # slow to import, and no other job needs it

    address = _opened(arguments.new_passphrase) if arguments.to_network else None
    # The first page's rooms are read while the server starts and the browser opens.
    threading.Thread(target=import_module, args=("truelobe.pages.measure",), daemon=True).start()
    words = ["run", str(_START), *command_line(address), f"--server.headless={str(arguments.no_browser).lower()}"]
    port = arguments.port if arguments.port is not None else _free_port()
    words.append(f"--server.port={port}")
    print(f"Truelobe is open at http://{address or '127.0.0.1'}:{port} (Ctrl+C ends it).", flush=True)
    cli.main(words, prog_name="truelobe open", standalone_mode=False)
    return 0


def _free_port() -> int:
    """Return the first port from Streamlit's usual one on that nobody listens at."""
    for port in range(8501, 8600):
        with socket.socket() as door:
            if door.connect_ex(("127.0.0.1", port)) != 0:
                return port
    return 8501


def _opened(new: bool) -> str:
    """Make sure of a passphrase, say the risk, and return this machine's address on the network.

    Raises
    ------
    TruelobeError
        ``no-network``, ``passphrase-missing``, ``passphrase-short``.
    """
    from truelobe.judging.passphrase import RISK, Passphrase
    from truelobe.pages.students.server import own_address

    address = own_address()
    if address is None:
        raise TruelobeError("no-network", "This machine is on no network.", "Join one, or leave --to-network out.")
    store = open_store()
    try:
        passphrase = Passphrase(store)
        if new or not passphrase.known:
            passphrase.set(_typed())
    finally:
        store.close()
    print(f"Open to the network at http://{address}, behind the passphrase.\n{RISK}", flush=True)
    return address


def _typed() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline()
    words = getpass.getpass("A passphrase for the coach's pages: ")
    if words != getpass.getpass("The same once more: "):
        raise TruelobeError("passphrase-differs", "The two are not the same.", "Start again.")
    return words
