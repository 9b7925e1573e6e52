"""How much of the skin that a photo shows is not fully colored, and how sure that is.

Skin counts by its area on the pepper, not by pixels. Each line of the budget is sampled alone, by measuring the
same skin again with only that input moved; the figure joins their deviations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.colour.correction import ColourCorrection, Source
from truelobe.colour.naming import GREEN, OwnEnds, from_polar, name_colour, own_ends, polar, redone
from truelobe.colour.references import ColourReference, References
from truelobe.colour.ripeness import RipenessScale
from truelobe.colour.skin import Skin, read_skin, skin_weight
from truelobe.figures import Contribution, Figure, SharedBy, from_draws
from truelobe.messages import Message

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

WORK_PIXELS: Final = 60_000
"""A pepper is read at a size of about this many pixels; more only average the same skin."""

SAMPLE: Final = 1_200
DRAWS: Final = 48
LEAST_SKIN: Final = 60
EDGE_PX: Final = 1.0
"""Standard uncertainty of the outline, in pixels of the photo, when the caller knows no better."""

PATH_SD: Final = 0.04
"""How far, in ripeness, the true midpoint may lie from that of a straight line in CIELAB: standard deviation over
mixing the same two skins in CIELAB, in linear light and in log reflectance (as pigments do)."""

LEFT_OUT_MOST: Final = 0.35


@dataclass(frozen=True)
class Coverage:
    """What one photo says of a pepper's color.

    Attributes
    ----------
    figure : Figure or None
        Share of the visible skin not fully colored, 0..1; None when no reference fits or too little skin is seen.
    colour : str
        Color the pepper was judged as.
    counted : bool (h, w)
        Skin counted as not fully colored.
    left_out : bool (h, w)
        Skin not read: highlights, blemishes, skin in deep shade.
    messages : tuple of Message
    all_green : bool
        Nearly all skin is green: fully colored on a green plate, unripe on any other. The caller knows the plate.
    """

    figure: Figure | None
    colour: str
    counted: Bool
    left_out: Bool
    messages: tuple[Message, ...]
    all_green: bool = False


def measure_coverage(
    pixels: NDArray[np.uint8],
    body: Bool,
    calyx: Bool,
    stem: Bool,
    skin_mm2: Float32,
    facing: Float32,
    correction: ColourCorrection,
    references: References,
    colour: str | None = None,
    line: float = 0.5,
    *,
    edge_px: float = EDGE_PX,
    seed: int = 0,
) -> Coverage:
    """Measure the share of the visible skin that is not fully colored.

    Parameters
    ----------
    pixels : uint8 (h, w, 3)
        The pepper's box, as the photo holds it.
    body, calyx, stem : bool (h, w)
        The body includes the calyx, which is left out here, as is the stem.
    skin_mm2 : float32 (h, w)
        Skin area that a pixel stands for.
    facing : float32 (h, w)
        Cosine of the skin's direction to the camera.
    correction : ColourCorrection
    references : References
    colour : str or None
        Declared color; None lets the skin speak.
    line : float
        Ripeness from which skin is fully colored.
    edge_px : float
        Standard uncertainty of the outline, pixels of the photo.
    seed : int
        Of the draws; the same photo gives the same figure.
    """
    mask = np.asarray(body & ~calyx & ~stem, dtype=np.bool_)
    nothing = np.zeros(mask.shape, dtype=np.bool_)
    view = _reduced(pixels, mask, skin_mm2, facing, correction)
    if int(view.mask.sum()) < LEAST_SKIN or not view.weight.any():
        return Coverage(None, colour or "unknown", nothing, nothing, (_TOO_LITTLE,))
    shown = colour or name_colour(view.lab[view.mask], view.weight[view.mask], references)
    all_green = shown == GREEN or name_colour(view.lab[view.mask], view.weight[view.mask], references) == GREEN
    pair = references.of(shown)
    if pair is None:
        return Coverage(None, shown, nothing, nothing, (_no_reference(shown),), all_green)
    reading = _Reading.of(view, pair, line)
    if not reading.skin.sound.any():
        return Coverage(None, shown, nothing, mask, (_TOO_LITTLE,), all_green)
    figure = _figure(view, reading, correction, edge_px / view.shrunk, np.random.default_rng(seed))
    counted = _enlarged(np.where(reading.skin.sound, line - reading.ripeness, -1), mask) & mask
    left_out = _enlarged(np.where(reading.skin.left_out, 1.0, -1.0), mask) & mask
    return Coverage(figure, shown, counted & ~left_out, left_out, tuple(_messages(reading)), all_green)


@dataclass(frozen=True)
class _View:
    """The pepper at working size."""

    pixels: NDArray[np.uint8]
    mask: Bool
    weight: Float32
    lab: Float32
    shrunk: float


@dataclass(frozen=True)
class _Reading:
    """Skin, ripeness and the pepper's own references."""

    pair: ColourReference
    line: float
    ends: OwnEnds
    skin: Skin
    ripeness: Float32

    @classmethod
    def of(cls, view: _View, pair: ColourReference, line: float) -> _Reading:
        plain = RipenessScale(np.array(pair.unripe.lab), np.array(pair.ripe.lab))
        _, strength = plain.place(view.lab)
        skin = read_skin(view.mask, view.lab[..., 0], strength, view.weight)
        where = skin.sound if skin.sound.any() else view.mask
        ends = own_ends(view.lab[where], view.weight[where], pair)
        ripeness, strength = ends.scale.place(view.lab)
        skin = read_skin(view.mask, view.lab[..., 0], strength, view.weight)
        where = skin.sound if skin.sound.any() else view.mask
        ends = own_ends(view.lab[where], view.weight[where], pair)
        ripeness, _ = ends.scale.place(view.lab)
        return cls(pair, line, ends, skin, ripeness)

    def share(self, where: Bool, weight: Float32) -> float:
        """Share of the skin at `where` that lies below the line."""
        total = float(weight[where].sum())
        return float(weight[where & (self.ripeness < self.line)].sum()) / total if total > 0 else 0.0


