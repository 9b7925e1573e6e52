"""Single peppers for training the eye: crops of traced plates and drawn ones, each with its exact truth.

`python -m sample_images.maker.drills --plates FOLDER ... --out sample_images/drills` writes per picture `ID.webp`,
`ID.png` (the ripeness map: 0 no counted skin, else 1 + 20 x ripeness) and one line of `drills.json`. A traced crop
is cut from a plate's photo; its map and its shares come from the same meshes, built again from the plate's seed.
A drawn one is shaded with numpy alone: a rough picture with just as exact a truth. Names say nothing about truth.
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
from scipy.ndimage import gaussian_filter

from . import colours
from .fields import between, pick
from .fruit_first import make_fruit
from .labels import Labels, label
from .mesh import vertex_normals
from .model import BODY, FruitModel
from .optics import Camera, Lighting, look
from .plates import plate_scene
from .raster import rasterise
from .scene import PlacedFruit, Scene
from .settle import centre_of_mass, pose_of, rest, starting_up
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
    parser.add_argument("--drawn", type=int, default=0, help="how many to draw")
    parser.add_argument("--seed", type=int, default=41_000)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args(arguments)
    given.out.mkdir(parents=True, exist_ok=True)
    book = given.out / "drills.json"
    kept = {d["id"]: d for d in json.loads(book.read_text())["pictures"]} if book.exists() else {}
    for record in chain(traced(given.plates, given.out, kept), drawn(given.drawn, given.seed, given.out)):
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


def drawn(count: int, seed: int, out: Path) -> Iterator[dict[str, Any]]:
    """Draw peppers with amounts spread evenly where people err most; every third also from another side."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        colour = COLOURS[k % len(COLOURS)]
        wish = float(np.exp(between(rng, np.log(0.01), np.log(0.95)))) if k % 3 else between(rng, 0.05, 0.6)
        model = make_fruit(rng, colour, amount=1 - wish, blemishes=False, detail=0.6, family=pick(rng, FAMILIES))
        up = starting_up(rng, "lying")
        views = [up, up * [-1, -1, 1]] if k % 3 == 0 else [up]
        names = [name_of("drawn", seed, k, side) for side in range(len(views))]
        for side, (name, start) in enumerate(zip(names, views, strict=True)):
            scene = lay(rng, model, start)
            labels = label(scene, 2)
            record = describe(scene, 1, label(scene, 1), name)
            fine = Scene(0, "drawn", scene.fruit, (), scene.camera.enlarged(2), scene.lighting)
            picture, light = shade(rng, fine, labels)
            box = window(labels.fruit == 1)
            write(out, name, crop3(picture, box), crop(ripeness_map(fine, 1, labels), box))
            record["px_per_mm"] = round(record["px_per_mm"] * 2 * SIDE / (box[2] - box[0]), 4)
            record |= {"made": "drawn", "light": light, "pattern": model.notes["pattern"]}
            record["side"] = names[1 - side] if len(names) == 2 else None
            yield record


FAMILIES = {"blocky": 0.7, "long": 0.15, "flat": 0.15}


def lay(rng: np.random.Generator, model: FruitModel, up: Floats) -> Scene:
    """One pepper at rest on a table, a phone above it."""
    rotation = rest(model.vertices, up, centre_of_mass(model))
    spin = between(rng, 0, 2 * np.pi)
    c, s = np.cos(spin), np.sin(spin)
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ rotation
    height = -float((model.vertices @ rotation.T)[:, 2].min())
    camera = look(
        target=np.array([0, 0, height]),
        distance=between(rng, 380, 480),
        tilt=float(np.radians(between(rng, 2, 28))),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi),
        width=480,
        height=480,
        focal_px=830.0,
    )
    fruit = (PlacedFruit(model, rotation, np.array([0.0, 0, height])),)
    return Scene(0, "drawn", fruit, (), camera, Lighting("none", (), np.zeros((2, 2, 3))))


