"""What is true of a made plate, read from its truth file."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from truelobe.camera import Lens, View
from truelobe.fruit.silhouette import Polygon, Silhouette, area, filled

DIFFICULTIES = ("easy", "normal", "hard")
# Degrees: an axis nearer to the line of sight has no direction in the picture worth the name.
MOST_TOWARDS_CAMERA = 60.0
QUANTITIES = ("diameter", "width seen", "length", "coverage")


@dataclass(frozen=True)
class PepperTruth:
    """One pepper: what the mesh says, and what of it the camera sees."""

    number: int
    family: str  # of forms, where it is told
    pose: str
    colour: str
    hidden: float
    sizes: dict[str, float]
    outline_px: tuple[Polygon, ...]
    calyx_px: tuple[Polygon, ...]
    stem_px: tuple[Polygon, ...]
    centre_px: Polygon
    axis_px: Polygon  # blossom end, stem end
    towards_camera_deg: float
    height_mm: float

    def axis(self, view: View) -> Polygon:
        """Return the axis toward the stem end, a unit vector in the camera frame, shape (3,)."""
        return axis_of(view.ideal(self.axis_px), self.towards_camera_deg)

    def silhouette(self) -> Silhouette:
        """Return the outline as a perfect finder would hand it on."""
        points = np.concatenate(self.outline_px + self.stem_px)
        x0, y0 = np.floor(points.min(axis=0)).astype(int) - 2
        x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 3
        box = (int(x0), int(y0), int(x1), int(y1))
        return Silhouette(
            number=self.number,
            box=box,
            body=filled(self.outline_px, box),
            calyx=filled(self.calyx_px, box),
            stem=filled(self.stem_px, box),
            outline_px=self.outline_px,
            calyx_px=self.calyx_px,
            stem_px=self.stem_px,
            centre_px=self.centre_px,
            score=1.0,
            doubtful=False,
            hidden_fraction=self.hidden,
            occluded=tuple(np.zeros(len(ring), bool) for ring in self.outline_px),
        )


@dataclass(frozen=True)
class PlateTruth:
    """One plate: its camera in the card's frame, its print of the card, and its peppers."""

    photo: Path
    difficulty: str
    view: View
    bars_mm: tuple[float, float]
    card_outline_px: Polygon
    card_size_mm: tuple[float, float]
    floor_mm: float
    peppers: tuple[PepperTruth, ...]


def read_truth(path: Path) -> PlateTruth:
    """Read the truth file beside a plate's photo."""
    written = json.loads(path.read_text(encoding="utf-8"))
    card = written["card"]
    return PlateTruth(
        photo=path.with_name(path.name.removesuffix(".truth.json") + ".jpg"),
        difficulty=written["difficulty"],
        view=_view(written["camera"]),
        bars_mm=(card["bar_across_mm"], card["bar_down_mm"]),
        card_outline_px=np.array(card["outline_px"]),
        card_size_mm=tuple(card["size_mm"]),
        floor_mm=written["floor_above_card_mm"],
        peppers=tuple(_pepper(one) for one in written["peppers"] if one["outline_px"]),
    )


def _view(camera: dict[str, Any]) -> View:
    matrix, bent = np.array(camera["matrix"]), camera["distortion"]
    lens = Lens(matrix[0, 0], matrix[0, 2], matrix[1, 2], bent[0], bent[1], 0.001, "profile")
    return View(lens, np.array(camera["rotation"]), np.array(camera["translation"]))


def _pepper(one: dict[str, Any]) -> PepperTruth:
    return PepperTruth(
        number=one["number"],
        family=one.get("made", {}).get("generator", ""),
        pose=one["pose"],
        colour=one["colour"],
        hidden=one["hidden_fraction"],
        sizes={
            "diameter": one["diameter_greatest_mm"],
            "width seen": one["width_seen_mm"],
            "length": one["length_mm"],
            "coverage": one["not_fully_coloured"]["0.5"],
        },
        outline_px=_rings(one["outline_px"]),
        calyx_px=_rings(one["calyx_px"]),
        stem_px=_rings(one["stem_px"]),
        centre_px=np.array(one["centre_px"]),
        axis_px=np.array(one["axis_px"]),
        towards_camera_deg=one["axis_towards_camera_deg"],
        height_mm=one["height_of_centre_mm"],
    )


def axis_of(ends: Polygon, towards_camera_deg: float) -> Polygon:
    """Return an axis in the camera frame from its two ends in ideal image coordinates and its tilt.

    The part at right angles to the line of sight has the direction that the picture shows; the rest lies along it.
    """
    middle, way = ends.mean(axis=0), ends[1] - ends[0]
    sideways = np.append(way, 0.0) - np.append(middle, 1.0) * (way @ middle) / (1 + middle @ middle)
    sideways /= max(float(np.linalg.norm(sideways)), 1e-9)
    sight = np.append(middle, 1.0) / np.sqrt(1 + middle @ middle)
    tilt = np.radians(towards_camera_deg)
    axis: Polygon = np.cos(tilt) * sideways - np.sin(tilt) * sight
    return axis


def _rings(polygons: list[list[list[float]]] | None) -> tuple[Polygon, ...]:
    return tuple(sorted((np.array(ring) for ring in polygons or []), key=lambda ring: -abs(area(ring))))
