"""From the bytes of one photo to CIELAB, corrected by the card lying in it.

The way: byte -> light through the curve the grey ladders show -> white balance -> 3x3 or 3x4 matrix -> CIELAB.
The card is an office print, so each patch may be off by several CIEDE2000, partly in common (paper, ink, printer),
and a camera does not see ink and skin alike; `ColourCorrection.draws` samples all of that, so that whatever is
measured with the colors can carry it.
"""

from __future__ import annotations

import zlib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.curve import GreyFit, fit_greys, flat_light
from truelobe.colour.flags import GREYS_ONLY, UNCORRECTED, flags
from truelobe.colour.matrix import MatrixProblem, apply, fit_matrix
from truelobe.colour.patches import NO_PATCHES as _NO_PATCHES
from truelobe.colour.patches import CardSighting, Patches, PhotoColours, usable_patches
from truelobe.colour.spaces import (
    SRGB_TO_XYZ,
    WHITE_D65,
    encode,
    lab_to_linear,
    relative_to_lab,
    transform,
)
from truelobe.colour.surroundings import Surroundings
from truelobe.messages import Message

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Source = Literal["patches", "camera", "light"]
SOURCES: Final[tuple[Source, ...]] = ("patches", "camera", "light")
SHARED_DRAWS: Final = 48

FEWEST_GREYS: Final = 3
FEWEST_COLOURS: Final = 4
DOUBTED_BELOW: Final = 0.3
SHARED_PRINT_VARIANCE: Final = 0.5
"""Share of a patch's print variance that it has in common with all others (paper tint, ink, printer)."""

CAMERA_SPREAD: Final = 0.015
"""Random crosstalk, one standard deviation, that moves skin colors by the 2 to 3 CIEDE2000 which a camera's matrix
leaves on pepper spectra even with perfect patches (own simulation: 200 pepper spectra, three lights)."""

LIGHT_SPREAD: Final = 0.02
"""Change of channel ratios between the light on the card and on the fruit when the card shows none of it."""

UNCORRECTED_U: Final = 10.0
"""Mean CIEDE2000 error of phone photos read without a card (published: above 10; with a chart about half)."""

_RELATIVE: Final = SRGB_TO_XYZ / WHITE_D65[:, None]
_SKINS: Final = np.array([[38.0, 48, 28], [54, 38, 58], [70, 5, 70], [42, -20, 36]])


@dataclass(frozen=True)
class CorrectionDraws:
    """Equally likely versions of one correction.

    Attributes
    ----------
    tables : float32 (n, 256, 3)
        Byte to light.
    matrices : float32 (n, 3, 4)
        Light to XYZ relative to the white point.
    """

    tables: Float32
    matrices: Float32

    def __len__(self) -> int:
        return len(self.matrices)

    def to_lab(self, pixels: NDArray[np.uint8], around: Surroundings | None = None) -> Float32:
        """Return CIELAB (n, P, 3) of pixels (P, 3) under each draw, without what they mirror of `around`."""
        light = self.tables[:, pixels, np.arange(3)]
        if around is not None:
            light = around.taken_off_each(light, self.tables)
        relative = [transform(one, matrix) for one, matrix in zip(light, self.matrices, strict=True)]
        return relative_to_lab(np.asarray(relative, dtype=np.float32).reshape(len(self), -1, 3))


