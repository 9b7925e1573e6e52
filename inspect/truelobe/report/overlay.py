"""The annotated pictures: outlines, axes, numbers and the skin that was counted, drawn over the photo.

Peppers are red, yellow, orange and green, so nothing drawn here is any of these: lines are white in an ink casing,
and the skin counted as not fully coloured carries a blue-and-white hatch. Everything else stays as photographed.
What was marked by hand has a line round it and a name ("2a"); a place worth a look has a dotted ring and no name.

Coordinates come from the measurement document: upright, full resolution, pixel centres at whole numbers.
"""

from __future__ import annotations

import copy
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Pixels = NDArray[np.uint8]
Points = NDArray[np.float64]

INK = (0x1F, 0x29, 0x33)
WHITE = (255, 255, 255)
BLUE = (0x00, 0x72, 0xB2)

LONGEST_SIDE = 1600
_LINE_PER_WIDTH = 1 / 300
_CASING = 1.9
_THINNEST = 2.8
_DISC_PER_LINE = 7.2  # a number still reads where the whole picture is as wide as a phone
_SUBPIXEL_BITS = 4
_UNSEEN_PX = 0.15  # a line may run this far beside its points, and has half of them to draw


@dataclass(frozen=True)
class SkinMasks:
    """Which skin of one pepper was counted, pixel by pixel.

    Attributes
    ----------
    box : tuple of int
        Left, top, right and bottom edge of the masks in the upright photo at full resolution; right and bottom
        are the first column and row outside.
    counted : bool ndarray, shape (h, w)
        Skin counted as not fully coloured.
    left_out : bool ndarray, shape (h, w)
        Skin on neither side of the fraction: calyx, highlights, blemishes.
    """

    box: tuple[int, int, int, int]
    counted: NDArray[np.bool_]
    left_out: NDArray[np.bool_]


class _Canvas:
    """A part of the photo at the scale it is shown at, and how to get there from photo coordinates."""

    def __init__(self, pixels: Pixels, box: tuple[int, int, int, int], longest: int) -> None:
        left, top, right, bottom = box
        self._origin = np.array([left, top], dtype=np.float64)
        part = pixels[top:bottom, left:right]
        self.scale = min(1.0, longest / max(part.shape[:2]))
        self.size = (max(1, round(part.shape[1] * self.scale)), max(1, round(part.shape[0] * self.scale)))
        self.pixels: Pixels = np.ascontiguousarray(cv2.resize(part, self.size, interpolation=cv2.INTER_AREA))
        self.line = max(_THINNEST, self.size[0] * _LINE_PER_WIDTH)

    def place(self, points: Sequence[Sequence[float]] | Points) -> Points:
        """Return photo coordinates as canvas coordinates, pixel centres at whole numbers on both."""
        placed: Points = (np.asarray(points, dtype=np.float64) - self._origin + 0.5) * self.scale - 0.5
        return placed

    def stroke(self, parts: Iterable[Points], *, closed: bool, width: float | None = None) -> None:
        """Draw white lines in an ink casing; all casings first, so that parts join cleanly."""
        corners = [cv2.approxPolyDP(part.astype(np.float32), _UNSEEN_PX, closed)[:, 0] for part in parts]
        fixed = [np.round(part * (1 << _SUBPIXEL_BITS)).astype(np.int32) for part in corners]
        width = width or self.line
        for colour, thickness in ((INK, width * _CASING), (WHITE, width)):
            cv2.polylines(
                self.pixels, fixed, closed, colour, max(1, round(thickness)), cv2.LINE_AA, shift=_SUBPIXEL_BITS
            )

    def mask(self, skin: SkinMasks, which: NDArray[np.bool_]) -> tuple[slice, slice, NDArray[np.bool_]]:
        """Return where a mask falls on the canvas, and the mask at the canvas's scale."""
        corners = (np.array([skin.box[:2], skin.box[2:]], dtype=np.float64) - self._origin) * self.scale
        (left, top), (right, bottom) = np.round(corners).astype(int)
        width, height = max(1, right - left), max(1, bottom - top)
        shown = cv2.resize(which.astype(np.uint8) * 255, (width, height), interpolation=cv2.INTER_AREA) > 127
        inside_x = slice(max(0, -left), max(0, min(width, self.size[0] - left)))
        inside_y = slice(max(0, -top), max(0, min(height, self.size[1] - top)))
        rows = slice(top + inside_y.start, top + inside_y.stop)
        columns = slice(left + inside_x.start, left + inside_x.stop)
        return rows, columns, shown[inside_y, inside_x]


