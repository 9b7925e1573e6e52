"""How much of the skin that a photo shows is not fully colored, and how sure that is.

Skin counts by its area on the pepper, not by pixels. The steps: the box at working size (`reading`), sound skin
apart from marks (`skin`), a name for the color and the pepper's own references (`naming`), ripeness (`ripeness`),
and the uncertainty (`budget`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from truelobe.colour.budget import figure_of
from truelobe.colour.correction import ColourCorrection
from truelobe.colour.naming import GREEN, name_colour
from truelobe.colour.reading import Reading, View, enlarged, read, view_at_working_size
from truelobe.colour.references import References
from truelobe.colour.ripeness import SkinColour, skin_colour
from truelobe.figures import Figure, mixture
from truelobe.messages import Message

Bool = NDArray[np.bool_]
Float32 = NDArray[np.float32]

LEAST_SKIN: Final = 60
EDGE_PX: Final = 1.0
"""Standard uncertainty of the outline, in pixels of the photo, when the caller knows no better."""

NAMED_FROM_FACING: Final = 0.55
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
        Highlights and blemishes: left out of both sides.
    messages : tuple of Message
    all_green : bool
        Nearly all skin is green: fully colored on a green plate, unripe on any other. The caller knows the plate.
    other: str or None
        Color that it may be instead, when that is nearly as likely; the figure holds both.
    probability : float
        Of `colour` against `other`.
    """

    figure: Figure | None
    colour: str
    counted: Bool
    left_out: Bool
    messages: tuple[Message, ...]
    all_green: bool = False
    other: str | None = None
    probability: float = 1.0


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
    view = view_at_working_size(pixels, mask, skin_mm2, facing, correction, body | calyx | stem)
    if int(view.read.sum()) < LEAST_SKIN or not np.nan_to_num(view.skin_mm2[view.read]).any():
        return Coverage(None, colour or "unknown", nothing, nothing, (_TOO_LITTLE,))
    named = name_colour(*_squarely_seen(view, correction), references)
    shown, all_green = colour or named.colour, named.colour == GREEN
    pair = references.of(shown)
    if pair is None:
        return Coverage(None, shown, nothing, nothing, (_no_reference(shown),), all_green)
    reading = read(view, pair)
    if int(reading.skin.sound.sum()) < LEAST_SKIN:
        return Coverage(None, shown, nothing, mask, (_TOO_LITTLE,), all_green)
    rng = np.random.default_rng(seed)
    figure = figure_of(view, reading, correction, line, edge_px / view.shrunk, rng)
    counted, left_out = _masks(reading, line, mask)
    said = _messages(reading)
    second = references.of(named.other) if colour is None and named.other else None
    if second is None:
        return Coverage(figure, shown, counted, left_out, said, all_green)
    again = figure_of(view, read(view, second), correction, line, edge_px / view.shrunk, rng)
    figure = mixture(figure, again, named.probability, "color name")
    said = (*said, _unsure_name(shown, str(named.other)))
    return Coverage(figure, shown, counted, left_out, said, all_green, named.other, named.probability)


def _squarely_seen(view: View, correction: ColourCorrection) -> tuple[Float32, SkinColour, Float32]:
    """Return CIELAB, skin color and area of skin that faces the camera: slantwise it mirrors the table's color."""
    square = view.read & (view.facing > NAMED_FROM_FACING)
    chosen = square if int(square.sum()) >= LEAST_SKIN else view.read
    around = None if view.around is None else view.around.at(np.flatnonzero(chosen))
    lab = correction.cautious.to_lab(view.pixels[chosen], around)
    return lab, skin_colour(lab), np.maximum(np.nan_to_num(view.skin_mm2[chosen]), 0)


def _masks(reading: Reading, line: float, mask: Bool) -> tuple[Bool, Bool]:
    """Return at full size what was counted and what was left out; the rim shows what was said for it."""
    spoken = reading.area.nearest
    out = reading.skin.marked.ravel()[spoken]
    below = np.where(reading.skin.sound, line - reading.ripeness, np.float32(-1)).ravel()[spoken]
    left_out = enlarged(np.where(out, np.float32(1), np.float32(-1)), mask) & mask
    counted = enlarged(below, mask) & mask & ~left_out
    return counted, left_out


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


def _unsure_name(colour: str, other: str) -> Message:
    return Message(
        "colour-name-unsure",
        f"This pepper reads as {colour}, but it may be {other}, and what counts as fully colored differs.",
        "Say which color it is.",
    )


def _messages(reading: Reading) -> tuple[Message, ...]:
    unread = reading.skin.marked | reading.skin.unread
    part = float(unread.sum()) / max(int((unread | reading.skin.sound).sum()), 1)
    if part <= LEFT_OUT_MOST:
        return ()
    return (
        Message(
            "colour-much-left-out",
            f"About {round(100 * part)} percent of this pepper's skin is highlight, blemish or deep shade.",
            "Light the plate softly from two sides, without flash, and take another photo.",
        ),
    )
