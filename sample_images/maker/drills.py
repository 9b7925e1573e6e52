"""Single peppers for training the eye: traced alone, cut from traced plates, or drawn; exact truth.

`python -m sample_images.maker.drills --singles N --plates FOLDER ... --out sample_images/drills` writes for each
`ID.webp`, `ID.png` (the ripeness map: 0 no counted skin, else 1 + 20 x ripeness) and a line of `drills.json`. A
crop is cut from a plate's photo; its map and its shares come from the same meshes, built again from the plate's
seed. Names say nothing about truth. What is there already is kept, so that a broken run goes on.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from .labels import Labels, label
from .model import BODY, FruitModel
from .plates import plate_scene
from .scene import Scene
from .settle import pose_of
from .truth import size_of, skin_areas, visible_faces

Floats = NDArray[np.floating[Any]]
COLOURS = ("red", "yellow", "orange", "green")
LINES = tuple(round(0.05 * k, 2) for k in range(1, 20))
SIDE, MAP_SIDE, RIPENESS_STEPS = 320, 192, 20
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
    from .drawn import drawn  # both build on this module
    from .singles import singles

    alone = singles(given.singles, given.seed, given.out, kept, given.variant)
    rough = drawn(given.drawn, given.seed, given.out)
    for record in chain(traced(given.plates, given.out, kept), alone, rough):
        kept[record["id"]] = record
        lines = ",\n".join(json.dumps(kept[name], separators=(",", ":")) for name in sorted(kept))
        book.write_text(f'{{"drills":1,"lines":{json.dumps(LINES)},"pictures":[\n{lines}\n]}}\n')
    return 0


def name_of(*parts: object) -> str:
    """A name that nobody reads a fact from."""
    return hashlib.sha256("/".join(map(str, parts)).encode()).hexdigest()[:12]


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


def window(mine: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """A square round a pepper with some table about it; may leave the picture."""
    rows, columns = np.nonzero(mine)
    centre = np.array([columns.min() + columns.max(), rows.min() + rows.max()]) / 2
    half = int(0.58 * max(np.ptp(rows), np.ptp(columns))) + 4
    x0, y0 = np.rint(centre).astype(int) - half
    return int(x0), int(y0), int(x0) + 2 * half, int(y0) + 2 * half


def crop(picture: Floats, box: tuple[int, int, int, int]) -> Floats:
    """The part of a map inside a window, zero outside the map."""
    x0, y0, x1, y1 = box
    room = max(0, -x0, -y0, x1 - picture.shape[1], y1 - picture.shape[0])
    wide = np.pad(picture, room)
    return wide[y0 + room : y1 + room, x0 + room : x1 + room]


def ripeness_map(scene: Scene, number: int, labels: Labels) -> Floats:
    """Per pixel 1 + 20 x ripeness on sound skin of one pepper, 0 elsewhere (H, W) float."""
    model = scene.fruit[number - 1].model
    skin = (labels.fruit == number) & (labels.part == BODY + 1)
    corner = model.faces[labels.face[skin]]
    values = np.zeros(labels.fruit.shape)
    sound = (model.vertex_blemish[corner] == 0).all(axis=1)
    values[skin] = np.where(sound, 1 + RIPENESS_STEPS * model.vertex_ripeness[corner].mean(axis=1), 0)
    return values


def describe(scene: Scene, number: int, labels: Labels, name: str) -> dict[str, Any]:
    """What is true of one pepper: shares of the seen skin by line, of the whole skin, sizes, scale."""
    placed = scene.fruit[number - 1]
    areas, skin = skin_areas(placed.model)
    depth = np.pad(labels.depth, ((0, 1), (0, 1)), mode="edge")
    seen = visible_faces(placed, scene.camera, depth) & skin
    body = placed.model.vertices[np.unique(placed.model.faces[placed.model.face_part == BODY])]
    view = placed.rotation.T @ (scene.camera.place - placed.position)
    across = np.cross([0, 0, 1.0], view)
    across /= np.linalg.norm(across)
    away = float(scene.camera.to_camera(placed.position[None])[0, 2])
    size = size_of(placed.model)
    return {
        "id": name,
        "colour": placed.model.colour,
        "pose": pose_of(placed.rotation),
        "curve": curve(placed.model, areas * seen),
        "whole": curve(placed.model, areas * skin)[LINES.index(0.5)],
        "diameter_mm": size["diameter_greatest_mm"],
        "width_seen_mm": round(float(np.ptp(body @ across)), 2),
        "length_mm": size["length_mm"],
        "px_per_mm": scene.camera.matrix[0, 0] / away,
        "side": None,
    }


def curve(model: FruitModel, weight: Floats) -> list[float]:
    """Share of sound skin under each line, faces weighted; vertices count a third of their face each."""
    corner = model.vertex_ripeness[model.faces]
    sound = (weight[:, None] / 3) * (model.vertex_blemish[model.faces] == 0)
    total = max(float(sound.sum()), 1e-9)
    return [round(float((sound * (corner < line)).sum()) / total, 4) for line in LINES]


def write(out: Path, name: str, picture: NDArray[np.uint8], ripeness: Floats) -> None:
    """Write picture and map, small."""
    shown = Image.fromarray(picture).resize((SIDE, SIDE), Image.Resampling.LANCZOS)
    data = io.BytesIO()
    shown.save(data, "WEBP", quality=86, method=6)
    (out / f"{name}.webp").write_bytes(data.getvalue())
    rows = ((np.arange(MAP_SIDE) + 0.5) * len(ripeness) / MAP_SIDE).astype(int)
    small = np.rint(ripeness[rows][:, rows]).astype(np.uint8)
    Image.fromarray(small).save(out / f"{name}.png", optimize=True)


if __name__ == "__main__":
    raise SystemExit(main())