def draw_plate(
    pixels: Pixels,
    document: Mapping[str, Any],
    skin: Mapping[int, SkinMasks] | None = None,
    *,
    longest: int = LONGEST_SIDE,
) -> Image.Image:
    """Draw the whole photo with every pepper outlined and numbered.

    Parameters
    ----------
    pixels : uint8 ndarray, shape (H, W, 3)
        The upright photo, sRGB.
    document : mapping
        A measurement or outline document.
    skin : mapping of int to SkinMasks, optional
        By pepper number; without it no skin is marked.
    longest : int
        Longest side of the picture in pixels.
    """
    canvas = _Canvas(pixels, (0, 0, pixels.shape[1], pixels.shape[0]), longest)
    peppers = document["peppers"]
    for pepper in peppers:
        _mark_skin(canvas, (skin or {}).get(pepper["number"]))
    for pepper in peppers:
        _outline(canvas, pepper)
        _axis(canvas, pepper)
        _places(canvas, pepper)
    return _with_marks(_with_numbers(canvas, peppers), canvas, peppers)


class Sketch:
    """The whole photo small, shrunk once, before there is anything but outlines to tell.

    Parameters
    ----------
    pixels : uint8 ndarray, shape (H, W, 3)
        The upright photo, sRGB.
    longest : int
        Longest side of the pictures in pixels.
    """

    def __init__(self, pixels: Pixels, *, longest: int) -> None:
        self._canvas = _Canvas(pixels, (0, 0, pixels.shape[1], pixels.shape[0]), longest)

    def bare(self) -> Image.Image:
        """Return the photo with nothing drawn on it."""
        return Image.fromarray(self._canvas.pixels)

    def outlined(self, outlines: Iterable[Points]) -> Image.Image:
        """Return the photo with closed outlines, float64 (K, 2) each, in photo coordinates."""
        canvas = copy.copy(self._canvas)
        canvas.pixels = canvas.pixels.copy()
        canvas.stroke([canvas.place(outline) for outline in outlines], closed=True)
        return Image.fromarray(canvas.pixels)


def draw_pepper(
    pixels: Pixels, pepper: Mapping[str, Any], skin: SkinMasks | None = None, *, longest: int = 480
) -> Image.Image:
    """Draw one pepper close up, with the skin that was counted and a thin outline; arguments as `draw_plate`."""
    canvas = _Canvas(pixels, crop_box(pepper, pixels.shape[1], pixels.shape[0]), longest)
    _mark_skin(canvas, skin)
    _outline(canvas, pepper)
    _axis(canvas, pepper)
    _places(canvas, pepper)
    return _with_marks(Image.fromarray(canvas.pixels), canvas, [pepper])


def bare(pixels: Pixels, *, longest: int = LONGEST_SIDE) -> Image.Image:
    """Return the photo at the size of the annotated picture, with nothing drawn on it."""
    return Image.fromarray(_Canvas(pixels, (0, 0, pixels.shape[1], pixels.shape[0]), longest).pixels)


def bare_pepper(pixels: Pixels, pepper: Mapping[str, Any], *, longest: int = 480) -> Image.Image:
    """Return the part of the photo that `draw_pepper` shows, with nothing drawn on it."""
    return Image.fromarray(_Canvas(pixels, crop_box(pepper, pixels.shape[1], pixels.shape[0]), longest).pixels)


def crop_box(pepper: Mapping[str, Any], width: int, height: int) -> tuple[int, int, int, int]:
    """Return the box around a pepper and its stem with a margin of an eighth, inside a photo of that size."""
    points = np.concatenate([np.asarray(p, dtype=np.float64) for p in _polygons(pepper, "outline_px", "stem_px")])
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.125 * float((high - low).max()) + 1
    left, top = np.floor(np.maximum(low - margin, 0)).astype(int)
    right, bottom = np.ceil(np.minimum(high + margin, (width - 1, height - 1))).astype(int) + 1
    return int(left), int(top), int(right), int(bottom)


def as_jpeg(picture: Image.Image, quality: int = 88) -> bytes:
    """Return a picture as the bytes of a JPEG file without metadata."""
    written = io.BytesIO()
    picture.save(written, "JPEG", quality=quality, optimize=True)
    return written.getvalue()


def _polygons(pepper: Mapping[str, Any], *names: str) -> list[Sequence[Sequence[float]]]:
    return [polygon for name in names for polygon in pepper.get(name) or ()]


def _outline(canvas: _Canvas, pepper: Mapping[str, Any]) -> None:
    polygons = [canvas.place(polygon) for polygon in pepper["outline_px"]]
    if not pepper.get("doubtful"):
        canvas.stroke(polygons, closed=True)
        return
    for polygon in polygons:
        canvas.stroke(_dashes(np.vstack([polygon, polygon[:1]]), 5 * canvas.line, 5 * canvas.line), closed=False)


