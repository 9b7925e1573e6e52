"""Hand a gallery bundles that were tampered with: none gets in, and none leaves a trace.

`run(count, seed)` makes as many as asked, each spoiled in one of the ways below with random details;
`truelobe bench stress` calls it with 1,000. Run it with
`PYTHONPATH=inspect python -m tests.benchmarks.stress_bundles 1000`.
"""

import hashlib
import io
import json
import os
import random
import struct
import sys
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.store import plates

from truelobe import gallery
from truelobe.messages import TruelobeError
from truelobe.store import Grade, NewInspection, Store, crop_box, open_store, prepare_photo
from truelobe.store.models import Base

Parts = dict[str, bytes]


def unpacked(bundle: bytes) -> Parts:
    """Return a bundle's files by name."""
    with zipfile.ZipFile(io.BytesIO(bundle)) as file:
        return {name: file.read(name) for name in file.namelist()}


def packed(parts: Parts, change: Callable[[zipfile.ZipInfo], None] | None = None) -> bytes:
    """Return a bundle of files, with checksums as they should be."""
    parts = dict(parts)
    listed = [name for name in parts if name not in ("manifest.json", "checksums.sha256")]
    parts["checksums.sha256"] = "".join(
        f"{hashlib.sha256(parts[name]).hexdigest()}  {name}\n" for name in listed
    ).encode()
    manifest = json.loads(parts["manifest.json"])
    if isinstance(manifest, dict):
        manifest["checksums_sha256"] = hashlib.sha256(parts["checksums.sha256"]).hexdigest()
        parts["manifest.json"] = json.dumps(manifest).encode()
    return zipped(parts, change)


