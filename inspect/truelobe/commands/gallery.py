"""`truelobe gallery`: check, repair, back up, restore, export and import what the team keeps.

The gallery and its database are slow to import, and no other job needs them: each function here fetches them.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from truelobe.messages import TruelobeError

if TYPE_CHECKING:
    from truelobe.gallery import Choice, Query
    from truelobe.store import Store

_FLAGGED = 3


def add_gallery(subparsers: Any) -> None:
    """Register the job.

    Parameters
    ----------
    subparsers : argparse subparsers action
    """
    parser: argparse.ArgumentParser = subparsers.add_parser(
        "gallery",
        help="look after the plates a team keeps",
        description="Look after the plates a team keeps. They lie in the user's data folder unless TRUELOBE_HOME, "
        "TRUELOBE_DATABASE or an option says otherwise.",
    )
    parser.add_argument("--home", type=Path, metavar="FOLDER", help="folder of the gallery")
    parser.add_argument("--database", metavar="URL", help="postgresql+psycopg://... in place of the folder's own")
    jobs = parser.add_subparsers(dest="gallery_job", required=True, metavar="JOB")
    _job(jobs, "where", "say where the gallery lies", _where)
    _job(jobs, "check", "look whether every record has its photo and every checksum is right", _check)
    _job(jobs, "repair", "mend what can be mended; strays move to lost+found", _repair)
    backup = _job(jobs, "backup", "write everything into one file while others go on working", _backup)
    backup.add_argument("file", type=Path, metavar="FILE")
    restore = _job(jobs, "restore", "fill an empty gallery from a backup", None)
    restore.add_argument("file", type=Path, metavar="FILE")
    export = _job(
        jobs, "export", "write plates as a bundle (.zip), a table (.csv, .xlsx) or a list to print (.pdf)", _export
    )
    export.add_argument("file", type=Path, metavar="FILE")
    export.add_argument("--words", default="", help="only plates that hold these words")
    export.add_argument("--tag", default="", help="only plates with this tag")
    export.add_argument("--saved", metavar="NAME", help="only what a search saved under this name finds")
    export.add_argument("--names", action="store_true", help="nicknames too; they stay at home otherwise")
    taken = _job(jobs, "import", "take a bundle's plates in: all or nothing", _import)
    taken.add_argument("file", type=Path, metavar="FILE")
    taken.add_argument(
        "--conflicts",
        choices=["keep-mine", "take-theirs", "keep-both"],
        help="for plates that stand differently here; without it they are listed and nothing is changed",
    )


def _job(
    jobs: Any, name: str, words: str, run: Callable[[Store, argparse.Namespace], int] | None
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = jobs.add_parser(
        name, help=words, description=words[0].upper() + words[1:] + "."
    )
    parser.set_defaults(run=run_gallery, gallery_run=run)
    return parser


def run_gallery(arguments: argparse.Namespace) -> int:
    """Do the job that was asked for; 3 when a check found something or conflicts are open.

    Raises
    ------
    TruelobeError
        As the job does.
    """
    if arguments.gallery_run is None:  # restoring needs an empty place, so nothing is opened before
        return _restore(arguments)
    with _opened(arguments) as store:
        status: int = arguments.gallery_run(store, arguments)
    return status


@contextmanager
def _opened(arguments: argparse.Namespace) -> Iterator[Store]:
    from truelobe.store import open_store

    store = open_store(arguments.home, arguments.database)
    try:
        yield store
    finally:
        store.close()


def _where(store: Store, arguments: argparse.Namespace) -> int:
    print(f"Database: {store.place.shown}")
    print(f"Photos: {store.place.photos}")
    return 0


def _check(store: Store, arguments: argparse.Namespace) -> int:
    from truelobe import gallery

    health = gallery.check(store)
    print(f"{health.plates} plates, {health.photos} photos.")
    for fault in health.faults:
        print(f"{fault.kind}: {fault.what}")
    print("Everything is in order." if health.clean else f"{len(health.faults)} things are wrong.")
    return 0 if health.clean else _FLAGGED


def _repair(store: Store, arguments: argparse.Namespace) -> int:
    from truelobe import gallery

    done = gallery.repair(store)
    for fault in done.mended:
        print(f"mended: {fault.kind}: {fault.what}")
    for fault in done.left:
        print(f"left: {fault.kind}: {fault.what}")
    if done.left:
        print("What is left comes back only from a backup: truelobe gallery restore.")
    elif not done.mended:
        print("There was nothing to mend.")
    return _FLAGGED if done.left else 0


def _backup(store: Store, arguments: argparse.Namespace) -> int:
    from truelobe import gallery

    rows = gallery.back_up(store, arguments.file)
    print(f"{arguments.file}: {rows} rows and their photos.")
    return 0


def _restore(arguments: argparse.Namespace) -> int:
    from truelobe import gallery

    rows = gallery.restore(arguments.file, arguments.home, arguments.database)
    print(f"{rows} rows and their photos were restored.")
    return 0


def _export(store: Store, arguments: argparse.Namespace) -> int:
    from truelobe import gallery
    from truelobe.report.gallery_list import write_list

    query, kind = _query(store, arguments), arguments.file.suffix.lower()
    if kind in (".csv", ".xlsx"):
        write = gallery.write_csv if kind == ".csv" else gallery.write_xlsx
        print(f"{arguments.file}: {write(store, arguments.file, query, names=arguments.names)} rows.")
        return 0
    if kind == ".pdf":
        print(f"{arguments.file}: {write_list(store, arguments.file, query)} plates.")
        return 0
    asked = None if query == gallery.Query() else gallery.uids(store, query)
    plates = gallery.export_bundle(store, arguments.file, asked, names=arguments.names)
    print(f"{arguments.file}: {plates} plates.")
    return 0


def _query(store: Store, arguments: argparse.Namespace) -> Query:
    from truelobe import gallery

    if arguments.saved is None:
        return gallery.Query(words=arguments.words, tag=arguments.tag)
    saved = gallery.saved_searches(store)
    if arguments.saved not in saved:
        raise TruelobeError(
            "search-unknown",
            f"No search is saved as {arguments.saved}.",
            f"Choose one of {', '.join(saved)}." if saved else "Save one on the gallery's page first.",
        )
    return saved[arguments.saved]


def _import(store: Store, arguments: argparse.Namespace) -> int:
    from truelobe import gallery

    chosen: dict[str, Choice] = {
        "keep-mine": "keep mine",
        "take-theirs": "take theirs",
        "keep-both": "keep both",
    }
    if arguments.conflicts is None:
        plan = gallery.plan_import(store, arguments.file)
        if plan.conflicts:
            for conflict in plan.conflicts:
                print(
                    f'here "{conflict.title_here}", there "{conflict.title_there}": '
                    f"differ in {', '.join(conflict.parts)}"
                )
            print("Nothing was changed. Say --conflicts keep-mine, take-theirs or keep-both.")
            return _FLAGGED
    done = gallery.import_bundle(store, arguments.file, default=chosen.get(arguments.conflicts or ""))
    print(
        f"{done.new} new, {done.same} already here, {done.kept_mine} kept, {done.took_theirs} taken over, "
        f"{done.kept_both} kept twice."
    )
    return 0