def _axis(canvas: _Canvas, pepper: Mapping[str, Any]) -> None:
    """Dash the axis from stem end to blossom end; a ring stands on the stem end."""
    axis = pepper.get("axis_px")
    if not axis:
        return
    ends = canvas.place([axis["stem_end"], axis["blossom_end"]])
    turn = np.linspace(0, 2 * math.pi, 25)[:-1]
    reach = 2.2 * canvas.line
    ring = ends[0] + reach * np.column_stack([np.cos(turn), np.sin(turn)])
    start = ends[0] + reach * (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), reach)
    path = np.vstack([start, ends[1]])
    canvas.stroke(_dashes(path, 4 * canvas.line, 3 * canvas.line), closed=False, width=0.6 * canvas.line)
    canvas.stroke([ring], closed=True, width=0.6 * canvas.line)


def _places(canvas: _Canvas, pepper: Mapping[str, Any]) -> None:
    """Draw round what was marked by hand, and set a dotted ring round each place worth a look."""
    for mark in pepper.get("blemishes") or ():
        if len(mark.get("line_px") or ()) > 2:
            canvas.stroke([canvas.place(mark["line_px"])], closed=True, width=0.6 * canvas.line)
    turn = np.linspace(0, 2 * math.pi, 49)
    for spot in pepper.get("spots") or ():
        reach = max(1.35 * spot["radius_px"] * canvas.scale, 4 * canvas.line)
        ring = canvas.place([spot["centre_px"]])[0] + reach * np.column_stack([np.cos(turn), np.sin(turn)])
        dots = _dashes(ring, 1.2 * canvas.line, 2.2 * canvas.line)
        canvas.stroke(dots, closed=False, width=0.5 * canvas.line)


def _with_marks(picture: Image.Image, canvas: _Canvas, peppers: Sequence[Mapping[str, Any]]) -> Image.Image:
    """Write each mark's name at its lower right."""
    pen = ImageDraw.Draw(picture)
    font = ImageFont.load_default(size=max(14.0, 6.0 * canvas.line))
    for pepper in peppers:
        for name, mark in named_marks(pepper):
            if mark.get("line_px"):
                x, y = canvas.place(mark["line_px"]).max(axis=0) + 1.2 * canvas.line
                width = round(0.9 * canvas.line)
                pen.text((x, y), name, fill=WHITE, font=font, anchor="lm", stroke_width=width, stroke_fill=INK)
    return picture


