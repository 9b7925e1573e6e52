"""`truelobe team`: the student pages on the local network, in a process of their own."""

from __future__ import annotations

import argparse

from truelobe.store import open_store


def add_team(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the job."""
    parser = subparsers.add_parser(
        "team",
        help="open the student pages to the team's phones",
        description="Serve student pages only. Everybody on the same network can reach them; the coach's pages "
        "stay on this machine. Plain http: what is sent can be read by others on the network.",
    )
    parser.add_argument("--host", default="0.0.0.0", help="address to listen on (default: every network)")
    parser.add_argument("--port", type=int, help="port (the first free one from 8510)")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until interrupted; return the exit status."""
    from truelobe.pages.students.server import own_address, serve  # the web server is slow to import

    def told(host: str, port: int) -> None:
        shown = own_address() or "127.0.0.1" if host in ("0.0.0.0", "::") else host
        print(f"Student pages: http://{shown}:{port}", flush=True)
        print("Stop with Ctrl+C.", flush=True)

    store = open_store()
    try:
        serve(store, arguments.host, arguments.port, told)
    finally:
        store.close()
    return 0