def zipped(parts: Parts, change: Callable[[zipfile.ZipInfo], None] | None = None) -> bytes:
    """Return a zip file of files as they are."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in parts.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            if change:
                change(info)
            file.writestr(info, data)
    return buffer.getvalue()


def _plate(parts: Parts, chance: random.Random, spoil: Callable[[dict[str, Any]], Any]) -> bytes:
    lines = parts["plates.jsonl"].splitlines()
    which = chance.randrange(len(lines))
    plate = json.loads(lines[which])
    written = spoil(plate)
    lines[which] = written if isinstance(written, bytes) else json.dumps(plate).encode()
    return packed(parts | {"plates.jsonl": b"\n".join(lines) + b"\n"})


def _put(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def spoil(plate: dict[str, Any]) -> None:
        here: Any = plate
        *inner, last = path.split("/")
        for key in inner:
            here = here[int(key)] if isinstance(here, list) else here[key]
        here[int(last) if isinstance(here, list) else last] = value

    return spoil


PLATE_SPOILERS: tuple[tuple[str, Callable[[dict[str, Any]], Any]], ...] = (
    ("uid with a path", _put("uid", "../../../../etc/passwd")),
    ("uid of another length", _put("uid", "a" * 31)),
    ("newer document", _put("measurements/0/document/schema", 2)),
    ("document without peppers", lambda plate: plate["measurements"][0]["document"].pop("peppers")),
    ("a figure that is a word", _put("measurements/0/document/peppers/0/diameter_mm/value", "big")),
    ("a figure that is a list", _put("measurements/0/document/peppers/0/diameter_mm", [])),
    ("a month that is none", _put("kept_at", "2026-13-01T00:00:00+00:00")),
    ("a day that is none", _put("state/plate_date", "2026-02-30")),
    ("a time without zone", _put("photos/0/kept_at", "2026-01-01T00:00:00")),
    ("a photo of another size", _put("photos/0/width_px", 77)),
    ("a photo of a wrong length", _put("photos/0/bytes", 5)),
    ("a crop outside", _put("photos/0/crop_x", 99_999)),
    ("a photo of another kind", _put("photos/0/media_type", "image/png")),
    ("a photo that runs", _put("photos/0/media_type", "text/html")),
    ("a checksum that is a path", _put("photos/0/sha256", "../" * 20 + "aaaa")),
    ("a photo that is not there", _put("photos/0/sha256", "a" * 64)),
    ("a thumbnail that is not there", _put("photos/0/thumbnail_sha256", "b" * 64)),
    ("an unknown field", _put("extra", 1)),
    ("an unknown field of state", _put("state/admin", True)),
    ("a missing field", lambda plate: plate.pop("state")),
    ("a current measurement that is none", _put("state/measurement", "c" * 32)),
    ("no current measurement", _put("state/measurement", None)),
    ("a grade on a pepper that is not there", _put("state/grade/peppers", {"9": "first"})),
    ("an empty grade", _put("state/grade/plate", "")),
    ("a tag that is a number", _put("state/tags", [1])),
    ("a title without end", _put("state/title", "x" * 200_000)),
    ("a zero byte", _put("state/title", "a\0b")),
    ("half a character", lambda plate: json.dumps(plate).replace("Practice", "\\ud800").encode()),
    ("not a number", lambda plate: json.dumps(plate).replace('"crop_x": 0', '"crop_x": NaN').encode()),
    ("a number beyond all", lambda plate: json.dumps(plate).encode()[:-1] + b', "x": 1e999}'),
    ("nested without end", lambda plate: b"[" * 100_000 + b"]" * 100_000),
    ("nested in a fact", _put("hand_facts", [{"at": "2026-01-01T00:00:00+00:00", "who": "", "facts": None}])),
    ("no JSON", lambda plate: b"{"),
    ("no UTF-8", lambda plate: b'{"\xff": 1}'),
    ("a list", lambda plate: b"[]"),
    ("nothing", lambda plate: b"null"),
    ("a truth of the wrong kind", _put("state/example", "yes")),
    ("a number too large", _put("photos/0/bytes", 10**30)),
    ("a pepper number too large", _put("state/defects", [[10**30, "scar"]])),
)


def _escape(parts: Parts, chance: random.Random) -> bytes:
    names = (
        "../x",
        "/tmp/x",
        "photos/../../x",
        "..\\x",
        "C:\\x",
        "photos/x.jpg",
        "plates.jsonl/../x",
        "a\0b",
        "-rf",
    )
    return packed(parts | {chance.choice(names): b"escaped"})


def _link(parts: Parts, chance: random.Random) -> bytes:
    target = chance.choice([name for name in parts if name != "checksums.sha256"])
    mode = chance.choice((0o120777, 0o010644, 0o060644, 0o040755))

    def as_link(info: zipfile.ZipInfo) -> None:
        if info.filename == target:
            info.create_system, info.external_attr = 3, mode << 16

    return packed(parts, as_link)


def _bomb(parts: Parts, chance: random.Random) -> bytes:
    name = chance.choice(("plates.jsonl", "walls.json", "masks/coco.json", "manifest.json"))
    return zipped(parts | {name: bytes(chance.randrange(20_000_000, 40_000_000))})


def _wrong_checksum(parts: Parts, chance: random.Random) -> bytes:
    name = chance.choice([name for name in parts if name != "manifest.json" and parts[name]])
    data = bytearray(parts[name])
    data[chance.randrange(len(data))] ^= chance.randrange(1, 256)
    return zipped(parts | {name: bytes(data)})


def _missing(parts: Parts, chance: random.Random) -> bytes:
    gone = chance.choice(list(parts))
    left = {name: data for name, data in parts.items() if name != gone}
    if gone in ("manifest.json", "checksums.sha256") or chance.random() < 0.5:
        return zipped(left)
    return packed(left)


def _newer(parts: Parts, chance: random.Random) -> bytes:
    manifest = json.loads(parts["manifest.json"]) | {
        "bundle": chance.choice((2, 3, 99, 0, -1, "1", None, 1.5, True))
    }
    return packed(parts | {"manifest.json": json.dumps(manifest).encode()})


def _cut(parts: Parts, chance: random.Random) -> bytes:
    whole = packed(parts)
    return whole[: chance.randrange(len(whole) - 22)]


def _noise(parts: Parts, chance: random.Random) -> bytes:
    return chance.randbytes(chance.randrange(100_000))


def _twice(parts: Parts, chance: random.Random) -> bytes:
    buffer = io.BytesIO(packed(parts))
    name = chance.choice(list(parts))
    with warnings.catch_warnings(), zipfile.ZipFile(buffer, "a") as file:
        warnings.simplefilter("ignore")
        file.writestr(name, parts[name])
    return buffer.getvalue()


def _encrypted(parts: Parts, chance: random.Random) -> bytes:
    data = bytearray(packed(parts))
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1
    return bytes(data)


def _overlapping(parts: Parts, chance: random.Random) -> bytes:
    """Let the second entry of the directory point to the first entry's data."""
    data = bytearray(packed(parts))
    first = data.index(b"PK\x01\x02")
    second = data.index(b"PK\x01\x02", first + 4)
    data[second + 42 : second + 46] = struct.pack("<I", 0)
    return bytes(data)


def _spoiled_plate(parts: Parts, chance: random.Random) -> bytes:
    return _plate(parts, chance, chance.choice(PLATE_SPOILERS)[1])


