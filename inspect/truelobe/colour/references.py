"""What "fully colored" and "unripe" mean for each color of pepper: data with source, for the team to replace.

The shipped values are `calibration/colour/references.json`; that folder's README describes the fields.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from truelobe.data import data_path
from truelobe.messages import TruelobeError

Float64 = NDArray[np.float64]
SCHEMA: Final = 1


@dataclass(frozen=True)
class Reference:
    """One end of ripeness.

    Attributes
    ----------
    lab : tuple of float
        CIELAB (D65, 2 degrees) of sound skin without shading or gloss.
    spread : tuple of float
        Standard deviation between peppers: L*, C*, hue angle in degrees.
    source : str
        Where the value comes from.
    """

    lab: tuple[float, float, float]
    spread: tuple[float, float, float]
    source: str

    def __post_init__(self) -> None:
        numbers = (*self.lab, *self.spread)
        if len(numbers) != 6 or not np.isfinite(numbers).all():
            raise _unreadable("a reference needs three CIELAB values and three spreads")
        if not 0 < self.lab[0] <= 100 or max(map(abs, self.lab[1:])) > 150 or min(self.spread) <= 0:
            raise _unreadable(
                "L* lies between 0 and 100, a* and b* between -150 and 150, and spreads are above zero"
            )

    def document(self) -> dict[str, Any]:
        """Return the reference as it stands in the file."""
        return {"lab": list(self.lab), "spread": list(self.spread), "source": self.source}


@dataclass(frozen=True)
class ColourReference:
    """Both ends of ripeness for one color of pepper, and what the unripe end means where it is not green skin."""

    ripe: Reference
    unripe: Reference
    unripe_means: str = "green skin"

    def document(self) -> dict[str, Any]:
        """Return the pair as it stands in the file."""
        return {
            "ripe": self.ripe.document(),
            "unripe": self.unripe.document(),
            "unripe_means": self.unripe_means,
        }


@dataclass(frozen=True)
class References:
    """All references in use.

    Attributes
    ----------
    edition : str
        Name of the set, kept with every record.
    colours : mapping of str to ColourReference
    """

    edition: str
    colours: Mapping[str, ColourReference] = field(default_factory=dict)

    def of(self, colour: str) -> ColourReference | None:
        """Return the pair for a color, or None when nobody has given one."""
        return self.colours.get(colour)

    def with_team(
        self, colour: str, lab: ArrayLike, spread: ArrayLike, note: str, *, end: str = "ripe"
    ) -> References:
        """Return a set in which a color's reference is the team's own.

        Parameters
        ----------
        colour : str
            A color in the set, or a new one ("purple"); a new one starts with the unripe end of green skin.
        lab, spread : array_like (3,)
            As `reference_from_skin` returns them.
        note : str
            Which peppers, which day: the source from now on.
        end : {"ripe", "unripe"}
        """
        value, sd = np.asarray(lab, dtype=np.float64).ravel(), np.asarray(spread, dtype=np.float64).ravel()
        if value.size != 3 or sd.size != 3:
            raise _unreadable("a reference needs three CIELAB values and three spreads")
        own = Reference(
            (float(value[0]), float(value[1]), float(value[2])),
            (float(sd[0]), float(sd[1]), float(sd[2])),
            f"The team's own: {note}",
        )
        pair = self.colours.get(colour)
        if pair is None:
            if not self.colours:
                raise _unreadable("the set is empty")
            pair = ColourReference(own, self.colours.get("red", next(iter(self.colours.values()))).unripe)
        pair = replace(pair, ripe=own) if end == "ripe" else replace(pair, unripe=own)
        edition = self.edition if self.edition.endswith("+team") else f"{self.edition}+team"
        return References(edition, {**self.colours, colour: pair})

    def document(self) -> dict[str, Any]:
        """Return the set as it stands in the file."""
        colours = {name: pair.document() for name, pair in self.colours.items()}
        return {"schema": SCHEMA, "edition": self.edition, "colours": colours}


def load_references(path: Path | None = None) -> References:
    """Read a set of references; without a path, the shipped one.

    Raises
    ------
    TruelobeError
        ``references-unreadable`` when the file is not such a set.
    """
    file = data_path("calibration", "colour", "references.json") if path is None else path
    try:
        written = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise _unreadable(str(problem)) from problem
    return references_from_document(written)


def references_from_document(written: Any) -> References:
    """Read a set from its document.

    Raises
    ------
    TruelobeError
        ``references-unreadable``.
    """
    if not isinstance(written, dict) or written.get("schema") != SCHEMA:
        raise _unreadable(f"schema {SCHEMA} was expected")
    try:
        colours = {
            str(name): ColourReference(
                _reference(pair["ripe"]), _reference(pair["unripe"]), str(pair.get("unripe_means", "green skin"))
            )
            for name, pair in written["colours"].items()
        }
        return References(str(written["edition"]), colours)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise _unreadable(f"a field is missing or of the wrong kind ({problem})") from problem


def reference_from_skin(lab: ArrayLike) -> tuple[Float64, Float64]:
    """Make a reference from pixels of peppers that a coach calls fully colored (or unripe).

    Shaded and glossy pixels are in it; the middle of the hue, the upper part of chroma at given lightness and of
    lightness itself stand for the skin.

    Parameters
    ----------
    lab : array_like (N, 3)
        Corrected CIELAB of the skin, at least 50 pixels.

    Returns
    -------
    lab : float64 (3,)
    spread : float64 (3,)
        L*, C*, hue angle in degrees; never narrower than a card correction can hold (2, 3, 2).

    Raises
    ------
    TruelobeError
        ``reference-too-small``.
    """
    pixels = np.asarray(lab, dtype=np.float64).reshape(-1, 3)
    pixels = pixels[np.isfinite(pixels).all(axis=1) & (pixels[:, 0] > 5)]
    if len(pixels) < 50:
        raise TruelobeError(
            "reference-too-small",
            "There is too little skin to make a color reference from.",
            "Mark a larger part of the pepper.",
        )
    chroma = np.hypot(pixels[:, 1], pixels[:, 2])
    hue = np.arctan2(pixels[:, 2], pixels[:, 1])
    middle = np.angle(np.exp(1j * hue)[chroma >= np.median(chroma)].mean())
    turned = np.degrees(np.angle(np.exp(1j * (hue - middle))))
    hue_middle = middle + np.radians(np.median(turned))
    lightness = np.quantile(pixels[:, 0], 0.6)
    per_lightness = chroma / (pixels[:, 0] + 16)
    reach = np.quantile(per_lightness, 0.6) * (lightness + 16)
    mad = 1.4826 * np.median(np.abs(turned - np.median(turned)))
    spread = np.array(
        [max(pixels[:, 0].std() / 2, 2), max(1.4826 * _mad(per_lightness) * (lightness + 16), 3), max(mad, 2)]
    )
    value = np.array([lightness, reach * np.cos(hue_middle), reach * np.sin(hue_middle)])
    return value, spread


def _mad(values: Float64) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def _reference(written: Mapping[str, Any]) -> Reference:
    lab, spread = [float(x) for x in written["lab"]], [float(x) for x in written["spread"]]
    if len(lab) != 3 or len(spread) != 3:
        raise ValueError("three numbers each")
    return Reference((lab[0], lab[1], lab[2]), (spread[0], spread[1], spread[2]), str(written["source"]))


def _unreadable(why: str) -> TruelobeError:
    return TruelobeError(
        "references-unreadable",
        f"These color references cannot be read: {why}.",
        "Restore the shipped references, or correct the file.",
    )
