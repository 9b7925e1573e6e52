"""Truelobe: sweet peppers measured from a photo with a printed scale card, turned into judging practice."""

__version__ = "0.1.0"