def _no_photo(parts: Parts, chance: random.Random) -> bytes:
    """Put something else in a photo's place, under its own right checksum."""
    lines = [json.loads(line) for line in parts["plates.jsonl"].splitlines()]
    photo = lines[0]["photos"][0]
    data = chance.choice((b"<script>", b"GIF89a" + bytes(100), b"", chance.randbytes(500)))
    sha256 = hashlib.sha256(data).hexdigest()
    old = f"photos/{photo['sha256']}.jpg"
    photo |= {"sha256": sha256, "bytes": max(1, len(data))}
    changed = {name: content for name, content in parts.items() if name != old}
    changed |= {f"photos/{sha256}.jpg": data}
    changed["plates.jsonl"] = "".join(json.dumps(line) + "\n" for line in lines).encode()
    return packed(changed)


def _miscounted(parts: Parts, chance: random.Random) -> bytes:
    manifest = json.loads(parts["manifest.json"])
    manifest[chance.choice(("plates", "photos"))] += chance.choice((-1, 1, 1000))
    return packed(parts | {"manifest.json": json.dumps(manifest).encode()})


def _walls(parts: Parts, chance: random.Random) -> bytes:
    wall = {"uid": "d" * 32, "title": "x", "note": "", "plates": ["e" * 32]}
    walls = chance.choice(([wall], {}, [1], [wall | {"uid": "x"}], None, [wall | {"plates": [], "x": 1}]))
    return packed(parts | {"walls.json": json.dumps(walls).encode()})


def _same_plate_twice(parts: Parts, chance: random.Random) -> bytes:
    lines = parts["plates.jsonl"].splitlines(keepends=True)
    manifest = json.loads(parts["manifest.json"])
    manifest["plates"] += 1
    again = {"plates.jsonl": b"".join([*lines, lines[0]]), "manifest.json": json.dumps(manifest).encode()}
    return packed(parts | again)


SPOILERS: tuple[Callable[[Parts, random.Random], bytes], ...] = (
    _spoiled_plate,
    _spoiled_plate,
    _spoiled_plate,
    _escape,
    _link,
    _bomb,
    _wrong_checksum,
    _missing,
    _newer,
    _cut,
    _noise,
    _twice,
    _encrypted,
    _overlapping,
    _no_photo,
    _miscounted,
    _walls,
    _same_plate_twice,
)


@dataclass(frozen=True)
class BundleReport:
    """How many bundles were handed in, how many were refused without a trace, and what went wrong with others."""

    bundles: int
    refused: int
    faults: tuple[str, ...]


def good_bundle(folder: Path) -> bytes:
    """Return a bundle of three plates as the tool writes it."""
    store = open_store(folder / "source")
    for seed in range(3):
        document, photo = plates.any_document(seed), plates.photo(seed, (320, 240))
        prepared = prepare_photo(photo, crop_box(None), name="plate.jpg")
        new = NewInspection(
            (prepared,), document, title=f"Practice {seed}", grade=Grade("first", "House", {1: "x"})
        )
        store.inspections.keep(new)
    gallery.export_bundle(store, folder / "good.zip")
    store.close()
    return (folder / "good.zip").read_bytes()


def state(store: Store) -> tuple[Any, ...]:
    """Return all a gallery holds: every row, and every file with its size."""
    with store.database.read() as connection:
        rows = [sorted(map(repr, connection.execute(table.select()))) for table in Base.metadata.sorted_tables]
    home = store.place.home
    files = sorted(
        (str(path.relative_to(home)), path.stat().st_size)
        for path in home.rglob("*")
        if path.is_file() and not path.name.startswith("truelobe.db")
    )
    return rows, files


def run(count: int = 1000, seed: int = 1, store: Store | None = None) -> BundleReport:
    """Hand in `count` spoiled bundles."""
    chance = random.Random(seed)
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        parts = unpacked(good_bundle(folder))
        taken_in = store or open_store(folder / "gallery")
        before = state(taken_in)
        around = sorted(os.listdir(folder))
        for number in range(count):
            spoil = SPOILERS[number % len(SPOILERS)]
            path = folder / "hostile.zip"
            path.write_bytes(spoil(parts, chance))
            outcome = _hand_in(taken_in, path)
            path.unlink()
            after = state(taken_in)
            if outcome or after != before or sorted(os.listdir(folder)) != around:
                faults.append(f"{number} {spoil.__name__}: {outcome or 'left a trace'}")
                before = after
        if store is None:
            taken_in.close()
    return BundleReport(count, count - len(faults), tuple(faults))


def _hand_in(store: Store, path: Path) -> str:
    try:
        gallery.import_bundle(store, path)
    except TruelobeError as error:
        expected = {"bundle-refused", "bundle-newer"}
        return "" if error.message.code in expected else f"said {error.message.code}"
    return "was taken in"


if __name__ == "__main__":
    start = time.monotonic()
    report = run(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
    print(f"{report.bundles} bundles, {report.refused} refused, {time.monotonic() - start:.0f} s")
    for line in report.faults:
        print(line)
    sys.exit(bool(report.faults))
