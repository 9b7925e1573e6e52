"""What the tool says about the light and the card's patches."""

from __future__ import annotations

from typing import Final

import numpy as np

from truelobe.colour.curve import GreyFit
from truelobe.colour.patches import GREY_CHROMA, CardSighting
from truelobe.messages import Message

UNEVEN_FROM: Final = 1.5
MIXED_FROM: Final = 0.12
CLIPPED_SHARE: Final = 0.1
POOR_FIT: Final = 1.6
DOUBTED_SHARE: Final = 0.25

GREYS_ONLY: Final = Message(
    "colour-greys-only",
    "Only the card's grey patches could be used: white balance and brightness are corrected, the camera's own way "
    "of seeing color is not. Coverage is less sure.",
    "Print the card in color, or compare with references photographed on this same setup.",
)
UNCORRECTED: Final = Message(
    "colour-uncorrected",
    "Too few of the card's patches could be read, so the colors are the camera's own and may be far off.",
    "Keep the whole card in the picture, free of shadow and glare, and take the photo again.",
)


def flags(
    sighting: CardSighting, greys: GreyFit, left_out: float, expected: float, doubted: float
) -> list[Message]:
    """Say what is wrong with the light or the card."""
    said: list[Message] = []
    strong = {patch.name for patch in sighting.layout.patches if np.hypot(*patch.lab[1:]) >= GREY_CHROMA}
    clipped = sum(patch.clipped for patch in sighting.patches if patch.name in strong)
    if clipped > CLIPPED_SHARE * max(len(strong), 1):
        said.append(
            Message(
                "colour-clipped",
                f"{clipped} of the card's {len(strong)} colored patches are stronger than this photo can hold, "
                "so they count less; skin as strong in color is read less surely.",
                "Switch off vivid picture styles and filters, and take the photo a little darker.",
                "note",
            )
        )
    if greys.unevenness > UNEVEN_FROM:
        said.append(
            Message(
                "light-uneven",
                f"One end of the card gets {greys.unevenness:.1f} times the light of the other.",
                "Move the plate away from the lamp or window, or light it from two sides.",
            )
        )
    if greys.tint_change - 2 * greys.tint_sd > MIXED_FROM:
        said.append(
            Message(
                "light-mixed",
                "The light changes color across the card, as when daylight meets lamp light.",
                "Switch the lamp off, or close the curtain, so that only one kind of light is left.",
            )
        )
    if left_out > POOR_FIT * expected or doubted > DOUBTED_SHARE:
        said.append(
            Message(
                "colour-fit-poor",
                f"The card's patches do not fit together (typical error {left_out:.1f} CIEDE2000): shadow or "
                "glare on the card, a stained print, or a picture style that changes colors.",
                "Lay the card flat in the same light as the peppers; switch off filters, HDR and portrait mode.",
            )
        )
    return said
