"""One pepper's skin at working size: light, area, ripeness. The step between pixels and a share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.correction import ColourCorrection
from truelobe.colour.ends import OwnEnds, own_ends, scale_of
from truelobe.colour.references import ColourReference
from truelobe.colour.ripeness import RipenessScale, SkinColour, skin_colour
from truelobe.colour.skin import (
    RIM_PHOTO_PX,
    RIM_PX,
    Area,
    Skin,
    evenly_spread,
    gather_area,
    read_skin,
    readable,
)
from truelobe.colour.surroundings import Surroundings, mirrored
from truelobe.pixels import shrunk

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]

WORK_PIXELS: Final = 30_000
"""A pepper is read at a size of about this many pixels; more only average the same skin."""

END_PIXELS: Final = 12_000
"""At least so many, if there are, are asked what the pepper's own ends look like. With half as many, a pepper
whose skin falls into two about equal heaps may come out at the other one."""

_LEAST_SHRINK: Final = 1.2
_ALL_SKIN: Final = 0.9


@dataclass(frozen=True)
class View:
    """A pepper's box at working size.

    Attributes
    ----------
    pixels : uint8 (h, w, 3)
    mask : bool (h, w)
        Skin, without calyx and stem.
    skin_mm2 : float32 (h, w)
        Area per pixel of this size.
    facing : float32 (h, w)
    lab : float32 (h, w, 3)
    skin : SkinColour (h, w)
    around : Surroundings or None
        What the skin mirrors.
    read : bool (h, w)
        Where color can be read.
    shrunk : float
        Photo pixels per pixel here.
    """

    pixels: NDArray[np.uint8]
    mask: Bool
    skin_mm2: Float32
    facing: Float32
    lab: Float32
    skin: SkinColour
    around: Surroundings | None
    read: Bool
    shrunk: float

    @property
    def rim_px(self) -> float:
        """Width of the rim that is not read, pixels of this size."""
        return max(RIM_PX, RIM_PHOTO_PX / self.shrunk)


def view_at_working_size(
    pixels: NDArray[np.uint8],
    mask: Bool,
    skin_mm2: Float32,
    facing: Float32,
    correction: ColourCorrection,
    whole: Bool | None = None,
) -> View:
    """Bring a box to working size; a pixel there is skin when nearly all of it was.

    `whole` is the pepper with calyx and stem, when that is more than `mask`: what lies outside is mirrored in it.
    """
    whole = mask if whole is None else whole
    factor = float(np.sqrt(int(mask.sum()) / WORK_PIXELS))
    if factor > _LEAST_SHRINK:
        height, width = mask.shape
        size = (max(1, round(width / factor)), max(1, round(height / factor)))
        factor = float(np.sqrt(height * width / (size[0] * size[1])))
        pixels = np.asarray(np.rint(shrunk(pixels, size)), dtype=np.uint8)
        part = shrunk(mask, size)
        skin_mm2 = _smaller(skin_mm2, mask, size) * np.float32(factor**2)
        facing = np.asarray(_smaller(facing, mask, size) / np.maximum(part, 1e-3), dtype=np.float32)
        mask = np.asarray(part > _ALL_SKIN)
        whole = cv2.resize(whole.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    else:
        factor = 1.0
    around = mirrored(pixels, whole, facing)
    lab = correction.to_lab(pixels, around)
    view = View(pixels, mask, skin_mm2, facing, lab, skin_colour(lab), around, mask, factor)
    return replace(view, read=readable(mask, facing, view.rim_px))


def _smaller(values: Float32, mask: Bool, size: tuple[int, int]) -> Float32:
    """A layer of the skin at working size; what is no number counts for nothing."""
    return np.nan_to_num(shrunk(np.where(mask, values, np.float32(0)), size), posinf=0.0)


@dataclass(frozen=True)
class Reading:
    """Ripeness of the skin, against the pepper's own ends.

    Attributes
    ----------
    skin : Skin
    area : Area
        What each pixel that is sound or left out speaks for.
    ends : OwnEnds
    scale : RipenessScale
    ripeness : float32 (h, w)
    """

    skin: Skin
    area: Area
    ends: OwnEnds
    scale: RipenessScale
    ripeness: Float32

    @property
    def weight(self) -> Float32:
        """Area of skin, mm2, that each pixel speaks for."""
        return self.area.weight

    def share(self, where: Bool, line: float, weight: Float32 | None = None) -> float:
        """Share of the skin at `where` that lies below the line."""
        area = self.weight if weight is None else weight
        total = float(area[where].sum())
        return float(area[where & (self.ripeness < line)].sum()) / total if total > 0 else 0.0


def read(view: View, pair: ColourReference) -> Reading:
    """Read a pepper's ripeness.

    Sound skin is told with the references as they stand, the ends are adapted to it, and both are done once more
    with the adapted ends.
    """
    scale = scale_of(pair)
    for _ in range(2):
        skin = read_skin(view.lab, view.skin, view.read, view.skin_mm2, view.facing, scale)
        area = gather_area(view.mask, skin.sound | skin.marked, view.skin_mm2, view.facing)
        some = evenly_spread(skin.sound, END_PIXELS)
        colours = view.lab.reshape(-1, 3)[some], view.skin.flat().at(some)
        ends = own_ends(*colours, area.weight.ravel()[some], pair)
        scale = ends.scale
    return Reading(skin, area, ends, scale, scale.place(view.skin, skin.dimming).ripeness)


def enlarged(level: Float32, like: Bool) -> Bool:
    """Bring a level (h, w) back to the size of the box and tell where it is above zero."""
    if level.shape == like.shape:
        return np.asarray(level > 0, dtype=np.bool_)
    height, width = like.shape
    full = cv2.resize(level.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full > 0, dtype=np.bool_)