@dataclass(frozen=True)
class ColourCorrection:
    """How to read the colors of one photo.

    Attributes
    ----------
    table : float32 (256, 3)
        Byte to light in the photo's own primaries, 1 is a perfect white where the card lies.
    matrix : float64 (3, 4)
        That light to linear sRGB.
    form : {"3x3", "3x4", "greys only", "none"}
    u_ab : float
        Standard uncertainty of a* and of b* on pepper skin.
    leave_one_out_de00 : float
        How well patches are predicted from the others, mean CIEDE2000; nan when there was nothing to leave out.
    greys : GreyFit
    patches_used, patches_doubted : tuple of str
        Doubted ones disagree with the rest (glossy, stained, misprinted) and hardly count.
    messages : tuple of Message
    """

    table: Float32
    matrix: Float64
    form: Literal["3x3", "3x4", "greys only", "none"]
    u_ab: float
    leave_one_out_de00: float
    greys: GreyFit
    patches_used: tuple[str, ...]
    patches_doubted: tuple[str, ...]
    messages: tuple[Message, ...]
    _sampler: _Sampler

    def to_lab(self, pixels: NDArray[np.uint8], around: Surroundings | None = None) -> Float32:
        """Return CIELAB (D65, 2 degrees), float32 (..., 3), unclipped, for photo bytes (..., 3).

        What a pepper mirrors of `around` is taken off first.
        """
        line = np.ascontiguousarray(pixels, dtype=np.uint8).reshape(1, -1, 3)
        if line.size == 0:
            return np.zeros(pixels.shape, dtype=np.float32)
        light: Float32 = np.asarray(cv2.LUT(line, np.ascontiguousarray(self.table[None])), dtype=np.float32)
        if around is not None:
            light = around.taken_off(light.reshape(pixels.shape), self.table).reshape(light.shape)
        relative = transform(light, _RELATIVE @ self.matrix)
        return relative_to_lab(relative).reshape(pixels.shape)

    @cached_property
    def cautious(self) -> ColourCorrection:
        """This correction with its matrix halfway back to the photo's own primaries, for naming a color.

        The patches' errors and the phone's own taste in color are unlike each other and about as large, so the
        middle errs less than either: skin angles of 230 ripe peppers of made plates to 3.7 degrees instead of 4.9
        and 4.2. A share does not gain: it is read against the pepper's own ends.
        """
        own = np.column_stack([self._sampler.to_srgb, np.zeros(3)])
        return replace(self, matrix=(self.matrix + own) / 2)

    def draws(self, n: int, rng: np.random.Generator, sources: Collection[Source] = SOURCES) -> CorrectionDraws:
        """Return n equally likely corrections.

        Parameters
        ----------
        n : int
        rng : numpy Generator
        sources : collection of {"patches", "camera", "light"}
            What is taken as uncertain: the printed patches (and their reading), the way a camera sees skin
            differently from ink, the light on the fruit being unlike the light on the card.
        """
        return self._sampler.draw(n, rng, frozenset(sources))

    @cached_property
    def shared(self) -> Mapping[Source, CorrectionDraws]:
        """By source, corrections with that source alone uncertain: the same for every pepper of the photo.

        Chance starts from the photo's own colors: the same photo draws the same, and what a few draws get wrong by
        chance is not wrong alike in all photos.
        """
        rng = np.random.default_rng(zlib.crc32(self.table.tobytes()))
        return {source: self.draws(SHARED_DRAWS, rng, (source,)) for source in SOURCES}

    def document(self) -> dict[str, Any]:
        """Return what a measurement document keeps of the correction."""
        loo = self.leave_one_out_de00
        return {
            "form": self.form,
            "matrix": [[round(float(x), 6) for x in row] for row in self.matrix],
            "curve": [[round(float(x), 5) for x in row] for row in self.greys.shape],
            "light": {
                "exposure": [round(float(x), 5) for x in self.greys.exposure],
                "gradient": [round(float(x), 5) for x in self.greys.gradient],
                "tint": [[round(float(x), 5) for x in row] for row in self.greys.tint],
            },
            "u_ab": round(self.u_ab, 3),
            "leave_one_out_de00": None if np.isnan(loo) else round(loo, 3),
            "patches_used": list(self.patches_used),
            "patches_doubted": list(self.patches_doubted),
        }


