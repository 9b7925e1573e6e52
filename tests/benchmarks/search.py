"""How fast a large gallery answers: `truelobe bench search`, on SQLite, on PostgreSQL and in a real browser.

Fills an empty gallery with invented plates straight through the tables, then asks every kind of search many times,
in every order, first pages and later ones. For each it prints what 95 % of the answers stay under: time on the
clock, which a busy machine stretches, and processor time of program and database, which it hardly does.
"""

import argparse
import json
import os
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert, text

sys.path.insert(0, str(Path(__file__).parents[2] / "inspect"))

from tests.benchmarks import search_page
from tests.databases import postgres_server
from tests.store import plates

from truelobe.gallery import SORTS, Query, choices, count, find
from truelobe.store import Store, documents, open_store, prepare_photo, words
from truelobe.store.models_gallery import (
    DecisionRow,
    DefectRow,
    InspectionPhotoRow,
    InspectionRow,
    MeasurementRow,
    PepperRow,
    TagRow,
)
from truelobe.store.photos import Photos

WANTED_MS = 100
PHOTOS = 60
DEFECTS = ("scar", "bruise", "decay", "sunscald", "puncture")
TAGS = ("shoulder", "stem end", "small", "contest", "drill")
NAMES = ("Fox", "Owl", "Hare", "Wren", "Mole", "Newt")
GRADES = ("first", "second", "culls")
WORDS = (
    "market",
    "field",
    "greenhouse",
    "early",
    "late",
    "lobed",
    "smooth",
    "heavy",
    "blocky",
    "pointed",
    "wide",
    "glossy",
)


def fill(store: Store, plates_wanted: int, seed: int = 1, batch: int = 5000, photos: int = 0) -> None:
    """Put invented plates into an empty gallery; they share so many photos, or have none."""
    chance = random.Random(seed)
    pool = [plates.any_document(chance.randrange(10**9)) for _ in range(400)]
    texts = [json.dumps(document) for document in pool]
    shown = [_photo(store, number) for number in range(photos)]
    for first in range(1, plates_wanted + 1, batch):
        rows = range(first, min(first + batch, plates_wanted + 1))
        with store.database.write() as connection:
            _fill_rows(connection, rows, pool, texts, chance)
            if shown:
                of_plates = [
                    {"inspection_id": n, "position": 0, "sha256": shown[n % photos], "name": ""} for n in rows
                ]
                connection.execute(insert(InspectionPhotoRow), of_plates)
    with store.database.engine.connect() as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").execute(text("ANALYZE"))


def _photo(store: Store, number: int) -> str:
    with store.database.write("adding") as connection:
        kept = store.photos.put_files(prepare_photo(plates.photo(number, (1600, 1200))))
        Photos.put_row(connection, kept)
    store.photos.settled((kept,))
    return kept.sha256


