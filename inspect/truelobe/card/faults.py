"""What can be wrong with a card in a photo, in plain words. Each limit has its reason beside it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from truelobe.card.layout import CardLayout
from truelobe.card.sighting import PatchReading
from truelobe.messages import Message, TruelobeError

FEWEST_CORNERS = 10  # 20 readings for 9 unknowns
_LEAST_SPREAD = 0.4  # of the board's area, spanned by the corners seen; less, and the pose hangs on a corner
_WHOLE = 0.8  # of the corners; fewer, and something lies on the card

# A card that lifts by h at distance b from its middle shifts there by b h / D in a photo from distance D.
# 0.6 mm over the board is half a percent, as much as an unmeasured print may be off; a quarter of it is told.
_BENT_MM, _FOLDED_MM = 0.15, 0.6
_BENT_PX = 0.5  # noise and blur alone stay well below

_SMALL_PX = 450.0  # across the card: a quarter pixel is then 0.06 % of it, and a patch has 25 pixels a side
_BLUR_MM = 0.45  # an outline between bright and dark moves by about a third of it: 0.3 mm on a diameter
_DARK = 0.10  # linear light of the lightest grey; the darkest step then has two or three bytes
_SHARP_PX = 1.3  # a sharp photo has 0.6 to 1; a small card in one is small, not blurred
_SLOPE = 0.35  # natural log of brightness from side to side: a lamp about half a meter from the card
_SHADE = 0.14  # natural log: a step of 15 % that no even slope explains
_MIXED = 0.10  # natural log of red or blue against green: two kinds of light

TWO_CARDS = Message(
    "card-two",
    "Two cards are in the picture; the one seen better was used.",
    "Leave one card in the picture, the one whose long lines you measured.",
)
PRINT_UNREAD = Message(
    "card-print-unread",
    "The small code that tells the print number could not be read, so no measured size belongs to this card.",
    "Keep the middle of the card free and sharp, or choose the print number by hand.",
)
NO_COLOUR = Message(
    "card-black-and-white",
    "The card's color patches have no color: a black-and-white print, or a photo without color. Sizes hold; color "
    "is corrected by the greys alone and is less sure.",
    "Print the card on a color printer for surer color.",
)


def not_found() -> TruelobeError:
    """No card."""
    return TruelobeError(
        "card-not-found",
        "No scale card was found in this photo, so nothing in it has a size.",
        "Lay the printed card flat beside the plate, all of it in the picture and in focus, and "
        "take the photo again.",
    )


def unknown_edition() -> TruelobeError:
    """A card whose code names an edition that is not in the calibration folder."""
    return TruelobeError(
        "card-unknown-edition",
        "The card in this photo is of an edition that this version does not know.",
        "Print a new card with this version, or install the newer version.",
    )


def too_little_seen(outline_px: NDArray[np.float64], size_px: tuple[int, int]) -> TruelobeError:
    """Too few saddle points: cut off when the card leaves the picture, else hidden or blurred."""
    if _outside(outline_px, size_px):
        return _cut_off()
    return TruelobeError(
        "card-hidden",
        "A card is there, but too little of its pattern can be seen: it is covered, blurred, "
        "very small or in glare.",
        "Take things off the card, wait for focus, avoid reflections, and take the photo again.",
    )


def _cut_off() -> TruelobeError:
    return TruelobeError(
        "card-cut-off",
        "Only part of the card is in the picture, too little to measure from.",
        "Step back or move the card so that all of it is in the picture.",
    )


def _outside(outline_px: NDArray[np.float64], size_px: tuple[int, int]) -> bool:
    return bool((outline_px < -1).any() or (outline_px > np.array(size_px)).any())


def check_view(
    layout: CardLayout, seen_mm: NDArray[np.float64], outline_px: NDArray[np.float64], size_px: tuple[int, int]
) -> tuple[Message, ...]:
    """Refuse a card seen by a corner only; flag one cut off or covered in part.

    Raises
    ------
    TruelobeError
        ``card-cut-off``, ``card-hidden``.
    """
    spread = float(np.prod(np.ptp(seen_mm, axis=0)) / np.prod(np.ptp(layout.charuco.corners_mm, axis=0)))
    if spread < _LEAST_SPREAD:
        raise too_little_seen(outline_px, size_px)
    if _outside(outline_px, size_px):
        return (
            Message(
                "card-partly-cut-off",
                "The edge of the card lies outside the picture. Sizes hold; some color patches may be missing.",
                "Next time, keep all of the card in the picture.",
            ),
        )
    if len(seen_mm) < _WHOLE * len(layout.charuco.corners_mm):
        return (
            Message(
                "card-covered",
                "Something lies on the card, or glare hides part of it. Sizes hold, but are a little less sure.",
                "Keep the card free and out of reflections.",
            ),
        )
    return ()


def check_flat(
    residuals_px: NDArray[np.float64],
    px_per_mm: NDArray[np.float64],
    bent_markers: int,
    blur_px: float,
    blur_mm: float,
) -> tuple[Message, ...]:
    """Refuse a folded card, flag a curled one.

    Raises
    ------
    TruelobeError
        ``card-folded``.
    """
    off_px = float(np.sqrt((residuals_px**2).sum(axis=1).mean()))
    off_mm = float(np.sqrt(((residuals_px**2).sum(axis=1) / px_per_mm**2).mean()))
    if bent_markers >= 2 or (off_mm > _FOLDED_MM and off_px > _BENT_PX):
        raise TruelobeError(
            "card-folded",
            "The card does not lie flat: it is folded or strongly curled, so its scale cannot be trusted.",
            "Press the card flat or glue it to something stiff, and take the photo again.",
        )
    # strong blur alone shifts the pattern's points: the markers beside them flow in
    if off_mm > _BENT_MM and off_px > _BENT_PX and not check_blur(blur_px, blur_mm):
        return (
            Message(
                "card-curled",
                f"The card does not lie quite flat: its pattern is off by {off_mm:.1f} mm. Sizes are less sure.",
                "Press the card flat or glue it to something stiff.",
            ),
        )
    return ()


def check_size(layout: CardLayout, outline_px: NDArray[np.float64]) -> tuple[Message, ...]:
    """Flag a card that is small in the picture."""
    sides = np.linalg.norm(outline_px - np.roll(outline_px, -1, axis=0), axis=1)
    across = float(np.sqrt(sides[[0, 2]].mean() * sides[[1, 3]].mean() * layout.size_mm[0] / layout.size_mm[1]))
    if across >= _SMALL_PX:
        return ()
    return (
        Message(
            "card-small",
            f"The card is small in the picture, about {across:.0f} pixels across, so sizes and "
            "color are less sure.",
            "Go closer, so that plate and card fill the picture.",
        ),
    )


def check_blur(blur_px: float, blur_mm: float) -> tuple[Message, ...]:
    """Flag a picture that is not sharp at the card."""
    if blur_mm <= _BLUR_MM or blur_px <= _SHARP_PX:
        return ()
    return (
        Message(
            "photo-blurred",
            "The photo is not sharp at the card: the outlines of the peppers are less sure.",
            "Hold the phone still, tap on the card to focus, use more light.",
        ),
    )


def check_patches(layout: CardLayout, readings: tuple[PatchReading, ...], left_out: int) -> tuple[Message, ...]:
    """Flag patches that are hidden or clipped."""
    messages: tuple[Message, ...] = ()
    if left_out:
        messages += (
            Message(
                "card-patches-left-out",
                f"{left_out} of the card's {len(layout.patches)} patches are hidden, uneven or "
                "too small to read and "
                "were left out.",
                "Keep the card free, out of reflections and whole in the picture.",
            ),
        )
    clipped = [reading.name for reading in readings if reading.clipped]
    lightest = any(name.startswith("grey-1-") for name in clipped)
    if lightest or len(clipped) > len(layout.patches) // 6:
        messages += (
            Message(
                "card-patches-clipped",
                f"{len(clipped)} of the card's patches are too bright or too dark for the photo "
                "to hold their color.",
                "Tap on the card to set the exposure, or use softer light.",
            ),
        )
    return messages


def check_exposure(readings: tuple[PatchReading, ...]) -> tuple[Message, ...]:
    """Flag a dark photo."""
    light = [float(reading.linear.mean()) for reading in readings if reading.name.startswith("grey-1-")]
    if not light or max(light) >= _DARK:
        return ()
    return (
        Message(
            "photo-dark",
            "The photo is very dark: colors drown in noise and sizes are less sure.",
            "Use more light, or tap on the card to set the exposure.",
        ),
    )


def check_light(layout: CardLayout, readings: tuple[PatchReading, ...]) -> tuple[Message, ...]:
    """Compare the grey ladders of the two sides: uneven, shaded or mixed light.

    Notes
    -----
    The ladders run in opposite directions, so equal steps lie left and right at different heights: a slope of the
    light across and one down the card both follow from the eight log ratios, and what they leave is a
    shadow's edge. Steps darker than a tenth of the light are left out: flare counts for too much there.
    """
    found = {r.name: r for r in readings if not r.clipped}
    pairs = []
    for patch in layout.patches:
        if patch.kind == "grey" and patch.side == "left":
            left, right = found.get(patch.name), found.get(f"grey-{patch.step}-right")
            if left and right and min(left.linear.min(), right.linear.min()) > 0.03:
                shift = np.subtract(layout.patch(right.name).centre_mm, patch.centre_mm)
                pairs.append((shift / layout.size_mm, np.log(right.linear / left.linear)))
    if len(pairs) < 4:
        return ()
    shifts, ratios = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    bright = ratios.mean(axis=1)
    slope = np.linalg.lstsq(shifts, bright, rcond=None)[0]
    left_over = bright - shifts @ slope
    mixed = np.abs(np.median(ratios[:, [0, 2]] - ratios[:, [1]], axis=0)).max()
    messages: tuple[Message, ...] = ()
    if np.abs(left_over).max() > _SHADE:
        messages += (_SHADED,)
    elif np.abs(slope).max() > _SLOPE:
        messages += (_SLOPED,)
    if mixed > _MIXED:
        messages += (_TWO_LIGHTS,)
    return messages


_SHADED = Message(
    "card-shaded",
    "The grey steps on the two sides of the card disagree: a shadow or a reflection lies on it. "
    "Color is less sure.",
    "Move so that neither you nor the phone casts a shadow on card or plate.",
)
_SLOPED = Message(
    "light-uneven",
    "The light is clearly stronger on one side of the card than on the other. Color is less sure.",
    "Use daylight from a window or a ceiling lamp rather than a near lamp.",
)
_TWO_LIGHTS = Message(
    "light-mixed",
    "The two sides of the card are lit by light of different color, for example a window and a "
    "lamp. Color is less "
    "sure.",
    "Use one kind of light.",
)
