"""`truelobe bench`: hold the tool against plates of exact truth, time it, abuse it (in a checkout only)."""

from __future__ import annotations

import argparse
import importlib
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

from truelobe.data import data_path
from truelobe.messages import TruelobeError

SETS = ("development", "judging", "plates")
_STRESS = "stress_"


def add_bench(subparsers: Any) -> None:
    """Register the job.

    Parameters
    ----------
    subparsers : argparse subparsers action
    """
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "bench",
        help="measure the tool itself: accuracy, speed, hard use",
        description="Measure the tool itself on made plates whose truth is exact. Works in a checkout only. "
        "No real plate of known size has been measured yet.",
    )
    kinds = parser.add_subparsers(metavar="KIND", required=True)
    _add_accuracy(kinds)
    _add_blemishes(kinds)
    _add_composites(kinds)
    truth = kinds.add_parser("truth", help="hold the made plates' truth against a second route")
    truth.add_argument("--count", type=int, default=4, metavar="N", help="how many plates of each set (4)")
    truth.add_argument("--seed", type=int, default=17, metavar="S", help="which ones (17)")
    truth.set_defaults(run=lambda arguments: _run("second_route", arguments.count, arguments.seed))
    speed = kinds.add_parser("speed", help="time each step against decoding the same photo")
    speed.set_defaults(run=lambda arguments: _run("speed"))
    waiting = kinds.add_parser("waiting", help="time the page from a tap to outlines and figures, in Chromium")
    waiting.add_argument("--rounds", type=int, default=3, metavar="N", help="how often each plate is taken (3)")
    waiting.set_defaults(run=lambda arguments: _run("waiting", arguments.rounds))
    compare = kinds.add_parser("compare", help="say which differences of two kept results are real")
    compare.add_argument("before", type=Path, metavar="A")
    compare.add_argument("after", type=Path, metavar="B")
    compare.set_defaults(run=lambda arguments: _run("compare", arguments.before, arguments.after))
    intervals = kinds.add_parser("intervals", help="count how often the stated intervals hold the truth")
    intervals.add_argument("--count", type=int, default=1000, metavar="N", help="how many peppers (1000)")
    intervals.add_argument("--keep", type=Path, metavar="FILE", help="keep the results as JSON")
    intervals.set_defaults(run=lambda arguments: _run("intervals", arguments.count, keep=arguments.keep))
    search = kinds.add_parser("search", help="time every search of a gallery of 100,000 plates")
    search.add_argument("--plates", type=int, default=100_000, metavar="N", help="how many plates (100000)")
    search.add_argument("--rounds", type=int, default=3, metavar="N", help="how often each is asked (3)")
    search.add_argument("--only", choices=("sqlite", "postgresql", "browser"), help="one of the three alone")
    search.add_argument(
        "--home", type=Path, metavar="FOLDER", help="keep the SQLite gallery there, or use it again"
    )
    search.set_defaults(run=_search)
    stress = kinds.add_parser("stress", help="feed the tool spoiled files and kill it while it writes")
    stress.add_argument("--only", metavar="NAME", help="photos, gallery, bundles ... (all)")
    stress.add_argument("--count", type=int, metavar="N", help="how many trials of each (each one's own number)")
    stress.add_argument("--seed", type=int, default=1, metavar="S", help="where chance starts (1)")
    stress.set_defaults(run=_stress)


def _add_accuracy(kinds: Any) -> None:
    accuracy: argparse.ArgumentParser = kinds.add_parser("accuracy", help="hold every figure against the truth")
    accuracy.add_argument("--set", choices=SETS, default="development", dest="plates", help="which plates")
    accuracy.add_argument("--told", action="store_true", help="also tell the height of the plate's floor")
    accuracy.add_argument(
        "--answered", action="store_true", help="also answer each question about an axis by hand"
    )
    accuracy.add_argument("--keep", type=Path, metavar="FILE", help="keep the results as JSON")
    accuracy.set_defaults(run=_accuracy)


def _add_blemishes(kinds: Any) -> None:
    parser: argparse.ArgumentParser = kinds.add_parser("blemishes", help="hold marked areas against the truth")
    parser.add_argument("--set", choices=SETS[:2], default="development", dest="plates", help="which plates")
    parser.add_argument("--count", type=int, default=24, metavar="N", help="how many plates (24)")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="keep the results as JSON")
    parser.set_defaults(run=_blemishes)


def _add_composites(kinds: Any) -> None:
    parser: argparse.ArgumentParser = kinds.add_parser(
        "composites", help="lay our card into real photographs and run the whole chain"
    )
    parser.add_argument("--photos", type=Path, metavar="FOLDER", help="the photographs (../shared/real_photos)")
    parser.add_argument("--count", type=int, default=20, metavar="N", help="how many (20)")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the pictures made")
    parser.set_defaults(run=_composites)


def _composites(arguments: argparse.Namespace) -> int:
    photos = arguments.photos or _checkout().parent / "shared" / "real_photos"
    return _run("composites", photos, count=arguments.count, keep=arguments.keep)


def _blemishes(arguments: argparse.Namespace) -> int:
    folder = data_path("sample_images", arguments.plates)
    return _run("blemishes", folder, count=arguments.count, keep=arguments.keep)


def _accuracy(arguments: argparse.Namespace) -> int:
    folder = data_path("sample_images", arguments.plates)
    return _run("accuracy", folder, told=arguments.told, answered=arguments.answered, keep=arguments.keep)


def _search(arguments: argparse.Namespace) -> int:
    return _run("search", arguments.plates, arguments.rounds, only=arguments.only, home=arguments.home)


def _stress(arguments: argparse.Namespace) -> int:
    folder = _checkout() / "tests" / "benchmarks"
    names = sorted(path.stem.removeprefix(_STRESS) for path in folder.glob(f"{_STRESS}*.py"))
    if arguments.only is not None and arguments.only not in names:
        raise TruelobeError(
            "unknown-stress",
            f"There is no stress run called {arguments.only}.",
            f"Choose one of {', '.join(names)}.",
        )
    wanted = {} if arguments.count is None else {"count": arguments.count}
    for name in names if arguments.only is None else [arguments.only]:
        print(f"{name}: {_module(_STRESS + name).run(seed=arguments.seed, **wanted)}", flush=True)
    return 0


def _run(name: str, *words: Any, **options: Any) -> int:
    _module(name).run(*words, **options)
    return 0


def _module(name: str) -> ModuleType:
    root = str(_checkout())
    if root not in sys.path:
        sys.path.insert(0, root)
    return importlib.import_module(f"tests.benchmarks.{name}")


def _checkout() -> Path:
    root = data_path("sample_images").parent
    if not (root / "tests" / "benchmarks").is_dir():
        raise TruelobeError(
            "bench-needs-checkout",
            "The benchmark's plates and truths aren't part of an installed package.",
            "Run it in a checkout of the source.",
        )
    return root
