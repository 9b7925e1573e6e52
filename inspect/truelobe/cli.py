"""The same jobs without a browser: `truelobe JOB ...`.

Exit status: 0 done, 3 done but flagged, 4 refused, 2 wrong words on the command line.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
from collections.abc import Sequence

from truelobe import __version__, commands
from truelobe.messages import TruelobeError
from truelobe.side_by_side import one_core_each

REFUSED = 4


def make_parser() -> argparse.ArgumentParser:
    """Return the parser with every job of `truelobe.commands` registered."""
    parser = argparse.ArgumentParser(
        prog="truelobe",
        description="Sweet peppers measured from a photo with a printed scale card, turned into judging practice.",
        epilog="Practice aid, not an inspection.",
    )
    parser.add_argument("--version", action="version", version=f"truelobe {__version__}")
    jobs = parser.add_subparsers(title="jobs", metavar="JOB", required=True)
    for found in pkgutil.iter_modules(commands.__path__):
        module = importlib.import_module(f"{commands.__name__}.{found.name}")
        getattr(module, f"add_{found.name}")(jobs)
    return parser


def main(words: Sequence[str] | None = None) -> int:
    """Do one job and return its exit status."""
    arguments = make_parser().parse_args(words)
    one_core_each()
    try:
        return int(arguments.run(arguments))
    except TruelobeError as error:
        print(f"{error.message.text}\n{error.message.what_to_do}", file=sys.stderr)
        return REFUSED
    except BrokenPipeError:
        sys.stderr.close()
        return 0