@dataclass(frozen=True)
class _Sampler:
    """What `ColourCorrection.draws` needs to solve the fit again with other patches."""

    greys: GreyFit
    to_srgb: Float64
    matrix: Float64
    problem: MatrixProblem | None
    patches: Patches | None
    broad: float
    light_spread: float

    def draw(self, n: int, rng: np.random.Generator, sources: frozenset[Source]) -> CorrectionDraws:
        tables = np.repeat(self.greys.table()[None], n, axis=0)
        matrices = np.repeat(self.matrix[None], n, axis=0)
        if "patches" in sources:
            tables, matrices = self._other_patches(n, rng)
        if "camera" in sources:
            noise = rng.normal(0, CAMERA_SPREAD * self.broad, (n, 3, 3))
            noise -= noise.mean(axis=2, keepdims=True)  # white stays white
            matrices = (np.eye(3) + noise) @ matrices
        if "light" in sources:
            gain = np.exp(rng.normal(0, self.light_spread, (n, 3)))
            tables = tables * gain[:, None, :]
        return CorrectionDraws(tables.astype(np.float32), (_RELATIVE @ matrices).astype(np.float32))

    def _other_patches(self, n: int, rng: np.random.Generator) -> tuple[Float64, Float64]:
        bend = rng.normal(0, 1, (n, 3)) * self.greys.shape_sd
        tables = np.stack([self.greys.table(np.broadcast_to(b, (3, 3))) for b in bend])
        # Only what the exposure cannot take up matters: hold the card's mid grey in place.
        base = self.greys.table()
        middle = int(np.argmin(np.abs(base.mean(axis=1) - 0.3)))
        tables *= (base[middle] / np.maximum(tables[:, middle], 1e-6))[:, None, :]
        if self.problem is None or self.patches is None:
            cast = np.exp(rng.normal(0, 0.03 * self.broad, (n, 3)))
            return tables, self.matrix * cast[:, :, None]
        lab = self.patches.lab + _print_errors(self.patches, self.problem.agreement, n, rng)
        source = _patch_light(self.patches, self.greys, tables, rng) @ self.to_srgb.T
        return tables, _after(self.problem.solve(source, lab_to_linear(lab)), self.to_srgb)


def correct_from_card(photo: PhotoColours, sighting: CardSighting) -> ColourCorrection:
    """Fit the color correction of a photo to the card found in it.

    Never fails: with too few patches the photo is read as it stands, flagged, with the uncertainty that has.

    Parameters
    ----------
    photo : Photo
        Its `to_srgb` matrix is used.
    sighting : CardSighting
    """
    to_srgb = np.asarray(photo.to_srgb, dtype=np.float64)
    patches = usable_patches(sighting, to_srgb)
    colours = int((~patches.grey).sum())
    enough_greys = int(patches.grey.sum()) >= FEWEST_GREYS
    if colours >= FEWEST_COLOURS and not sighting.black_and_white:
        return _full(patches, to_srgb, sighting)
    return _greys_only(patches, to_srgb, sighting) if enough_greys else _uncorrected(to_srgb)


def _full(patches: Patches, to_srgb: Float64, sighting: CardSighting) -> ColourCorrection:
    greys = fit_greys(patches, np.asarray(np.linalg.inv(to_srgb), dtype=np.float64))
    # The photo's bytes become light through one table, so patches go the same way.
    source = _patch_light(patches, greys, greys.table()[None], None)[0] @ to_srgb.T
    problem, left_out = fit_matrix(source, patches.lab, patches.u_de00, patches.group)
    matrix = _after(problem.solve(), to_srgb)[0]
    sampler = _Sampler(greys, to_srgb, matrix, problem, patches, 1.0, _light_spread(greys))
    doubted = tuple(patches.names[i] for i in np.flatnonzero(problem.weight < DOUBTED_BELOW))
    expected = float(np.mean(patches.u_de00))
    return ColourCorrection(
        greys.table().astype(np.float32),
        matrix,
        problem.form,
        _skin_uncertainty(matrix, sampler),
        left_out,
        greys,
        patches.names,
        doubted,
        tuple(flags(sighting, greys, left_out, expected, len(doubted) / len(patches))),
        sampler,
    )


def _greys_only(patches: Patches, to_srgb: Float64, sighting: CardSighting) -> ColourCorrection:
    greys = fit_greys(patches, np.asarray(np.linalg.inv(to_srgb), dtype=np.float64))
    matrix = np.column_stack([to_srgb, np.zeros(3)])
    sampler = _Sampler(greys, to_srgb, matrix, None, None, 3.0, _light_spread(greys))
    used = patches.only(patches.grey).names
    table = greys.table().astype(np.float32)
    said = (GREYS_ONLY, *flags(sighting, greys, 0.0, 1.0, 0.0))
    u_ab = _skin_uncertainty(matrix, sampler)
    return ColourCorrection(table, matrix, "greys only", u_ab, float("nan"), greys, used, (), said, sampler)