def _fill_rows(connection: Any, rows: range, pool: list[Any], texts: list[str], chance: random.Random) -> None:
    tables: dict[Any, list[dict[str, Any]]] = {
        table: [] for table in (InspectionRow, MeasurementRow, PepperRow, DecisionRow, TagRow, DefectRow)
    }
    bodies = []
    for number in rows:
        which = chance.randrange(len(pool))
        when = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(minutes=7 * number)
        title = f"{chance.choice(WORDS)} plate {number}"
        notes = " ".join(chance.sample(WORDS, 6))
        who = chance.choice(NAMES)
        own = {"inspection_id": number}
        tables[InspectionRow].append(
            {
                "id": number,
                "uid": f"{number:032x}",
                "version": 1,
                "title": title,
                "notes": notes,
                "who": who,
                "plate_date": date(2024, 1, 1) + timedelta(days=chance.randrange(900)),
                "kept_at": when,
                "changed_at": when,
                "example": chance.random() < 0.02,
                "teaching_note": "",
                "grade": chance.choice(GRADES),
                "sample": False,
                "sort_title": title,
                **documents.plate_columns(pool[which]),
            }
        )
        uid = f"{number:032x}"
        made = {"uid": uid, "current": True, "tool": "truelobe 0.1.0", "made_at": when, "document": texts[which]}
        tables[MeasurementRow].append(own | made)
        tables[PepperRow] += [own | row for row in documents.pepper_rows(pool[which])]
        tables[DecisionRow] += [own | row for row in documents.decision_rows(pool[which])]
        tags = chance.sample(TAGS, chance.randrange(3))
        tables[TagRow] += [own | {"tag": tag} for tag in tags]
        defects = chance.sample(DEFECTS, chance.choice((0, 0, 1, 2)))
        tables[DefectRow] += [own | {"number": 1, "defect": defect} for defect in defects]
        colours = sorted({pepper["colour"] for pepper in pool[which]["peppers"]})
        found_by = " ".join([title, notes, who, *tags, *colours])
        bodies.append({"id": number, "body": " ".join(words.tokens(found_by))})
    for table, values in tables.items():
        connection.execute(insert(table), values)
    value = ":body" if connection.dialect.name == "sqlite" else "to_tsvector('simple', :body)"
    connection.execute(text(f"INSERT INTO words (rowid, body) VALUES (:id, {value})"), bodies)
    if connection.dialect.name == "postgresql":
        sequence = "pg_get_serial_sequence('inspections', 'id')"
        connection.execute(text(f"SELECT setval({sequence}, max(id)) FROM inspections"))


def searches(plates_kept: int) -> dict[str, Query]:
    """Every kind of search the gallery offers, common and rare."""
    asked = {
        "everything": Query(),
        "words, common": Query(words="market"),
        "words, two common": Query(words="market glossy"),
        "words, one plate": Query(words=f"plate {plates_kept // 2}"),
        "words, none": Query(words="zebra"),
        "color": Query(colours=("red",)),
        "size, common": Query(diameter_mm=(70.0, None)),
        "size, rare": Query(diameter_mm=(94.9, 95.0)),
        "size, none": Query(diameter_mm=(150.0, None)),
        "length, rare": Query(length_mm=(109.9, None)),
        "coverage range": Query(not_fully_coloured=(0.10, 0.15)),
        "coverage, rare": Query(not_fully_coloured=(0.1000, 0.1003)),
        "color, size and coverage": Query(
            colours=("green",), diameter_mm=(80, 85), not_fully_coloured=(0.1, 0.12)
        ),
        "decision": Query(outcomes=("missed",), rule="House rule"),
        "decision and color": Query(outcomes=("too close",), rule="U.S. standard", colours=("yellow",)),
        "decision, none": Query(outcomes=("not seen",)),
        "grade": Query(grade="second"),
        "defect": Query(defect="scar"),
        "tag": Query(tag="contest"),
        "dates": Query(first_day=date(2024, 6, 1), last_day=date(2024, 6, 30)),
        "who": Query(who="Fox"),
        "examples": Query(examples=True),
        "not measured": Query(measured=False),
        "bin": Query(binned=True),
        "words, color, defect, who": Query(words="lobed", colours=("red",), defect="decay", who="Owl"),
    }
    return asked


@dataclass(frozen=True)
class Timing:
    """What 95 % of the answers to one kind of search stay under, in milliseconds."""

    name: str
    clock_ms: float
    cpu_ms: float


def measure(store: Store, plates_kept: int, rounds: int) -> list[Timing]:
    """Time each search over all sorts, first and second pages, and counting; the slowest first."""
    cpu = _cpu_seconds(store)
    found = []
    for name, query in searches(plates_kept).items():
        clock_ms, cpu_ms = np.percentile(list(_times(store, query, rounds, cpu)), 95, axis=0)
        found.append(Timing(name, float(clock_ms), float(cpu_ms)))
    start, spent = time.perf_counter(), cpu()
    choices(store)
    found.append(Timing("what the filters offer", 1000 * (time.perf_counter() - start), 1000 * (cpu() - spent)))
    return sorted(found, key=lambda timing: -timing.clock_ms)


