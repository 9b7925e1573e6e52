"""The card's patches, as the colour fit needs them: what was read, what was printed, how sure either is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from truelobe.colour.spaces import delta_e_2000

Float64 = NDArray[np.float64]

GREY_CHROMA: Final = 6.0
"""A patch whose nominal chroma is below this belongs to a grey ladder."""

LEAST_PIXELS: Final = 12
"""Fewer pixels than this do not average the noise out of a patch."""

BRIGHT: Final = 0.9
"""A clipped patch with a channel above this ran into white, below it into black (linear light)."""

DARK: Final = 1e-3
"""A patch with no channel above this is night (linear light)."""


class PhotoColours(Protocol):
    """What the fit needs of a photo."""

    @property
    def to_srgb(self) -> ArrayLike:
        """Return the matrix (3, 3) from the photo's linear primaries to linear sRGB."""


class CardSighting(Protocol):
    """What the fit needs of a card found in a photo."""

    @property
    def layout(self) -> Any:
        """Return the layout: `size_mm` and `patches` with `name`, `lab`, `u_de00`, `centre_mm`."""

    @property
    def patches(self) -> Sequence[Any]:
        """Return the readings: `name`, `linear` and `sd` (3,) in linear sRGB, `pixels`, `clipped`."""

    @property
    def black_and_white(self) -> bool:
        """Return whether the card came out of a printer without color."""


@dataclass(frozen=True)
class Patches:
    """Usable patches side by side.

    Attributes
    ----------
    names : tuple of str
    signal : float64 (N, 3)
        Linear light in the photo's own primaries.
    sd_mean : float64 (N, 3)
        Standard uncertainty of `signal`.
    lab : float64 (N, 3)
        Nominal CIELAB.
    u_de00 : float64 (N,)
        Print uncertainty, CIEDE2000.
    place : float64 (N, 2)
        Centre on the card; the card's centre is 0 and half its longer side is 1.
    grey : bool (N,)
    group : int (N,)
        Patches printed from the same ink mixture share a number: they are left out together.
    """

    names: tuple[str, ...]
    signal: Float64
    sd_mean: Float64
    lab: Float64
    u_de00: Float64
    place: Float64
    grey: NDArray[np.bool_]
    group: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.names)

    def only(self, keep: NDArray[np.bool_]) -> Patches:
        """Return the patches for which `keep` (N,) is true."""
        return Patches(
            tuple(n for n, k in zip(self.names, keep, strict=True) if k),
            self.signal[keep],
            self.sd_mean[keep],
            self.lab[keep],
            self.u_de00[keep],
            self.place[keep],
            self.grey[keep],
            self.group[keep],
        )


NO_PATCHES: Final = Patches(
    (),
    np.empty((0, 3)),
    np.empty((0, 3)),
    np.empty((0, 3)),
    np.empty(0),
    np.empty((0, 2)),
    np.empty(0, dtype=np.bool_),
    np.empty(0, dtype=np.int64),
)


def usable_patches(sighting: CardSighting, to_srgb: Float64) -> Patches:
    """Return the patches that can be fitted: known to the layout, not run into white, large enough, finite.

    Parameters
    ----------
    sighting : CardSighting
    to_srgb : float64 (3, 3)
        Linear primaries of the photo to linear sRGB. Readings come in linear sRGB; the camera's curve acted on the
        photo's own primaries, so they go back there first.
    """
    printed = {patch.name: patch for patch in sighting.layout.patches}
    back = np.linalg.inv(to_srgb)
    width, height = sighting.layout.size_mm
    middle, half = np.array([width, height]) / 2, max(width, height) / 2
    rows = []
    for read in sighting.patches:
        nominal = printed.get(read.name)
        if nominal is None or read.pixels < LEAST_PIXELS:
            continue
        signal = back @ np.asarray(read.linear, dtype=np.float64)
        if not np.isfinite(signal).all() or (read.clipped and signal.max() > BRIGHT) or signal.max() < DARK:
            continue
        # A channel at black is a color outside the photo's gamut: it says little, but not nothing.
        doubt = 2.0 if read.clipped else 1.0
        spread = np.abs(back) @ np.asarray(read.sd, dtype=np.float64) / np.sqrt(read.pixels)
        lab = np.asarray(nominal.lab, dtype=np.float64)
        place = (np.asarray(nominal.centre_mm, dtype=np.float64) - middle) / half
        rows.append((read.name, np.maximum(signal, DARK / 10), spread, lab, doubt * float(nominal.u_de00), place))
    lab = np.array([row[3] for row in rows]).reshape(-1, 3)
    return Patches(
        tuple(row[0] for row in rows),
        np.array([row[1] for row in rows]).reshape(-1, 3),
        np.array([row[2] for row in rows]).reshape(-1, 3),
        lab,
        np.array([row[4] for row in rows]),
        np.array([row[5] for row in rows]).reshape(-1, 2),
        np.hypot(lab[:, 1], lab[:, 2]) < GREY_CHROMA,
        _groups(lab),
    )


def _groups(lab: Float64) -> NDArray[np.int64]:
    """Number the patches so that twins (the two ladders) get the same number."""
    group = np.arange(len(lab))
    for i in range(len(lab)):
        twins = np.flatnonzero(delta_e_2000(lab[:i], lab[i]) < 0.5) if i else np.empty(0, dtype=np.int64)
        if twins.size:
            group[i] = group[twins[0]]
    return group.astype(np.int64)
