"""`truelobe open`: the pages in the browser, on this machine alone."""

from __future__ import annotations

import argparse
import threading
from importlib import import_module
from pathlib import Path

from truelobe.pages.options import command_line

_START = Path(__file__).resolve().parents[1] / "pages" / "script" / "start.py"


def add_open(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the job."""
    parser = subparsers.add_parser(
        "open",
        help="open the pages in the browser",
        description="Open the pages. They are reachable from this machine alone; nothing is sent anywhere.",
    )
    parser.add_argument("--port", type=int, help="port on 127.0.0.1 (the first free one from 8501)")
    parser.add_argument("--no-browser", action="store_true", help="only serve; open no browser window")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted; return the exit status."""
    from streamlit.web import cli  # slow to import, and no other job needs it

    # The first page's rooms are read while the server starts and the browser opens.
    threading.Thread(target=import_module, args=("truelobe.pages.measure",), daemon=True).start()
    words = ["run", str(_START), *command_line(), f"--server.headless={str(arguments.no_browser).lower()}"]
    if arguments.port is not None:
        words.append(f"--server.port={arguments.port}")
    cli.main(words, prog_name="truelobe open", standalone_mode=False)
    return 0
