"""How large a printout really is: two bars measured by hand, kept with its print number.

Printers feed the paper and sweep across it by different mechanisms, so each direction has its own scale;
"fit to page" shrinks both by 3 to 6 % (an A4 file on Letter paper: 94.1 %; a Letter file on A4: 97.3 %, from the
sheets' sizes).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from truelobe.card.layout import CardLayout
from truelobe.messages import Message, TruelobeError
from truelobe.units import inches, millimetres

TOLD_ABOVE = 0.005  # what a print never measured is taken to be good for
FIT_TO_PAGE = (0.025, 0.065)
IMPOSSIBLE = 0.12  # no print setting that keeps the card on the sheet does this


@dataclass(frozen=True)
class PrintScale:
    """True length over nominal length of one printout.

    Attributes
    ----------
    across, down : float
        Along the card's x and y: a nominal millimetre is this many millimetres long.
    u_across, u_down : float
        Standard uncertainty of each.
    source : {"measured", "assumed"}
    messages : tuple of Message
        What to tell about this print.
    """

    across: float
    down: float
    u_across: float
    u_down: float
    source: Literal["measured", "assumed"]
    messages: tuple[Message, ...] = ()


UNMEASURED = PrintScale(
    1.0,
    1.0,
    TOLD_ABOVE,
    TOLD_ABOVE,
    "assumed",
    (
        Message(
            "print-not-measured",
            "This printout was never measured, so it counts as actual size, give or take 1 %.",
            "Measure both long lines on the card and enter them under its print number.",
        ),
    ),
)


def scale_from_bars(
    layout: CardLayout, across: float, down: float, u: float = 0.3, *, unit: Literal["mm", "in"] = "mm"
) -> PrintScale:
    """Return a printout's scale from its two measured bars.

    Parameters
    ----------
    layout : CardLayout
        Says how long the bars should be.
    across, down : float
        Readings of the long line along the card's width and of the one along its height.
    u : float
        Standard uncertainty of one reading. 0.3 mm: a ruler with millimetre marks read to the nearest mark,
        1 mm / sqrt(12) (JCGM 100:2008, F.2.2.1). An inch ruler with sixteenths: 0.02 in.
    unit : {"mm", "in"}
        Of the readings and of `u`.

    Raises
    ------
    TruelobeError
        ``print-reading`` when a reading cannot be one of this card's bars.
    """
    if unit == "in":
        across, down, u = millimetres(across), millimetres(down), millimetres(u)
    ratios = []
    for reading, bar, name in ((across, layout.across, "across"), (down, layout.down, "down")):
        ratio = reading / bar.length_mm
        if not math.isfinite(ratio) or abs(ratio - 1) > IMPOSSIBLE:
            raise TruelobeError(
                "print-reading",
                f"{reading:.1f} mm ({inches(reading):.2f} in) cannot be the long line {name}: it should be near "
                f"{bar.length_mm:.1f} mm ({inches(bar.length_mm):.2f} in).",
                "Measure that line again, from the middle of one end mark to the middle of the other, and check "
                "whether you read millimeters or inches.",
            )
        ratios.append(ratio)
    if not 0 < u <= 3:
        raise TruelobeError(
            "print-reading",
            f"A ruler that is uncertain by {u:g} mm cannot check this card.",
            "Use a ruler with millimeter or sixteenth-inch marks.",
        )
    return PrintScale(
        ratios[0],
        ratios[1],
        u / layout.across.length_mm,
        u / layout.down.length_mm,
        "measured",
        _messages(ratios[0], ratios[1]),
    )


def _messages(across: float, down: float) -> tuple[Message, ...]:
    off = max(across - 1, down - 1, key=abs)
    if abs(off) <= TOLD_ABOVE:
        return ()
    both = f"{100 * (across - 1):+.1f} % across, {100 * (down - 1):+.1f} % down"
    if all(FIT_TO_PAGE[0] <= 1 - ratio <= FIT_TO_PAGE[1] for ratio in (across, down)):
        return (
            Message(
                "print-fit-to-page",
                f"This print is smaller than it should be ({both}), as when a printer fits the "
                "sheet to the page. The "
                "readings correct for it.",
                "Better print again at actual size (100 %), with a new print number.",
            ),
        )
    return (
        Message(
            "print-off-size",
            f"This print is off its size ({both}). The readings correct for it.",
            "Check both readings once more; print again at actual size (100 %) if you can.",
        ),
    )
