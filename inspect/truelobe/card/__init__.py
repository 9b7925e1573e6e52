"""The printed scale card: its layout as data, drawing it, finding it in a photo, and the true size of a print."""

from truelobe.card.draw import PAPER_MM, CardPicture, Paper, card_pdf, card_png
from truelobe.card.find import find_card
from truelobe.card.layout import CardLayout, Patch, load_layout
from truelobe.card.plane import Plane
from truelobe.card.prints import UNMEASURED, PrintScale, scale_from_bars
from truelobe.card.sighting import CardSighting, PatchReading

__all__ = [
    "PAPER_MM",
    "UNMEASURED",
    "CardLayout",
    "CardPicture",
    "CardSighting",
    "Paper",
    "Patch",
    "PatchReading",
    "Plane",
    "PrintScale",
    "card_pdf",
    "card_png",
    "find_card",
    "load_layout",
    "scale_from_bars",
]
