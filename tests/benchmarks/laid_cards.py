"""Lay our card, printed by the simulated printer, beside the peppers of a real photograph.

The photographs are shop heaps without a free place as large as the card, so each picture goes on at one side as a
worktop, and the card lies as far in as no pepper is under it. Card and worktop are drawn through an invented phone
camera, with light like the photograph's, a shadow, a soft edge and noise.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from sample_images.maker import colours, develop
from sample_images.maker.card import print_card
from sample_images.maker.fields import between
from sample_images.maker.optics import Camera, look, undistort
from sample_images.maker.scene import phone
from sample_images.maker.textures import pattern

from truelobe.camera import Lens, View
from truelobe.data import data_path
from truelobe.fruit import network
from truelobe.fruit.silhouette import Polygon, area, filled

Floats = NDArray[np.floating[Any]]
COUNT, SEED = 20, 31
PEPPER_MM, PX_PER_MM = (70.0, 100.0), (3.0, 4.2)
TILT_DEG = 20.0
FINE = 3
"""Samples a pixel each way where the card is drawn."""
PAPER_SHADE_MM = 0.8
_STRIP = 1.45  # worktop beside the photograph, in card heights: the card fits on it alone, seen at a slant
_CLEAR_PX = 10.0
_TRIES = 40
_SIDES = ("left", "right", "top", "bottom")


@dataclass(frozen=True)
class Composite:
    """A real photograph with our card beside its peppers.

    Attributes
    ----------
    file : bytes
        JPEG, as a phone keeps it.
    camera : Camera
        Invented: the card was drawn through it. World: mm, z up, the card's plane at 0.
    card_mm : float64, shape (4, 3)
        The card's corners in the world, from its top-left corner clockwise.
    card_size_mm, bars_mm : (across, down)
        As printed.
    by_eye : tuple of polygons
        Peppers outlined by hand, px.
    shown : (x0, y0, x1, y1)
        Where the photograph lies in the picture; the rest is worktop.
    """

    name: str
    file: bytes
    camera: Camera
    card_mm: Floats
    card_size_mm: tuple[float, float]
    bars_mm: tuple[float, float]
    by_eye: tuple[Polygon, ...]
    shown: tuple[int, ...]
    surface: str

    @property
    def card_px(self) -> Floats:
        """Where the card's corners lie in the picture, shape (4, 2)."""
        return self.camera.project(self.card_mm)[0]

    def view(self) -> View:
        """The same camera in the card's frame, as the tool says it."""
        across, down = (self.card_mm[k] - self.card_mm[0] for k in (1, 3))
        axes = np.column_stack([across / np.linalg.norm(across), down / np.linalg.norm(down), [0.0, 0.0, -1.0]])
        matrix, bent = self.camera.matrix, self.camera.distortion
        lens = Lens(matrix[0, 0], matrix[0, 2], matrix[1, 2], bent[0], bent[1], 0.001, "profile")
        return View(lens, self.camera.rotation @ axes, self.camera.to_camera(self.card_mm[:1])[0])


def nearest_pictures(photos: Path, count: int = COUNT) -> list[tuple[Path, tuple[Polygon, ...]]]:
    """Return the pictures whose hand-outlined peppers are shown largest, each with these outlines."""
    fruits = json.loads(data_path("calibration", "outlines", "real", "outlines.json").read_text())["fruits"]
    drawn: dict[str, list[Polygon]] = {}
    for fruit in fruits:
        drawn.setdefault(fruit["picture"], []).append(np.asarray(fruit["polygon"], np.float64))
    largest = sorted(drawn, key=lambda name: -_across(drawn[name]))[:count]
    return [(photos / "peppers" / name, tuple(drawn[name])) for name in sorted(largest)]


def _across(rings: Sequence[Polygon]) -> float:
    """Median diameter of discs of the same areas."""
    return float(np.median([2 * np.sqrt(abs(area(ring)) / np.pi) for ring in rings]))


