"""One invented pepper as a coloured mesh: what every generator hands to every scene."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

BODY, CALYX, STEM = 0, 1, 2
SOUND, BROWN_SPOT, SCAR, BLEACHED = 0, 1, 2, 3


@dataclass(frozen=True)
class FruitModel:
    """A pepper's mesh, skin and exact ripeness.

    Attributes
    ----------
    vertices : float64 (V, 3)
        Millimetres. The axis from blossom end to stem is +z; the origin is the body's centre.
    faces : int32 (F, 3)
        Counter-clockwise seen from outside.
    face_part : uint8 (F,)
        0 body, 1 calyx, 2 stem.
    vertex_reflectance : float32 (V, 3)
        Linear sRGB reflectance, 0..1.
    vertex_ripeness : float32 (V,)
        0 unripe .. 1 fully coloured; 0.5 is equally far from this fruit's ripe and unripe color in CIELAB a*, b*.
        Meaningless on calyx and stem.
    vertex_blemish : uint8 (V,)
        0 none, 1 brown spot, 2 scar, 3 bleached.
    colour : str
        "red", "orange", "yellow", "green", "purple", "white" or "brown".
    lobes : int
    notes : dict
        What the generator drew (shape family, pattern ...): for reading, never for measuring.
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    face_part: NDArray[np.uint8]
    vertex_reflectance: NDArray[np.float32]
    vertex_ripeness: NDArray[np.float32]
    vertex_blemish: NDArray[np.uint8]
    colour: str
    lobes: int
    notes: dict[str, Any] = field(default_factory=dict)