TABLES = ((214, 208, 196), (168, 158, 142), (122, 112, 100), (196, 200, 204), (150, 120, 92), (92, 96, 100))


def shade(rng: np.random.Generator, scene: Scene, labels: Labels) -> tuple[NDArray[np.uint8], str]:
    """Diffuse light from one side and from all round, a highlight, a soft shadow. Drawn, not traced."""
    placed, camera = scene.fruit[0], scene.camera
    light = str(pick(rng, {"window": 0.4, "lamp": 0.25, "overcast": 0.35}))
    turn, rise = between(rng, 0, 2 * np.pi), between(rng, 0.5, 1.3)
    sun = np.array([np.cos(turn), np.sin(turn), rise]) / np.hypot(1, rise)
    ambient = {"window": 0.4, "lamp": 0.28, "overcast": 0.72}[light]
    tone = colours.of_temperature(
        between(rng, *{"window": (5200, 7500), "lamp": (2900, 3600)}.get(light, (5600, 7000)))
    )
    tone = 1 + 0.35 * (tone - 1)  # the phone's white balance takes most of it back
    hit = labels.fruit == 1
    corner = placed.model.faces[labels.face[hit]]
    normal = vertex_normals(placed.vertices, placed.model.faces)[corner].mean(axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    view = camera.place - placed.vertices[corner].mean(axis=1)
    view /= np.linalg.norm(view, axis=1, keepdims=True)
    half = view + sun
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    diffuse = ambient * (0.6 + 0.4 * normal[:, 2]) + (1 - ambient) * np.clip(normal @ sun, 0, None)
    gloss = float(placed.model.notes["gloss"])
    shine = gloss * (1 - 0.6 * (light == "overcast")) * np.clip((half * normal).sum(axis=1), 0, 1) ** 90
    skin = placed.model.vertex_reflectance[corner].mean(axis=1)
    picture = ground(rng, placed, camera, sun, ambient, labels.fruit.shape) * tone
    picture[hit] = (1.15 * skin * diffuse[:, None] + shine[:, None]) * tone
    picture = gaussian_filter(picture * 2 ** rng.normal(0, 0.15), (0.9, 0.9, 0))
    picture = picture * (1 + 0.02 * gaussian_filter(rng.normal(size=picture.shape[:2]), 0.8))[..., None]
    return np.asarray(colours.encode(picture) * 255).astype(np.uint8), light


def ground(
    rng: np.random.Generator,
    placed: PlacedFruit,
    camera: Camera,
    sun: Floats,
    ambient: float,
    shape: tuple[int, ...],
) -> Floats:
    """A plain table with the pepper's shadow on it (H, W, 3), linear."""
    table = colours.from_bytes(*TABLES[int(rng.integers(len(TABLES)))])
    grain = gaussian_filter(rng.normal(size=shape[:2]), (2, 14)) * between(rng, 0.05, 0.6)
    points = placed.vertices - sun * (placed.vertices[:, 2:] / sun[2])
    pixels, depth = camera.project(points)
    cast = rasterise(pixels, depth, placed.model.faces, shape[1], shape[0]).face >= 0
    dark = gaussian_filter(cast.astype(float), 10 + 14 * ambient)
    level = 0.85 * (1 - (1 - ambient) * 0.85 * dark) * (1 + 0.1 * grain)
    return level[..., None] * table


def crop3(picture: NDArray[np.uint8], box: tuple[int, int, int, int]) -> NDArray[np.uint8]:
    """The part of a picture inside a window; the edge is carried on outside."""
    x0, y0, x1, y1 = box
    room = max(0, -x0, -y0, x1 - picture.shape[1], y1 - picture.shape[0])
    wide = np.pad(picture, ((room, room), (room, room), (0, 0)), mode="edge")
    return wide[y0 + room : y1 + room, x0 + room : x1 + room]


if __name__ == "__main__":
    raise SystemExit(main())
