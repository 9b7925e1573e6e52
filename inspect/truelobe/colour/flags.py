"""What the tool says about the light and the card's patches."""

from __future__ import annotations

from typing import Final

from truelobe.colour.curve import GreyFit
from truelobe.colour.patches import CardSighting
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
    clipped = sum(patch.clipped for patch in sighting.patches)
    if clipped > CLIPPED_SHARE * max(len(sighting.patches), 1):
        said.append(
            Message(
                "colour-clipped",
                f"{clipped} of the card's patches ran into full white or full black, so bright skin may have too.",
                "Take the photo again a little darker, without flash.",
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
