"""The single peppers that ship with the tool: their pictures, and their truth for after the answer."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import binary_erosion

from truelobe.data import data_path

LINE = 0.5
#: Amount at and above which the house rule downgrades: common practice, no published source.
HOUSE_PERCENT = 15.0
#: A bank card (ISO/IEC 7810, ID-1), mm: what most people carry.
BANK_CARD_MM = (85.6, 53.98)
SCALE_PX_PER_MM = 2.4
_FOLDER = ("sample_images", "drills")
_STEPS = 20
_BLUE, _WHITE, _INK = (0, 114, 178), (255, 255, 255), (31, 41, 51)


@dataclass(frozen=True)
class Picture:
    """One pepper, whole in its picture.

    Attributes
    ----------
    id : str
        Says nothing about the pepper.
    colour : str
    lines, curve : tuple of float
        Share of the skin seen that lies under each line (0..1), exact.
    whole : float
        The same share of the whole skin, at line 0.5.
    diameter_mm, width_seen_mm, length_mm : float
        Greatest diameter, width as seen here, length without stem.
    px_per_mm : float
        Scale of the picture at the pepper.
    made : {"traced", "gallery"}
    side : str or None
        The picture of the same pepper from another side.
    give_or_take : float
        95 % half-width of the percent; 0 where the truth is exact.
    """

    id: str
    colour: str
    lines: tuple[float, ...]
    curve: tuple[float, ...]
    whole: float
    diameter_mm: float
    width_seen_mm: float
    length_mm: float
    px_per_mm: float
    made: str
    light: str
    side: str | None
    give_or_take: float = 0.0

    @property
    def own(self) -> bool:
        """Whether it is a pepper of the team's own gallery, measured rather than made."""
        return self.made == "gallery"

    def percent(self, line: float = LINE) -> float:
        """Return how much of the skin seen is not fully coloured, in percent, at a line."""
        return 100 * float(np.interp(line, (0.0, *self.lines, 1.0), (0.0, *self.curve, 1.0)))


@cache
def pictures() -> Mapping[str, Picture]:
    """Return all shipped pictures by their id.

    Raises
    ------
    TruelobeError
        ``data-missing``.
    """
    book = json.loads(data_path(*_FOLDER, "drills.json").read_text(encoding="utf-8"))
    lines = tuple(book["lines"])
    names = Picture.__dataclass_fields__.keys() - {"lines", "curve", "give_or_take"}
    return {
        p["id"]: Picture(lines=lines, curve=tuple(p["curve"]), **{n: p[n] for n in names})
        for p in book["pictures"]
    }


def photo(picture: Picture) -> bytes:
    """Return the bare picture as WebP."""
    return data_path(*_FOLDER, f"{picture.id}.webp").read_bytes()


@lru_cache(maxsize=64)
def overlay(picture: Picture, line: float = LINE) -> bytes:
    """Return the picture with the counted skin hatched in blue and white, as WebP."""
    with Image.open(io.BytesIO(photo(picture))) as image:
        pixels = np.asarray(image.convert("RGB")).copy()
    ripeness = _ripeness(picture, pixels.shape[0])
    counted = np.nan_to_num(ripeness, nan=2.0) < line
    return webp(Image.fromarray(hatched(pixels, counted)))


def hatched(pixels: NDArray[np.uint8], counted: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Return pixels (H, W, 3) with a blue-and-white hatch and a thin edge where `counted` (H, W); changes them."""
    y, x = np.indices(counted.shape)
    stripe = (x + y) % 10
    pixels[counted & (stripe < 3)] = _WHITE
    pixels[counted & (stripe >= 6) & (stripe < 9)] = _BLUE
    pixels[counted & ~binary_erosion(counted, iterations=2)] = _WHITE
    pixels[counted & ~binary_erosion(counted)] = _INK
    return pixels


def boundary_colour(picture: Picture, line: float = LINE) -> str | None:
    """Return the middle color of the skin that lies on the line, as hexadecimal sRGB; None where none does."""
    with Image.open(io.BytesIO(photo(picture))) as image:
        pixels = np.asarray(image.convert("RGB"))
    near = np.abs(np.nan_to_num(_ripeness(picture, pixels.shape[0]), nan=9.0) - line) < 0.06
    if near.sum() < 12:
        return None
    red, green, blue = (int(v) for v in np.median(pixels[near], axis=0))
    return f"#{red:02X}{green:02X}{blue:02X}"


def _ripeness(picture: Picture, side: int) -> NDArray[np.float64]:
    """The ripeness of each pixel (side, side), nan off the counted skin."""
    with Image.open(data_path(*_FOLDER, f"{picture.id}.png")) as image:
        small = np.asarray(image, float)
    skin = small > 0
    # Skin is widened into what surrounds it before enlarging, so that its edge keeps its own ripeness.
    level = np.where(skin, (small - 1) / _STEPS, np.nan)
    filled = np.where(skin, level, np.nanmean(level) if skin.any() else 1.0)
    wide = np.asarray(Image.fromarray(filled.astype(np.float32)).resize((side, side), Image.Resampling.BILINEAR))
    mask = np.asarray(Image.fromarray(skin).resize((side, side), Image.Resampling.NEAREST))
    return np.where(mask, wide, np.nan)


def to_scale(picture: Picture, *, card: bool) -> bytes:
    """Return the picture at a scale that is the same for all peppers, on request beside a bank card."""
    factor = SCALE_PX_PER_MM / picture.px_per_mm
    with Image.open(io.BytesIO(photo(picture))) as image:
        size = round(image.width * factor)
        small = image.convert("RGB").resize((size, size), Image.Resampling.LANCZOS)
    width, gap = 400, 12
    tall = round(BANK_CARD_MM[1] * SCALE_PX_PER_MM) + 2 * gap if card else 0
    canvas = Image.new("RGB", (width, max(size, 360) + tall), small.getpixel((2, 2)))
    canvas.paste(small, ((width - size) // 2, (max(size, 360) - size) // 2))
    if card:
        wide, high = (round(v * SCALE_PX_PER_MM) for v in BANK_CARD_MM)
        left, top = (width - wide) // 2, max(size, 360) + gap
        pen = ImageDraw.Draw(canvas)
        pen.rounded_rectangle((left, top, left + wide, top + high), 8, fill=(232, 236, 239), outline=_INK, width=2)
        pen.rectangle((left, top + 16, left + wide, top + 38), fill=(92, 103, 112))
    return webp(canvas)


def webp(image: Image.Image) -> bytes:
    """Return an image as WebP without metadata."""
    written = io.BytesIO()
    image.save(written, "WEBP", quality=88)
    return written.getvalue()
