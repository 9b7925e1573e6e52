"""Why a coverage is uncertain: each input moved alone by what it may be wrong, the same skin measured again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from truelobe.colour.correction import ColourCorrection, CorrectionDraws, Source
from truelobe.colour.ends import OwnEnds, from_polar, own_ends, polar
from truelobe.colour.many_ends import adapted_ends
from truelobe.colour.reading import Reading, View
from truelobe.colour.ripeness import SkinColour, positions_on, ripeness_on, skin_colour
from truelobe.colour.skin import gather_area, readable
from truelobe.colour.surroundings import Surroundings
from truelobe.figures import Contribution, Figure, SharedBy, from_draws

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

DRAWS: Final = 32
U_MODEL_LEAST, U_MODEL = 0.012, 0.06
JOINED: Final = 400
SAMPLE: Final = 400

PATH_SD: Final = 0.06
"""How far, in ripeness, the true midpoint may lie from that of a straight line in CIELAB: standard deviation over
mixing the same two skins in light, in log reflectance and as pigments of an opaque layer (Kubelka-Munk)."""

Draw = Callable[[np.random.Generator], Float64]


@dataclass(frozen=True)
class BudgetLine:
    """One uncertain input.

    Attributes
    ----------
    source : str
    shared_by : {"pepper", "photo", "print", "camera"}
    draw : callable
        Takes a generator, returns changes of the share, float64 (n,).
    """

    source: str
    shared_by: SharedBy
    draw: Draw


def figure_of(
    view: View, reading: Reading, correction: ColourCorrection, line: float, edge: float, rng: np.random.Generator
) -> Figure:
    """Return the share with its uncertainty: deviations of the budget's lines, joined as if independent."""
    value = reading.share(reading.skin.sound, line)
    joined, budget = np.zeros(JOINED), []
    for item in budget_lines(view, reading, correction, line, edge):
        drawn = item.draw(rng)
        budget.append(Contribution(item.source, float(drawn.std(ddof=1)), item.shared_by))
        joined += rng.permutation(np.resize(drawn, JOINED))
    return from_draws(np.clip(value + joined, 0, 1), budget, value=value)


def budget_lines(
    view: View, reading: Reading, correction: ColourCorrection, line: float, edge: float
) -> list[BudgetLine]:
    """Return the lines of the budget.

    Parameters
    ----------
    view, reading : View, Reading
    correction : ColourCorrection
    line : float
    edge : float
        Standard uncertainty of the outline, in pixels of the view.
    """
    sampled = _Sampled.of(view, reading, line)

    def colours(source: Source) -> Draw:
        return lambda _: sampled.in_other_colours(correction.shared[source])

    def normal(effect: float) -> Draw:
        return lambda rng: rng.normal(0, abs(effect), JOINED)

    return [
        BudgetLine("color line", "photo", sampled.with_other_lines),
        BudgetLine("color patches", "print", colours("patches")),
        BudgetLine("camera color", "camera", colours("camera")),
        BudgetLine("light", "photo", colours("light")),
        BudgetLine("edge", "pepper", normal(edge_effect(view, reading, line, edge))),
        BudgetLine("blemish or highlight", "pepper", normal(left_out_effect(reading, line))),
        BudgetLine("skin model", "pepper", normal(model_effect(reading.share(reading.skin.sound, line)))),
    ]


def model_effect(share: float) -> float:
    """Return what reading ripeness from one photo misses beyond the lines above: shadow, gloss, skin hard to tell.

    Set on 76 peppers of the even development plates, with true outlines (root mean square error 3.3 points); the
    odd plates test it. Largest where a pepper is half turned; a little stays on one that reads as all one color.
    """
    return U_MODEL_LEAST + U_MODEL * float(np.sqrt(max(share * (1 - share), 0.0)))


def edge_effect(view: View, reading: Reading, line: float, edge: float) -> float:
    """Return the change of the share when `edge` pixels all round are not skin after all."""
    band = max(edge, 1.0)
    inner = readable(view.mask, np.ones_like(view.facing), band)
    read = reading.area.read & readable(inner, view.facing, view.rim_px)
    area = gather_area(inner, read, view.skin_mm2, view.facing)
    moved = reading.share(reading.skin.sound, line, area.weight)
    return (moved - reading.share(reading.skin.sound, line)) * edge / band


