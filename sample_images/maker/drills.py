"""Single peppers for training the eye: traced alone, cut from traced plates, or drawn; exact truth.

`python -m sample_images.maker.drills --singles N --plates FOLDER ... --out sample_images/drills` writes for each
`ID.webp`, `ID.png` (the ripeness map: 0 no counted skin, else 1 + 20 x ripeness) and a line of `drills.json`. A
crop is cut from a plate's photo; its map and its shares come from the same meshes, built again from the plate's
seed. Names say nothing about truth. What is there already is kept, so that a broken run goes on.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from .drawn import drawn
from .drill_record import COLOURS, LINES, SIDE, crop, describe, name_of, ripeness_map, window, write
from .labels import label
from .plates import plate_scene
from .singles import singles

FEW_BARE = 24  # traced crops with next to nothing to count; more would teach nothing


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.maker.drills", description=__doc__)
    parser.add_argument("--plates", type=Path, nargs="*", default=[], help="folders of traced plates")
    parser.add_argument("--singles", type=int, default=0, help="how many peppers to trace by themselves")
    parser.add_argument("--drawn", type=int, default=0, help="how many to shade without the tracer")
    parser.add_argument("--seed", type=int, default=41_000)
    parser.add_argument("--variant", default="llvm_ad_rgb", help="the path tracer's")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args(arguments)
    given.out.mkdir(parents=True, exist_ok=True)
    book = given.out / "drills.json"
    kept = {d["id"]: d for d in json.loads(book.read_text())["pictures"]} if book.exists() else {}
    alone = singles(given.singles, given.seed, given.out, kept, given.variant)
    rough = drawn(given.drawn, given.seed, given.out)
    for record in chain(traced(given.plates, given.out, kept), alone, rough):
        kept[record["id"]] = record
        lines = ",\n".join(json.dumps(kept[name], separators=(",", ":")) for name in sorted(kept))
        book.write_text(f'{{"drills":1,"lines":{json.dumps(LINES)},"pictures":[\n{lines}\n]}}\n')
    return 0


def chosen(folders: list[Path]) -> list[tuple[Path, dict[str, Any], list[int]]]:
    """Plates with the peppers worth cropping: whole, lying, sound, of a color that is practiced."""
    bare, plates = 0, []
    for path in sorted(p for folder in folders for p in folder.glob("*.truth.json")):
        plate = json.loads(path.read_text())
        numbers = []
        for pepper in plate["peppers"]:
            sound = sum(pepper["blemish_visible_mm2"].values()) < 1
            whole = pepper["hidden_fraction"] < 0.02 and pepper["pose"] == "lying"
            if not (sound and whole and pepper["colour"] in COLOURS):
                continue
            if pepper["not_fully_coloured"]["0.5"] < 0.02:
                bare += 1
                if bare > FEW_BARE:
                    continue
            numbers.append(pepper["number"])
        if numbers:
            plates.append((path, plate, numbers))
    return sorted(plates, key=lambda plate: -len(plate[2]))  # the richest first: building a scene takes a while


def traced(folders: list[Path], out: Path, kept: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Crop traced plates."""
    for path, plate, numbers in chosen(folders):
        which = path.name.split("-")[0]
        names = {n: name_of(which, plate["seed"], n) for n in numbers}
        if all(name in kept for name in names.values()):
            continue
        size = (plate["photo"]["width_px"], plate["photo"]["height_px"])
        scene, _ = plate_scene(which, plate["seed"], plate["difficulty"], size)
        labels = label(scene, 1)
        with Image.open(path.with_name(path.name.replace(".truth.json", ".jpg"))) as photo:
            picture = photo.convert("RGB")
        for number, name in names.items():
            truth = plate["peppers"][number - 1]
            record = describe(scene, number, labels, name)
            record["curve"][LINES.index(0.5)] = truth["not_fully_coloured"]["0.5"]
            record |= {"made": "traced", "light": plate["light"], "pattern": truth["made"]["pattern"]}
            box = window(labels.fruit == number)
            write(out, name, np.asarray(picture.crop(box)), crop(ripeness_map(scene, number, labels), box))
            record["px_per_mm"] = round(record["px_per_mm"] * SIDE / (box[2] - box[0]), 4)
            yield record
        print(path.name, len(numbers), flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