def named_marks(pepper: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Return a pepper's marked areas with the names they go by in pictures and lists: ``2a``, ``2b``."""
    marks = pepper.get("blemishes") or ()
    return [(f"{pepper['number']}{_letters(place)}", mark) for place, mark in enumerate(marks)]


def _letters(place: int) -> str:
    return (_letters(place // 26 - 1) if place >= 26 else "") + "abcdefghijklmnopqrstuvwxyz"[place % 26]


def _dashes(path: Points, dash: float, gap: float) -> list[Points]:
    """Cut a path into dashes of about the given length; it starts and ends with a whole dash."""
    steps = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    length = float(along[-1])
    if length <= dash:
        return [path]
    count = max(2, round((length + gap) / (dash + gap)))
    stretch = length / (count * dash + (count - 1) * gap)
    dashes = []
    for start in np.arange(count) * (dash + gap) * stretch:
        end = min(start + dash * stretch, length)
        inner = along[(along > start) & (along < end)]
        stations = np.concatenate([[start], inner, [end]])
        dashes.append(np.column_stack([np.interp(stations, along, path[:, k]) for k in (0, 1)]))
    return dashes


def _mark_skin(canvas: _Canvas, skin: SkinMasks | None) -> None:
    if skin is None:
        return
    _hatch(canvas, *canvas.mask(skin, skin.counted))
    _dot(canvas, *canvas.mask(skin, skin.left_out))


def _hatch(canvas: _Canvas, rows: slice, columns: slice, shown: NDArray[np.bool_]) -> None:
    """Lay blue lines with a white side over the skin, photo showing between, and a thin edge around it."""
    y, x = np.ogrid[rows, columns]
    period = max(6.0, 2.0 * canvas.line)
    phase = ((x + y) / math.sqrt(2)) % period / period
    part = canvas.pixels[rows, columns]
    part[shown & (phase < 0.3)] = BLUE
    part[shown & (phase >= 0.3) & (phase < 0.55)] = WHITE
    edges, _ = cv2.findContours(shown.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    offset = (columns.start, rows.start)
    for colour, thickness in ((WHITE, 0.8), (BLUE, 0.4)):
        cv2.drawContours(
            canvas.pixels, edges, -1, colour, max(1, round(thickness * canvas.line)), cv2.LINE_AA, offset=offset
        )


def _dot(canvas: _Canvas, rows: slice, columns: slice, shown: NDArray[np.bool_]) -> None:
    """Set sparse white dots with an ink rim, every second row shifted by half a step."""
    step = max(12.0, 3.6 * canvas.line)
    radius = max(1.6, 0.5 * canvas.line)
    for row, y in enumerate(np.arange(rows.start + step / 2, rows.stop, step)):
        for x in np.arange(columns.start + step / 2 * (1 + row % 2), columns.stop, step):
            if not shown[int(y) - rows.start, int(x) - columns.start]:
                continue
            centre = (round(x * (1 << _SUBPIXEL_BITS)), round(y * (1 << _SUBPIXEL_BITS)))
            for colour, size in ((INK, radius * 1.6), (WHITE, radius)):
                reach = round(size * (1 << _SUBPIXEL_BITS))
                cv2.circle(canvas.pixels, centre, reach, colour, -1, cv2.LINE_AA, shift=_SUBPIXEL_BITS)


def _with_numbers(canvas: _Canvas, peppers: Sequence[Mapping[str, Any]]) -> Image.Image:
    picture = Image.fromarray(canvas.pixels)
    pen = ImageDraw.Draw(picture)
    radius = min(_DISC_PER_LINE * canvas.line, 0.06 * min(canvas.size))
    font = ImageFont.load_default(size=1.35 * radius)
    for pepper, (x, y) in zip(peppers, _number_places(canvas, peppers, radius), strict=True):
        for colour, reach in ((WHITE, radius + 0.35 * canvas.line), (INK, radius)):
            pen.ellipse((x - reach, y - reach, x + reach, y + reach), fill=colour)
        pen.text((x, y), str(pepper["number"]), fill=WHITE, font=font, anchor="mm")
    return picture


def _number_places(canvas: _Canvas, peppers: Sequence[Mapping[str, Any]], radius: float) -> list[Points]:
    """Choose for each pepper the spot just outside it that covers least of the fruit and of other numbers.

    Twenty-four directions are tried, the ones nearest straight up first.
    """
    taken = np.zeros(canvas.size[::-1], dtype=np.uint8)
    for polygon in _all_polygons(canvas, peppers):
        cv2.fillPoly(taken, [np.round(polygon).astype(np.int32)], 1)
    places = []
    for pepper in peppers:
        points = np.vstack([canvas.place(p) for p in pepper["outline_px"]])
        centre = canvas.place([pepper["centre_px"]])[0]
        turns = sorted(np.arange(24) * math.pi / 12, key=_from_up)
        spots = [_spot(points, centre, turn, radius) for turn in turns]
        costs = [_cost(taken, spot, radius) for spot in spots]
        place = spots[int(np.argmin(costs))]
        limit = np.array(canvas.size) - 1 - radius
        place = np.clip(place, radius, np.maximum(limit, radius))
        cv2.circle(taken, (round(place[0]), round(place[1])), round(1.2 * radius), 2, -1)
        places.append(place)
    return places


def _all_polygons(canvas: _Canvas, peppers: Sequence[Mapping[str, Any]]) -> list[Points]:
    return [canvas.place(p) for pepper in peppers for p in _polygons(pepper, "outline_px", "stem_px")]


def _from_up(turn: float) -> float:
    return abs((turn + math.pi / 2 + math.pi) % (2 * math.pi) - math.pi)


def _spot(points: Points, centre: Points, turn: float, radius: float) -> Points:
    direction = np.array([math.cos(turn), math.sin(turn)])
    across = (points - centre) @ np.array([-direction[1], direction[0]])
    beside = (points - centre)[np.abs(across) <= radius * 1.3]
    reach = float((beside @ direction).max()) if len(beside) else 0.0
    return centre + (max(reach, 0.0) + 1.6 * radius) * direction


def _cost(taken: NDArray[np.uint8], spot: Points, radius: float) -> float:
    """Share of the disc that would stand on fruit, on another number (worse) or outside the picture (worst)."""
    height, width = taken.shape
    reach = math.ceil(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = x * x + y * y <= radius * radius
    rows, columns = (np.round(spot[1]) + y[disc]).astype(int), (np.round(spot[0]) + x[disc]).astype(int)
    inside = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    under = taken[rows[inside], columns[inside]]
    return float((under == 1).sum() + 3 * (under == 2).sum() + 5 * (~inside).sum()) / float(disc.sum())