def left_out_effect(reading: Reading, line: float) -> float:
    """Return the doubt from skin left out: half the change if it were counted as it looks, and its own chance."""
    share = reading.share(reading.skin.sound, line)
    both = reading.skin.sound | reading.skin.marked
    unread = int((reading.skin.marked | reading.skin.unread).sum())
    part = unread / max(unread + int(reading.skin.sound.sum()), 1)
    looks = reading.share(both, line)
    return float(np.hypot(0.5 * (looks - share), 0.25 * part * np.sqrt(share * (1 - share))))


@dataclass(frozen=True)
class _Sampled:
    """A sample of the sound skin, so that measuring it again under many draws stays cheap."""

    pixels: NDArray[np.uint8]
    lab: Float32
    around: Surroundings | None
    seen: SkinColour
    weight: Float32
    dimming: Float32
    ends: OwnEnds
    line: float

    @classmethod
    def of(cls, view: View, reading: Reading, line: float) -> _Sampled:
        rows = np.flatnonzero(reading.skin.sound)
        chosen = rows[np.unique(np.linspace(0, len(rows) - 1, min(SAMPLE, len(rows))).astype(np.int64))]
        lab, weight = view.lab.reshape(-1, 3)[chosen], reading.weight.ravel()[chosen]
        seen = view.skin.flat().at(chosen)
        ends = own_ends(lab, seen, weight, reading.ends.pair)
        around = None if view.around is None else view.around.at(chosen)
        pixels, dimming = view.pixels.reshape(-1, 3)[chosen], reading.skin.dimming.ravel()[chosen]
        return cls(pixels, lab, around, seen, weight, dimming, ends, line)

    def with_other_lines(self, rng: np.random.Generator) -> Float64:
        """Change the references, and the way between them, by what is uncertain of them."""
        scale = self.ends.scale
        unripe = _moved(scale.unripe, self.ends.unripe_sd, rng)
        ripe = _moved(scale.ripe, self.ends.ripe_sd, rng)
        lines = self.line + rng.normal(0, PATH_SD, DRAWS)
        return self._shares(unripe, ripe, self.seen, lines) - self._here

    def in_other_colours(self, draws: CorrectionDraws) -> Float64:
        """Change the color correction by what is uncertain of it; the pepper's own ends follow."""
        return self._between_its_own_ends(draws.to_lab(self.pixels, self.around)) - self._unchanged

    @cached_property
    def _unchanged(self) -> float:
        """The ends follow once more here, too: no change of color must be no change of the share."""
        return float(self._between_its_own_ends(self.lab[None])[0])

    def _between_its_own_ends(self, lab: Float32) -> Float64:
        """Share (n,) of the sample below the line, in colors float32 (n, K, 3), between ends that follow them."""
        seen = skin_colour(lab)
        pair, scale = self.ends.pair, self.ends.scale
        position = positions_on(scale.unripe[None], scale.ripe[None], seen.angle)
        ripe, unripe = adapted_ends(lab, position, seen.chroma, self.weight, pair)
        return self._shares(unripe, ripe, seen, np.full(len(lab), self.line))

    @cached_property
    def _here(self) -> float:
        scale = self.ends.scale
        return float(self._shares(scale.unripe[None], scale.ripe[None], self.seen, np.array([self.line]))[0])

    def _shares(self, unripe: Float64, ripe: Float64, seen: SkinColour, lines: Float64) -> Float64:
        """Share (n,) of the sample below the lines (n,) between ends (n, 3)."""
        below = ripeness_on(unripe, ripe, seen, self.dimming) < lines[:, None]
        return np.asarray(below @ self.weight / max(float(self.weight.sum()), 1e-9), dtype=np.float64)


def _moved(lab: Float64, sd: Float64, rng: np.random.Generator) -> Float64:
    lightness, chroma, hue = polar(lab)
    other = np.maximum(chroma + rng.normal(0, sd[0], DRAWS), 1.0)
    return from_polar(lightness, other, hue + rng.normal(0, sd[1], DRAWS))
