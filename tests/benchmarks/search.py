"""How fast a large gallery answers: run it with `python -m tests.benchmarks.search`.

Fills an empty gallery with invented plates straight through the tables, then asks every kind of search many times,
in every order, first pages and later ones, and prints the time that 95 % of them stay under.
"""

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert, text

sys.path.insert(0, str(Path(__file__).parents[2] / "inspect"))

from tests.databases import postgres_server
from tests.store import plates

from truelobe.gallery.search import SORTS, Query, count, find
from truelobe.store import Store, documents, open_store, words
from truelobe.store.models_gallery import (
    DecisionRow,
    DefectRow,
    InspectionRow,
    MeasurementRow,
    PepperRow,
    TagRow,
)

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


def fill(store: Store, plates_wanted: int, seed: int = 1, batch: int = 5000) -> None:
    """Put invented plates into an empty gallery."""
    chance = random.Random(seed)
    pool = [plates.any_document(chance.randrange(10**9)) for _ in range(400)]
    texts = [json.dumps(document) for document in pool]
    for first in range(1, plates_wanted + 1, batch):
        rows = range(first, min(first + batch, plates_wanted + 1))
        with store.database.write() as connection:
            _fill_rows(connection, rows, pool, texts, chance)
    with store.database.engine.connect() as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT").execute(text("ANALYZE"))


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


def measure(store: Store, plates_kept: int, rounds: int) -> dict[str, float]:
    """Return the 95th percentile in milliseconds of each search, over all sorts, first and second pages."""
    return {
        name: float(np.percentile(list(_times(store, query, rounds)), 95))
        for name, query in searches(plates_kept).items()
    }


def _times(store: Store, query: Query, rounds: int) -> Iterator[float]:
    for _ in range(rounds):
        for sort in SORTS:
            asked = replace(query, sort=sort)
            start = time.perf_counter()
            page = find(store, asked)
            yield 1000 * (time.perf_counter() - start)
            if page.after:
                start = time.perf_counter()
                find(store, asked, after=page.after)
                yield 1000 * (time.perf_counter() - start)
        start = time.perf_counter()
        count(store, query)
        yield 1000 * (time.perf_counter() - start)


def run(
    plates_wanted: int = 100_000, rounds: int = 3, url: str | None = None, home: str | None = None
) -> dict[str, float]:
    """Fill a gallery (or take the one at `home`), search it, and return each search's 95th percentile in ms."""
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(home or folder, url)
        if not count(store):
            start = time.perf_counter()
            fill(store, plates_wanted)
            seconds = time.perf_counter() - start
            print(f"{store.database.dialect}: {plates_wanted} plates in {seconds:.0f} s", flush=True)
        found = measure(store, plates_wanted, rounds)
        store.close()
    for name, milliseconds in sorted(found.items(), key=lambda item: -item[1]):
        print(f"  {milliseconds:7.1f} ms  {name}")
    return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plates", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", choices=("sqlite", "postgresql"))
    parser.add_argument("--home", help="keep the SQLite gallery here, or use the one that is there")
    asked = parser.parse_args()
    if asked.only != "postgresql":
        run(asked.plates, asked.rounds, home=asked.home)
    if asked.only != "sqlite":
        with postgres_server(durable=True) as server:
            run(asked.plates, asked.rounds, server.new_database())
