"""Kill a process that keeps, edits, imports and deletes, again and again, and look what is left.

`run(count, seed)` kills as often as asked, with SIGKILL; `truelobe bench stress` calls it with 500. After a kill
the gallery is opened again: its check must be clean, and everything acknowledged before the kill must be there.
Run it with `PYTHONPATH=inspect python -m tests.benchmarks.stress_gallery 500`.
"""

import hashlib
import json
import multiprocessing
import os
import random
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.store import plates

from truelobe import gallery
from truelobe.store import NewInspection, Store, crop_box, open_store, prepare_photo


@dataclass(frozen=True)
class KillReport:
    """What came of the kills: how many, how many acknowledged changes they left, and every fault found."""

    kills: int
    acknowledged: int
    faults: tuple[str, ...]


def work(home: str, url: str | None, bundle: str, journal: str, seed: int) -> None:
    """Change a gallery without end; write a line, durable, after each change that was acknowledged."""
    store = open_store(home, url)
    chance = random.Random(seed)
    with open(journal, "a", encoding="utf-8") as told:

        def acknowledged(kind: str, uid: str, value: str = "") -> None:
            told.write(json.dumps([kind, uid, value]) + "\n")
            told.flush()
            os.fsync(told.fileno())

        acknowledged("opened", "")
        while True:
            _change(store, chance, Path(bundle), acknowledged)


def _change(store: Store, chance: random.Random, bundle: Path, acknowledged: object) -> None:
    told = acknowledged
    assert callable(told)
    kept = gallery.uids(store, gallery.Query())
    doing = chance.choice(("keep", "keep", "edit", "draft", "import", "bin"))
    if doing == "keep" or not kept:
        seed = chance.randrange(10**9)
        document = plates.any_document(seed)
        photo = prepare_photo(plates.photo(seed, (320, 240)), None, name="plate.jpg")
        uid = store.inspections.keep(NewInspection((photo,), document, title=str(seed))).uid
        told("title", uid, str(seed))
    elif doing == "edit":
        uid, title = chance.choice(kept), str(chance.randrange(10**9))
        told("may be", uid, title)
        store.inspections.edit(uid, store.inspections.get(uid).version, "Owl", title=title)
        told("title", uid, title)
    elif doing == "draft":
        draft = store.drafts.start("inspection", {"n": 1}, uploads=[("a.jpg", os.urandom(2000))])
        told("draft", draft.uid)
        told("draft may go", draft.uid)
        store.drafts.finish(draft.uid)
    elif doing == "import":
        gallery.import_bundle(store, bundle, default="keep mine")
        told("imported", "")
    else:
        uid = chance.choice(kept)
        told("may go", uid)
        store.inspections.bin(uid, store.inspections.get(uid).version)
        gallery.empty_bin(store)


def run(count: int = 500, seed: int = 1, url: str | None = None) -> KillReport:
    """Kill `count` times at random moments.

    Parameters
    ----------
    count, seed : int
    url : str, optional
        Address of an empty database; a SQLite file by default.
    """
    chance = random.Random(seed)
    faults: list[str] = []
    acknowledged = 0
    with tempfile.TemporaryDirectory() as folder:
        home, bundle = Path(folder) / "home", Path(folder) / "bundle.zip"
        imported = _make_bundle(Path(folder) / "source", bundle)
        open_store(home, url).close()
        for number in range(count):
            journal = Path(folder) / "journal"
            journal.write_text("")
            before = _titles(home, url)
            _start_and_kill(home, url, bundle, journal, chance)
            lines = [json.loads(line) for line in journal.read_text().splitlines() if line.endswith("]")]
            acknowledged += len(lines)
            faults += [f"kill {number}: {fault}" for fault in _look(home, url, before, lines, imported)]
    return KillReport(count, acknowledged, tuple(faults))


def _make_bundle(home: Path, path: Path) -> list[str]:
    store = open_store(home)
    uids = []
    for seed in range(3):
        document = plates.any_document(seed)
        photo = plates.photo(seed, (320, 240))
        document["photo"]["sha256"] = hashlib.sha256(photo).hexdigest()
        prepared = prepare_photo(photo, None if seed else crop_box(None), name="plate.jpg")
        uids.append(store.inspections.keep(NewInspection((prepared,), document, title="From afar")).uid)
    gallery.export_bundle(store, path)
    store.close()
    return uids


def _start_and_kill(home: Path, url: str | None, bundle: Path, journal: Path, chance: random.Random) -> None:
    arguments = (str(home), url, str(bundle), str(journal), chance.randrange(10**9))
    child = multiprocessing.get_context("fork").Process(target=work, args=arguments, daemon=True)
    child.start()
    # So many steps, then some time into the next one: on a slow machine too a kill meets work, not just the start.
    steps, deadline = chance.randint(1, 5), time.monotonic() + 60
    while _lines(journal) < steps and child.is_alive() and time.monotonic() < deadline:
        time.sleep(0.005)
    time.sleep(chance.uniform(0, 0.3))
    if not child.is_alive():
        raise RuntimeError("the worker ended by itself")
    child.kill()
    child.join()


def _lines(journal: Path) -> int:
    return journal.read_bytes().count(b"\n")


def _titles(home: Path, url: str | None) -> dict[str, str]:
    store = open_store(home, url)
    titles = {uid: store.inspections.get(uid).title for uid in gallery.uids(store, gallery.Query())}
    store.close()
    return titles


def _look(
    home: Path, url: str | None, before: dict[str, str], lines: Sequence[Sequence[str]], imported: Sequence[str]
) -> list[str]:
    """Return what is wrong after a kill."""
    expected: dict[str, set[str]] = {uid: {title} for uid, title in before.items()}
    may_go: set[str] = set()
    drafts: set[str] = set()
    for kind, uid, value in lines:
        if kind == "title":
            expected[uid] = {value}
        elif kind == "may be":
            expected[uid] = expected.get(uid, {"From afar"}) | {value}
        elif kind == "may go":
            may_go.add(uid)
            if uid in imported:  # thrown away, then imported afresh: it comes back under its first title
                expected[uid] = expected.get(uid, set()) | {"From afar"}
        elif kind == "draft":
            drafts.add(uid)
        elif kind == "draft may go":
            drafts.discard(uid)
        elif kind == "imported":
            expected |= {one: expected.get(one, {"From afar"}) for one in imported if one not in may_go}
    store = open_store(home, url)
    found = [f"{fault.kind} {fault.what}" for fault in gallery.check(store).faults]
    there = {uid: store.inspections.get(uid).title for uid in gallery.uids(store, gallery.Query())}
    in_bin = set(gallery.in_bin(store))  # a kill between the two halves of throwing away: it waits there
    for uid, titles in expected.items():
        if uid not in there and uid not in in_bin and uid not in may_go:
            found.append(f"an acknowledged plate is gone: {uid}")
        if uid in there and there[uid] not in titles:
            found.append(f"an acknowledged title is gone: {uid}")
    found += [f"an acknowledged draft is gone: {uid}" for uid in drafts - {one.uid for one in store.drafts.all()}]
    found += [f"left in the uploads: {name}" for name in store.uploads.marked()]
    if any((home / "incoming").iterdir() if (home / "incoming").is_dir() else ()):
        found.append("an unpacked bundle was left behind")
    store.close()
    return found


if __name__ == "__main__":
    start = time.monotonic()
    report = run(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
    print(
        f"{report.kills} kills, {report.acknowledged} acknowledged steps, {len(report.faults)} faults, "
        f"{time.monotonic() - start:.0f} s"
    )
    for line in report.faults:
        print(line)
    sys.exit(bool(report.faults))