def _uncorrected(to_srgb: Float64) -> ColourCorrection:
    greys = flat_light(_NO_PATCHES, to_srgb)
    matrix = np.column_stack([to_srgb, np.zeros(3)])
    sampler = _Sampler(greys, to_srgb, matrix, None, None, 4.0, 2 * LIGHT_SPREAD)
    table = greys.table().astype(np.float32)
    return ColourCorrection(
        table, matrix, "none", UNCORRECTED_U, float("nan"), greys, (), (), (UNCORRECTED,), sampler
    )


def _patch_light(patches: Patches, greys: GreyFit, tables: Float64, rng: np.random.Generator | None) -> Float64:
    """Return the patches' light (n, N, 3) through tables (n, 256, 3), evened out, with reading noise if asked."""
    position = np.clip(encode(patches.signal) * 255, 0, 255)
    low = np.minimum(position.astype(np.int64), 254)
    part, channel = position - low, np.arange(3)
    light = tables[:, low, channel] * (1 - part) + tables[:, low + 1, channel] * part
    if rng is not None:
        light = light * (1 + rng.normal(0, 1, light.shape) * patches.sd_mean / patches.signal)
    evened: Float64 = light * np.exp(greys.exposure) / greys.illumination(patches.place)
    return evened


def _print_errors(patches: Patches, agreement: float, n: int, rng: np.random.Generator) -> Float64:
    """Return CIELAB errors (n, N, 3) of the print: one cast in common, and each patch's own.

    The cast cannot be seen in the fit; the patches' own errors can, so their size follows the fit within limits.
    """
    least = patches.u_de00.min() / np.sqrt(3)
    cast = np.sqrt(SHARED_PRINT_VARIANCE) * least
    own = np.sqrt(np.maximum(patches.u_de00**2 / 3 - cast**2, 0)) * np.clip(agreement, 0.8, 1.5)
    chroma = np.hypot(patches.lab[:, 1], patches.lab[:, 2])
    hue = np.arctan2(patches.lab[:, 2], patches.lab[:, 1])
    lch = rng.normal(0, 1, (n, len(patches), 3))[:, patches.group] * own[:, None]  # twins are wrong alike
    radial, sideways = lch[..., 1] * (1 + 0.045 * chroma), lch[..., 2] * (1 + 0.015 * chroma)
    shift = np.stack(
        [
            lch[..., 0],
            radial * np.cos(hue) - sideways * np.sin(hue),
            radial * np.sin(hue) + sideways * np.cos(hue),
        ],
        axis=-1,
    )
    errors: Float64 = shift + cast * rng.normal(0, 1, (n, 1, 3))
    return errors


def _after(matrices: Float64, to_srgb: Float64) -> Float64:
    """Put affine matrices (n, 3, 4) behind the photo's primaries."""
    return np.asarray(np.concatenate([matrices[..., :3] @ to_srgb, matrices[..., 3:]], axis=-1), dtype=np.float64)


def _light_spread(greys: GreyFit) -> float:
    """Spread of channel ratios between card and fruit: what the card shows across itself, carried on."""
    return float(np.hypot(LIGHT_SPREAD, greys.tint_change / 2))


def _skin_uncertainty(matrix: Float64, sampler: _Sampler) -> float:
    """Standard uncertainty of a* and b* on typical pepper skin, from the draws."""
    square, offset = matrix[:, :3], matrix[:, 3]
    camera = (lab_to_linear(_SKINS) - offset) @ np.linalg.inv(square).T
    rng = np.random.default_rng(0)
    draws = sampler.draw(200, rng, frozenset(SOURCES))
    relative = apply(draws.matrices.astype(np.float64), camera[None])
    lab = relative_to_lab(relative.astype(np.float32))
    return float(np.sqrt((lab[..., 1:].astype(np.float64).var(axis=0)).mean()))