def compose(path: Path, by_eye: Sequence[Polygon], seed: int = SEED) -> Composite:
    """Lay our card beside the peppers of a photograph."""
    rng = np.random.default_rng([seed, *path.name.encode()])
    per_mm = between(rng, *PX_PER_MM)
    factor = per_mm * between(rng, *PEPPER_MM) / _across(by_eye)
    small = np.asarray(Image.open(path).convert("RGB"))
    photo = cv2.resize(small, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    rings = [(ring + 0.5) * factor - 0.5 for ring in by_eye]
    peppers = _peppers(photo, rings)
    print_picture, card_size, print_truth = print_card(rng)
    side = min(_SIDES, key=lambda one: float(_turned(peppers, one)[:, : len(peppers) // 8].mean()))
    strip = round(_STRIP * card_size[1] * per_mm)
    before, after = (strip, 0) if side in ("left", "top") else (0, strip)
    rows, columns = ((before, after), (0, 0)) if side in ("top", "bottom") else ((0, 0), (before, after))
    taken = np.pad(peppers, (rows, columns))
    height, width = taken.shape
    corner = np.array([columns[0], rows[0]])
    shown = (*corner.tolist(), *(corner + photo.shape[1::-1]).tolist())
    camera, model, card_mm = _laid(rng, taken, per_mm, side, shown, card_size)
    surface, name = pattern(rng, 0.35)
    light = _light(photo, rng)
    worktop = np.ones((height, width), np.float32)
    worktop[rows[0] : height - rows[1], columns[0] : width - columns[1]] = 0
    scene = np.zeros((height, width, 3), np.float32)
    scene[shown[1] : shown[3], shown[0] : shown[2]] = colours.decode(photo / 255.0)
    scene = _lay(scene, worktop, camera, card_mm, print_picture, surface, light, rng)
    how = replace(develop.draw(rng, "normal"), display_p3=False)
    pixels = (colours.encode(_noisy(scene, how.noise, rng)) * 255 + rng.random(scene.shape)).astype(np.uint8)
    file = develop.save(pixels, how, kind="jpeg", model=model, focal_35mm=camera.focal_35mm)
    bars = (print_truth["bar_across_mm"], print_truth["bar_down_mm"])
    moved = tuple(ring + corner for ring in rings)
    return Composite(path.name, file, camera, card_mm, card_size, bars, moved, shown, name)


def _peppers(photo: NDArray[np.uint8], rings: Sequence[Polygon]) -> NDArray[np.bool_]:
    """Where peppers are, drawn by eye or seen by the network: only to know where the card may lie."""
    height, width = photo.shape[:2]
    seen = cv2.resize((network.look(photo).fruit > -1).astype(np.float32), (width, height)) > 0.5
    return np.asarray(seen | filled(rings, (0, 0, width, height)))


def _turned(mask: NDArray[np.bool_], side: str) -> NDArray[np.bool_]:
    """The mask turned so that the named side is at the left."""
    return {"left": mask, "right": mask[:, ::-1], "top": mask.T, "bottom": mask[::-1].T}[side]


def _laid(
    rng: np.random.Generator,
    taken: NDArray[np.bool_],
    per_mm: float,
    side: str,
    shown: tuple[int, ...],
    size: tuple[float, float],
) -> tuple[Camera, str, Floats]:
    """A phone's camera, its model, and the card's corners in the world where it lies whole in the picture."""
    for _ in range(_TRIES):
        camera, model = _camera(rng, taken.shape[::-1], per_mm)
        card_mm = _place(rng, camera, taken, side, shown, size)
        if card_mm is not None:
            return camera, model, card_mm
    raise RuntimeError(f"the card fits nowhere at the {side}")


def _camera(rng: np.random.Generator, size: tuple[int, int], per_mm: float) -> tuple[Camera, str]:
    focal, stated, distortion, model = phone(rng, float(np.hypot(*size)))
    camera = look(
        target=np.zeros(3),
        distance=focal / per_mm,
        tilt=np.radians(between(rng, 0, TILT_DEG)),
        heading=between(rng, 0, 2 * np.pi),
        roll=between(rng, 0, 2 * np.pi),
        width=size[0],
        height=size[1],
        focal_px=focal,
        distortion=distortion,
        focal_35mm=stated,
    )
    return camera, model


def on_table(camera: Camera, pixels: Floats) -> Floats:
    """World points (N, 2) of the table's plane that pixels (N, 2) show."""
    flat = undistort((pixels - camera.matrix[:2, 2]) / camera.matrix[0, 0], camera.distortion)
    rays = np.column_stack([flat, np.ones(len(flat))]) @ camera.rotation
    place = camera.place
    return np.asarray(place[:2] - rays[:, :2] * (place[2] / rays[:, 2])[:, None])


def _place(
    rng: np.random.Generator,
    camera: Camera,
    taken: NDArray[np.bool_],
    side: str,
    shown: tuple[int, ...],
    size: tuple[float, float],
) -> Floats | None:
    """Move the card in from the outer rim until a pepper would be under it; its corners in the world (4, 3)."""
    height, width = taken.shape
    outward = np.array({"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}[side], float)
    middle = np.array([shown[0] + shown[2], shown[1] + shown[3]]) / 2
    half = np.array([shown[2] - shown[0], shown[3] - shown[1]]) / 2
    rim = middle + outward * half
    slid = np.abs(outward[::-1]) * half * between(rng, -0.3, 0.3)
    way = on_table(camera, np.stack([rim, rim + 10 * outward]))
    turn = (
        np.arctan2(*(way[1] - way[0])[::-1]) + np.pi / 2 + np.radians(rng.normal() * 6) + np.pi * rng.integers(2)
    )
    barred = cv2.distanceTransform((~taken).astype(np.uint8), cv2.DIST_L2, 5) < _CLEAR_PX
    best = None
    strip = max(width - (shown[2] - shown[0]), height - (shown[3] - shown[1]))
    for away in np.arange(strip, -float(half.max()), -8.0):
        corners = _corners(on_table(camera, (rim + slid + outward * away)[None])[0], float(turn), size)
        px = camera.project(corners)[0]
        if (px < 8).any() or (px > np.array([width, height]) - 9).any():
            continue
        if barred[filled([px], (0, 0, width, height))].any():
            break
        best = corners
    return best


def _corners(middle: Floats, turn: float, size: tuple[float, float]) -> Floats:
    """Corners clockwise as seen from above, from the top-left one."""
    right, down = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
    shares = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * size
    return np.column_stack([middle + shares @ np.stack([right, down]), np.zeros(4)])


def _light(photo: NDArray[np.uint8], rng: np.random.Generator) -> Floats:
    """The color and level of the light, as the photograph's bright greys (tags, rims, gloss) show it."""
    linear = colours.decode(photo[::4, ::4].reshape(-1, 3) / 255.0)
    lab = colours.lab(linear)
    pale = linear[(np.hypot(lab[:, 1], lab[:, 2]) < 14) & (lab[:, 0] > 60)]
    tone = np.median(pale, axis=0) if len(pale) > 200 else np.ones(3)
    level = float(np.clip(np.quantile(linear.max(axis=1), 0.97), 0.45, 0.9)) * between(rng, 0.85, 1.05)
    return np.asarray(tone / tone.max() * level)


def _lay(
    scene: NDArray[np.float32],
    worktop: NDArray[np.float32],
    camera: Camera,
    card_mm: Floats,
    card: Floats,
    surface: Floats,
    light: Floats,
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Draw worktop and card through the camera over the photograph, with its light, a shadow and a soft edge."""
    px = camera.project(card_mm)[0]
    ys, xs = np.nonzero(worktop)
    x0, y0 = np.floor(np.minimum(px.min(axis=0), [xs.min(), ys.min()])).astype(int) - 6
    x1, y1 = np.ceil(np.maximum(px.max(axis=0), [xs.max(), ys.max()])).astype(int) + 7
    (x0, y0), (x1, y1) = np.maximum([x0, y0], 0), np.minimum([x1, y1], worktop.shape[::-1])
    grid = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), -1).reshape(-1, 2).astype(float)
    table = on_table(camera, grid).reshape(y1 - y0, x1 - x0, 2).astype(np.float32)
    ground = cv2.remap(
        surface.astype(np.float32),
        *np.moveaxis((table / between(rng, 0.7, 1.3)) % (surface.shape[0] - 1), -1, 0),
        cv2.INTER_LINEAR,
    )
    paper, alpha = _card_seen(table, card_mm, card)
    shift = np.float32([[1, 0, rng.normal() * 3], [0, 1, rng.normal() * 3]])
    shade = cv2.warpAffine(alpha, shift, alpha.shape[::-1])
    shade = 1 - 0.45 * cv2.GaussianBlur(shade, (0, 0), PAPER_SHADE_MM * 3.5)
    slope = np.einsum("ijk,k->ij", table, rng.normal(size=2) * 0.0006).astype(np.float32)
    lit = np.clip(1 + slope - slope[alpha > 0.5].mean(), 0.6, 1.5)[..., None] * np.float32(light)
    part = (slice(y0, y1), slice(x0, x1))
    over = cv2.GaussianBlur(worktop, (0, 0), 1.5)[part][..., None]
    below = (scene[part] * (1 - over) + ground * lit * over) * shade[..., None]
    drawn = below * (1 - alpha[..., None]) + paper * lit
    soft = cv2.GaussianBlur(drawn, (0, 0), between(rng, 0.6, 1.0))
    # The photograph itself is soft already: only what is new goes through the lens.
    new = np.maximum(over, cv2.GaussianBlur(np.maximum(alpha, 1 - shade), (0, 0), 2.0)[..., None] > 0.01)
    out = scene.copy()
    out[part] = soft * new + scene[part] * (1 - new)
    return out


def _card_seen(table: NDArray[np.float32], card_mm: Floats, card: Floats) -> tuple[Floats, NDArray[np.float32]]:
    """The card's reflectance (premultiplied) and how much of each pixel it fills, `FINE` x `FINE` samples each."""
    height, width = table.shape[:2]
    across, down = (card_mm[k, :2] - card_mm[0, :2] for k in (1, 3))
    away = cv2.resize(table, (width * FINE, height * FINE), interpolation=cv2.INTER_LINEAR) - np.float32(
        card_mm[0, :2]
    )
    u, v = ((away @ np.float32(way / (way @ way))) for way in (across, down))
    inside = ((u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)).astype(np.float32)
    picture = cv2.remap(
        cv2.GaussianBlur(card.astype(np.float32), (0, 0), 0.6),
        u * card.shape[1] - 0.5,
        v * card.shape[0] - 0.5,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    picture *= inside[..., None]
    shrunk = [cv2.resize(one, (width, height), interpolation=cv2.INTER_AREA) for one in (picture, inside)]
    return shrunk[0], shrunk[1]


def _noisy(light: NDArray[np.float32], strength: float, rng: np.random.Generator) -> Floats:
    """Shot and read noise of a small sensor, as the maker's phones have it after their denoiser."""
    sigma = strength * np.sqrt(np.clip(light, 0, 4) * 0.18 + 4e-4)
    return np.clip(light + sigma * 1.8 * rng.normal(size=light.shape), 0, None)
