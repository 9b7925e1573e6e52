"""The printed scale card: its layout as data, drawing it, finding it in a photo, and the true size of a print."""

from truelobe.card.draw import PAPER_MM, CardPicture, Paper, card_pdf, card_png
from truelobe.card.layout import CardLayout, Patch, load_layout

__all__ = ["PAPER_MM", "CardLayout", "CardPicture", "Paper", "Patch", "card_pdf", "card_png", "load_layout"]