def _cpu_seconds(store: Store) -> Callable[[], float]:
    """Return a clock of the processor time of this process and of the server processes that work for it."""
    if store.database.dialect == "sqlite":
        return time.process_time
    with store.database.read() as connection:
        asked = text("SELECT pid FROM pg_stat_activity WHERE datname = current_database()")
        files = [Path(f"/proc/{pid}/schedstat") for pid in connection.execute(asked).scalars()]
    return lambda: time.process_time() + sum(int(file.read_text().split()[0]) for file in files) / 1e9


def _times(store: Store, query: Query, rounds: int, cpu: Callable[[], float]) -> Iterator[tuple[float, float]]:
    def timed(ask: Callable[[], Any]) -> tuple[tuple[float, float], Any]:
        start, spent = time.perf_counter(), cpu()
        answer = ask()
        return (1000 * (time.perf_counter() - start), 1000 * (cpu() - spent)), answer

    for _ in range(rounds):
        for sort in SORTS:
            asked = replace(query, sort=sort)
            took, page = timed(partial(find, store, asked))
            yield took
            if page.after:
                yield timed(partial(find, store, asked, after=page.after))[0]
        yield timed(partial(count, store, query))[0]


def run(
    plates_wanted: int = 100_000, rounds: int = 3, only: str | None = None, home: Path | None = None
) -> dict[str, list[Timing]]:
    """Fill galleries, search them, print the times, and return those of each database.

    Parameters
    ----------
    plates_wanted, rounds : int
    only : {"sqlite", "postgresql", "browser"}, optional
    home : Path, optional
        Keep the SQLite gallery there, or use the one that is there.
    """
    found: dict[str, list[Timing]] = {}
    with tempfile.TemporaryDirectory() as folder:
        if only != "postgresql":
            with closing(_filled(home or Path(folder) / "lite", None, plates_wanted)) as store:
                if only != "browser":
                    found["sqlite"] = _told(measure(store, plates_wanted, rounds))
                else:
                    choices(store)
            if only != "sqlite":
                _tell_pages(search_page.page_seconds(store.place.home))
        if only in (None, "postgresql"):
            with postgres_server(durable=True) as server:
                place = Path(folder) / "server"
                with closing(_filled(place, server.new_database(), plates_wanted)) as store:
                    found["postgresql"] = _told(measure(store, plates_wanted, rounds))
    return found


def _filled(home: Path, url: str | None, plates_wanted: int) -> Store:
    store = open_store(home, url)
    if not count(store):
        start = time.perf_counter()
        fill(store, plates_wanted, photos=PHOTOS)
        seconds = time.perf_counter() - start
        print(f"{store.database.dialect}: {plates_wanted} plates in {seconds:.0f} s", flush=True)
    return store


def _told(found: list[Timing]) -> list[Timing]:
    print("   clock     cpu  (ms that 95 % of the answers stay under)")
    for timing in found:
        print(f"  {timing.clock_ms:6.1f}  {timing.cpu_ms:6.1f}  {timing.name}")
    for name, values in (("clock", [t.clock_ms for t in found]), ("cpu", [t.cpu_ms for t in found])):
        above = sum(value > WANTED_MS for value in values)
        print(f"  {name}: {above} of {len(values)} above {WANTED_MS} ms, the slowest {max(values):.1f} ms")
    load = os.getloadavg()[0]
    print(f"  processes that wanted to run meanwhile: {load:.1f} on {os.cpu_count()} cores", flush=True)
    return found


def _tell_pages(pages: search_page.Took) -> None:
    print(
        "  middle  slowest  cpu  (s: a page of results in Chromium, from the key or the tap to its last picture)"
    )
    for name, took in pages.items():
        clock, cpu = np.array(took).T
        print(
            f"  {np.median(clock):6.2f}  {clock.max():7.2f}  {np.median(cpu):.2f}  {name}, {len(took)} times",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", choices=("sqlite", "postgresql", "browser"))
    parser.add_argument("--home", type=Path, help="keep the SQLite gallery here, or use the one that is there")
    asked = parser.parse_args()
    run(asked.plates, asked.rounds, asked.only, asked.home)