def _reduced(
    pixels: NDArray[np.uint8], mask: Bool, skin_mm2: Float32, facing: Float32, correction: ColourCorrection
) -> _View:
    """Bring the box to working size; a pixel there is skin when nearly all of it was."""
    weight = skin_weight(mask, skin_mm2, facing)
    count = int(mask.sum())
    shrunk = max(1.0, float(np.sqrt(count / WORK_PIXELS)))
    if shrunk > 1.2:
        height, width = mask.shape
        size = (max(1, round(width / shrunk)), max(1, round(height / shrunk)))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        weight = np.asarray(cv2.resize(weight, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
        mask = np.asarray(cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9)
        weight = np.where(mask, weight, 0).astype(np.float32)
    else:
        shrunk = 1.0
    return _View(pixels, mask, weight, correction.to_lab(pixels), shrunk)


def _enlarged(level: NDArray[np.floating], like: Bool) -> Bool:
    """Bring a level back to full size and tell where it is above zero."""
    if level.shape == like.shape:
        return np.asarray(level > 0, dtype=np.bool_)
    height, width = like.shape
    full = cv2.resize(level.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full > 0, dtype=np.bool_)


def _figure(
    view: _View, reading: _Reading, correction: ColourCorrection, edge: float, rng: np.random.Generator
) -> Figure:
    """Join the deviations that each uncertain input causes alone."""
    value = reading.share(reading.skin.sound, view.weight)
    deviations, budget = np.zeros(DRAWS * 4), []
    for source, shared_by, sample in _lines(view, reading, correction, edge):
        drawn = sample(rng)
        budget.append(Contribution(source, float(drawn.std(ddof=1)), shared_by))
        deviations = deviations + rng.permutation(np.resize(drawn, deviations.size))
    return from_draws(np.clip(value + deviations, 0, 1), budget, value=value)


Line = tuple[str, SharedBy, Callable[[np.random.Generator], Float64]]


def _lines(view: _View, reading: _Reading, correction: ColourCorrection, edge: float) -> list[Line]:
    """Return the budget: what is uncertain, who shares it, and how to draw the change of the share it causes."""
    sampled = _Sampled.of(view, reading)

    def colours(source: Source) -> Callable[[np.random.Generator], Float64]:
        return lambda rng: sampled.other_colours(correction, source, rng)

    return [
        ("color line", "photo", sampled.other_lines),
        ("color patches", "print", colours("patches")),
        ("camera color", "camera", colours("camera")),
        ("light", "photo", colours("light")),
        ("edge", "pepper", lambda rng: rng.normal(0, abs(edge_effect(view, reading, edge)), DRAWS)),
        ("blemish or highlight", "pepper", lambda rng: rng.normal(0, left_out_effect(view, reading), DRAWS)),
    ]


def edge_effect(view: _View, reading: _Reading, edge: float) -> float:
    """Return the change of the share when the outline lies `edge` working pixels further in."""
    depth = cv2.distanceTransform(view.mask.astype(np.uint8), cv2.DIST_L2, 3)
    band = max(edge, 1.0)
    inner = reading.skin.sound & (depth > band)
    if not inner.any():
        return 0.0
    moved = reading.share(inner, view.weight) - reading.share(reading.skin.sound, view.weight)
    return moved * edge / band


def left_out_effect(view: _View, reading: _Reading) -> float:
    """Return the doubt from skin left out: half the change if it were counted as it looks, and its own chance."""
    share = reading.share(reading.skin.sound, view.weight)
    out = reading.skin.highlight | reading.skin.blemish
    total = float(view.weight[reading.skin.sound | out].sum())
    part = float(view.weight[out].sum()) / total if total > 0 else 0.0
    looks = reading.share(reading.skin.sound | out, view.weight)
    return float(np.hypot(0.5 * (looks - share), 0.25 * part * np.sqrt(share * (1 - share))))


@dataclass(frozen=True)
class _Sampled:
    """A sample of the skin, so that measuring it again under many draws stays cheap."""

    pixels: NDArray[np.uint8]
    lab: Float32
    weight: Float32
    ends: OwnEnds
    pair: ColourReference
    line: float
    share: float

    @classmethod
    def of(cls, view: _View, reading: _Reading) -> _Sampled:
        rows = np.flatnonzero(reading.skin.sound)
        keep = np.linspace(0, len(rows) - 1, min(SAMPLE, len(rows))).astype(int)
        chosen = rows[keep]
        ends = OwnEnds(
            reading.ends.scale,
            reading.ends.ripe_sd,
            reading.ends.unripe_sd,
            reading.ends.ripe_pixels[keep],
            reading.ends.unripe_pixels[keep],
        )
        lab, weight = view.lab.reshape(-1, 3)[chosen], view.weight.ravel()[chosen]
        sampled = cls(view.pixels.reshape(-1, 3)[chosen], lab, weight, ends, reading.pair, reading.line, 0.0)
        share = sampled._share(redone(sampled.ends, lab, weight, reading.pair), lab, reading.line)
        return cls(sampled.pixels, lab, weight, ends, reading.pair, reading.line, share)

    def other_lines(self, rng: np.random.Generator) -> Float64:
        """Changes of the share when the references, and the way between them, are as uncertain as they are."""
        out = np.empty(DRAWS)
        for k in range(DRAWS):
            ripe = _moved(self.ends.scale.ripe, self.ends.ripe_sd, rng)
            unripe = _moved(self.ends.scale.unripe, self.ends.unripe_sd, rng)
            line = self.line + rng.normal(0, PATH_SD)
            out[k] = self._share(RipenessScale(unripe, ripe), self.lab, line) - self.share
        return out

    def other_colours(self, correction: ColourCorrection, source: Source, rng: np.random.Generator) -> Float64:
        """Changes of the share when one part of the color correction is as uncertain as it is."""
        labs = correction.draws(DRAWS, rng, (source,)).to_lab(self.pixels)
        shares = [self._share(redone(self.ends, lab, self.weight, self.pair), lab, self.line) for lab in labs]
        return np.array(shares) - self.share

    def _share(self, scale: RipenessScale, lab: Float32, line: float) -> float:
        below = scale.place(lab)[0] < line
        return float(self.weight[below].sum() / max(float(self.weight.sum()), 1e-9))


def _moved(lab: Float64, sd: Float64, rng: np.random.Generator) -> Float64:
    lightness, chroma, hue = polar(lab)
    return from_polar(lightness, max(chroma + rng.normal(0, sd[0]), 1.0), hue + rng.normal(0, sd[1]))


_TOO_LITTLE: Final = Message(
    "colour-too-little-skin",
    "Too little skin of this pepper can be read to say how much of it is fully colored.",
    "Turn the pepper so that the camera sees more of it, and take another photo.",
)


def _no_reference(colour: str) -> Message:
    return Message(
        "colour-no-reference",
        f"This pepper reads as {colour}, and nobody has said yet what a fully colored {colour} pepper looks like.",
        "Declare its color, or make a reference from a pepper you call fully colored.",
        "note",
    )


def _messages(reading: _Reading) -> list[Message]:
    skin = reading.skin
    total = float(skin.weight.sum())
    part = float(skin.weight[skin.left_out].sum()) / total if total > 0 else 0.0
    if part <= LEFT_OUT_MOST:
        return []
    return [
        Message(
            "colour-much-left-out",
            f"About {round(100 * part)} percent of this pepper's skin is highlight, blemish or deep shade.",
            "Light the plate softly from two sides, without flash, and take another photo.",
        )
    ]
