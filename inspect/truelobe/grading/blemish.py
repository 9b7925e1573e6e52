"""A blemish marked on the picture: its true area, the circle of the same area, its share of the skin seen.

The coach draws round the mark with a finger. Each pixel inside stands for a known area of skin (it slants away
from the camera), so the area is a sum over pixels. Its uncertainty has four parts: how surely a finger follows
an edge, how steeply the skin turns away there, the scale of the photo, and how near the skin is to the camera.

The slope is read from the picture, with how far it may be off. Where only a smooth body fitted to the outline is
known, lobes and grooves stray from it: what the true slope may be, given the body's, then follows from Bayes'
rule, since a mark is as likely at every place of the picture and lobed skin strays by `LOBES_DEG`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.special import ndtri

from truelobe.figures import Contribution, Figure, from_draws
from truelobe.messages import Message, TruelobeError

#: How far a finger strays from the edge it follows, mm (one standard deviation): a stray on the screen, so it is
#: counted across the line of sight, not along a skin that slants away. A setting.
FINGER_MM = 1.0
#: How far lobed skin's normal strays from the smooth body's, degrees (one standard deviation each way): measured
#: pixel by pixel on 38 peppers of the development plates.
LOBES_DEG = 12.0
#: How much farther off slopes and heights are than they say, so that 95 % of intervals hold on the development
#: plates, all of which were looked at for it: found outlines and fitted bodies are no training pictures.
_SLOPE_WIDER, _HEIGHT_WIDER = 1.2, 1.7
#: Beyond 75 degrees nobody can draw round a mark.
_STEEPEST_DEG = 75.0
#: Beyond 60 degrees a pixel stands for more than twice its skin.
_STEEP_COSINE = 0.5
#: Where the slope alone leaves the area this uncertain (one standard uncertainty over the area), a photo with the
#: mark facing the camera says more, so one is asked for. Chosen on the development plates: below it, areas are off
#: by under a tenth there, the finger included.
_ASK_FROM = 0.12
_DRAWS = 4000
_FINE = 8


@dataclass(frozen=True)
class Blemish:
    """One marked area.

    Attributes
    ----------
    fact : str or None
        The defect the coach calls it; None until confirmed.
    area_mm2, circle_mm, share_seen : Figure
        True area, diameter of the equal circle, fraction of the skin seen.
    steep_share : float
        Fraction of the area that lies beyond 60 degrees from facing.
    messages : tuple of Message
    line_px : tuple of (float, float)
        The finger's line in the upright photo, for whoever draws it.
    """

    fact: str | None
    area_mm2: Figure
    circle_mm: Figure
    share_seen: Figure
    steep_share: float
    messages: tuple[Message, ...] = ()
    line_px: tuple[tuple[float, float], ...] = ()

    def document(self) -> dict[str, Any]:
        """Return the blemish as a record keeps it."""
        return {
            "fact": self.fact,
            "area_mm2": self.area_mm2.document(),
            "circle_mm": self.circle_mm.document(),
            "share_seen": self.share_seen.document(),
            "steep_share": self.steep_share,
            "messages": [m.document() for m in self.messages],
            "line_px": [[round(x, 2), round(y, 2)] for x, y in self.line_px],
        }

    @classmethod
    def from_document(cls, written: Mapping[str, Any]) -> Blemish:
        """Read a blemish back."""
        return cls(
            written["fact"],
            Figure.from_document(written["area_mm2"]),
            Figure.from_document(written["circle_mm"]),
            Figure.from_document(written["share_seen"]),
            float(written["steep_share"]),
            tuple(Message(**m) for m in written.get("messages", ())),
            tuple((float(x), float(y)) for x, y in written.get("line_px", ())),
        )


def _rounded(vertices: NDArray[np.float64], points: int) -> NDArray[np.float64]:
    """Return a closed smooth curve through the vertices; straight sides when there are fewer than six.

    A polygon of n corners on a circle misses (1 - sin(2 pi / n) / (2 pi / n)) of its area: 10 % at eight corners.
    """
    if len(vertices) < 6:
        return vertices
    closed = np.vstack([vertices, vertices[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(along) > 1e-9])
    if keep.sum() < 6:
        return vertices
    curve = CubicSpline(along[keep], closed[keep], bc_type="periodic")
    return np.asarray(curve(np.linspace(0.0, along[-1], points, endpoint=False)), dtype=np.float64)


def _steadied(vertices: NDArray[np.float64], points: int, stray_px: float) -> NDArray[np.float64]:
    """Return the smoothest closed curve that the finger could have meant.

    Closed Fourier curves of rising order are fitted until what is left over is no more than the finger strays (a
    fifth more, since what is left of 40 points varies by a tenth itself). Finer wiggles are the finger's; where
    they cross each other they would add area. Where no order up to a third of the points does it (few taps, sharp
    corners), the curve goes through the points. Each point stands where it lies along the line: a finger leaves
    more of them where it is slow, and counted as even steps they would make the curve 3 to 4 % too small.
    """
    n = len(vertices)
    line = vertices[:, 0] + 1j * vertices[:, 1]
    way = np.abs(np.diff(line, append=line[:1]))
    steps = 2 * np.pi * (np.cumsum(way) - way) / max(float(way.sum()), 1e-9)
    fine = 2 * np.pi * np.arange(points) / points
    most = (n - 1) // 3
    # A slanted circle is a long ellipse; in steps along its border that is three waves, not one.
    for order in range(min(3, most), most + 1):
        waves = np.arange(-order, order + 1)
        basis = np.exp(1j * np.outer(steps, waves))
        weights = np.linalg.lstsq(basis, line)[0]
        left = line - basis @ weights
        if math.sqrt(float(np.sum(np.abs(left) ** 2)) / (2 * (n - len(waves)))) <= 1.2 * stray_px:
            curve = np.exp(1j * np.outer(fine, waves)) @ weights
            return np.column_stack([curve.real, curve.imag])
    return _rounded(vertices, points)


def _inside(curve: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return how much of each pixel lies inside the curve, 0 to 1.

    Exact along each of `_FINE` lines per row of pixels: every crossing adds or takes what lies to its right.
    """
    high, wide = shape
    rows = (np.arange(high * _FINE) + 0.5) / _FINE - 0.5
    start, end = curve, np.roll(curve, -1, axis=0)
    below, above = start[:, 1] <= rows[:, None], end[:, 1] <= rows[:, None]
    line, edge = np.nonzero(below != above)
    part = (rows[line] - start[edge, 1]) / (end[edge, 1] - start[edge, 1])
    at = start[edge, 0] + part * (end[edge, 0] - start[edge, 0])
    sign = np.where(below[line, edge], 1.0, -1.0)
    right = np.clip(np.arange(wide) + 0.5 - at[:, None], 0.0, 1.0) * sign[:, None]
    covered = np.zeros((high * _FINE, wide))
    np.add.at(covered, line, right)
    covered = np.minimum(np.abs(covered), 1.0)
    return np.asarray(covered.reshape(high, _FINE, wide).mean(axis=1))


def _mm_per_px(line: NDArray[np.float64], across: NDArray[np.float64]) -> float:
    """Return the size of a pixel under the line, mm, given the areas that pixels have across the line of sight."""
    x = np.clip(np.rint(line[:, 0]).astype(int), 0, across.shape[1] - 1)
    y = np.clip(np.rint(line[:, 1]).astype(int), 0, across.shape[0] - 1)
    under = across[y, x][across[y, x] > 0]
    return math.sqrt(float(np.median(under))) if under.size else 1.0


def _finger_u(curve: NDArray[np.float64], skin: NDArray[np.float64], stray_px: float, points: int) -> float:
    """Return the standard uncertainty of the area when every point of the line strays by itself.

    A point moved outwards by d adds d times the stretch of line it stands for, times the skin per pixel there.
    """
    length = float(np.linalg.norm(np.roll(curve, -1, axis=0) - curve, axis=1).sum())
    x = np.clip(np.rint(curve[:, 0]).astype(int), 0, skin.shape[1] - 1)
    y = np.clip(np.rint(curve[:, 1]).astype(int), 0, skin.shape[0] - 1)
    return stray_px * length * math.sqrt(float(np.mean(skin[y, x] ** 2)) / points)


def _true_slope(inverse: float, lobes_deg: float) -> tuple[float, NDArray[np.float64]]:
    """Return the median and equally likely values of 1 / cosine of the true skin, given the smooth body's.

    The normal's direction errs on the sphere of directions, so its tilt errs outwards more than inwards where the
    body faces the camera, and inwards more than outwards near the rim.
    """
    if lobes_deg <= 0:
        return inverse, np.full(_DRAWS, inverse)
    tilt = np.radians(np.arange(0.25, _STEEPEST_DEG, 0.5))[:, None]
    turn = np.radians(np.arange(0.0, 180.0, 5.0) + 2.5)
    body = math.acos(min(1 / inverse, 1.0))
    apart = np.arccos(
        np.clip(math.sin(body) * np.sin(tilt) * np.cos(turn) + math.cos(body) * np.cos(tilt), -1.0, 1.0)
    )
    likely = np.exp(-0.5 * (apart / math.radians(lobes_deg)) ** 2).sum(axis=1)
    in_picture = (np.sin(tilt) * np.cos(tilt)).ravel()
    law = np.cumsum(likely * in_picture)
    levels = (np.arange(_DRAWS) + 0.5) / _DRAWS
    drawn = 1 / np.cos(np.interp(levels, law / law[-1], tilt.ravel()))
    return float(np.median(drawn)), np.asarray(drawn)


def _read_slope(inverse: float, u: float) -> tuple[float, NDArray[np.float64]]:
    """Return 1 / cosine as read, and equally likely values round it, none below a skin that faces the camera."""
    levels = (np.arange(_DRAWS) + 0.5) / _DRAWS
    return inverse, np.maximum(inverse * np.exp(_SLOPE_WIDER * u * ndtri(levels)), 1.0)


def measure_blemish(
    vertices_px: ArrayLike,
    box: tuple[int, int, int, int],
    body: NDArray[np.bool_],
    skin_mm2: NDArray[np.float32],
    facing: NDArray[np.float32],
    *,
    fact: str | None = None,
    finger_mm: float = FINGER_MM,
    scale_u: float = 0.01,
    height_u: float = 0.0,
    lobes_deg: float = LOBES_DEG,
    slope_u: NDArray[np.float32] | None = None,
    seen_mm2: float | None = None,
    seed: int = 1,
) -> Blemish:
    """Measure an area that was marked on the picture.

    Parameters
    ----------
    vertices_px : array_like, shape (K, 2), float
        The finger's line in the picture, x and y, pixel centres at whole numbers.
    box : tuple of int
        x0, y0, x1, y1 of the pepper's arrays in the picture.
    body : ndarray, shape (h, w), bool
        Skin of this pepper.
    skin_mm2 : ndarray, shape (h, w), float32
        Skin area that a pixel stands for.
    facing : ndarray, shape (h, w), float32
        Cosine between the skin's normal and the line to the camera.
    fact : str, optional
        The defect the coach calls it.
    finger_mm : float
        Standard deviation of the finger's line, mm across the line of sight.
    scale_u : float
        Relative standard uncertainty of the photo's scale at the fruit.
    height_u : float
        The same from how high this pepper's skin reaches towards the camera.
    lobes_deg : float
        How far the skin's normal strays from that of the body `skin_mm2` comes from; 0 for a body known exactly.
    slope_u : ndarray, shape (h, w), float32, optional
        Where the slope was read from the picture: standard deviation of the ln of 1 / `facing`; `lobes_deg` then
        does not count.
    seen_mm2 : float, optional
        Skin of the whole pepper that the photo shows; `skin_mm2` of its body if not given. Slopes that were read
        end short of the rim, where much of that skin lies.
    seed : int
        Of the draws behind the figures.

    Returns
    -------
    Blemish

    Raises
    ------
    TruelobeError
        ``mark-too-small`` (fewer than three points or no skin inside), ``mark-outside``.
    """
    vertices = np.asarray(vertices_px, dtype=np.float64)
    if vertices.ndim != 2 or vertices.shape[1:] != (2,) or len(vertices) < 3 or not np.isfinite(vertices).all():
        raise TruelobeError("mark-too-small", "A marked area needs at least three points.", "Draw round it again.")
    skin = np.where(body & np.isfinite(skin_mm2), skin_mm2, 0.0).astype(np.float64)
    low = np.maximum(np.floor(vertices.min(axis=0)).astype(int) - box[:2] - 12, 0)
    high = np.minimum(np.ceil(vertices.max(axis=0)).astype(int) - box[:2] + 13, (skin.shape[1], skin.shape[0]))
    if (high <= low).any():
        raise TruelobeError("mark-outside", "The mark lies outside this pepper.", "Draw inside its outline.")
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    local, shape = vertices - box[:2] - low, (int(high[1] - low[1]), int(high[0] - low[0]))
    part, cosine = skin[window], np.clip(facing[window].astype(np.float64), 0.05, 1.0)
    points = max(96, 4 * len(local))

    stray = finger_mm / _mm_per_px(local, part * cosine)
    curve = _steadied(local, points, stray)
    share = _inside(curve, shape)
    weight = share * part
    smooth = float(weight.sum())
    if smooth <= 0:
        raise TruelobeError("mark-outside", "The mark holds no skin of this pepper.", "Draw inside its outline.")
    flat = float((weight * cosine).sum())
    if slope_u is None:
        middle, slopes = _true_slope(smooth / flat, lobes_deg)
    else:
        middle, slopes = _read_slope(smooth / flat, float((weight * slope_u[window]).sum() / smooth))
    area = flat * middle
    finger = _finger_u(curve, part, stray, len(local)) * area / smooth
    slope = float(slopes.std()) * flat
    scale, height = 2 * scale_u * area, 2 * _HEIGHT_WIDER * height_u * area
    budget = (
        Contribution("the finger's line", finger, "pepper"),
        Contribution("slope of the skin", slope, "pepper"),
        Contribution("scale at the fruit", scale, "photo"),
        Contribution("height of the skin", height, "pepper"),
    )
    spread = math.sqrt(math.log1p((math.hypot(finger, scale, height) / area) ** 2))
    draw = np.random.default_rng(seed)
    areas = flat * draw.permutation(slopes) * np.exp(draw.normal(0.0, spread, _DRAWS))
    seen = float(skin.sum()) if seen_mm2 is None else seen_mm2
    steep = float(weight[cosine < _STEEP_COSINE].sum() / smooth)
    return Blemish(
        fact=fact,
        area_mm2=from_draws(areas, budget, area),
        circle_mm=from_draws(2 * np.sqrt(areas / math.pi), value=2 * math.sqrt(area / math.pi)),
        share_seen=from_draws(np.minimum(areas / seen, 1.0), value=min(area / seen, 1.0)),
        steep_share=steep,
        messages=_slope_message(steep, slope / area),
        line_px=tuple((float(x), float(y)) for x, y in vertices),
    )


def _slope_message(steep: float, slope_u: float) -> tuple[Message, ...]:
    if steep < 0.25 and slope_u < _ASK_FROM:
        return ()
    return (
        Message(
            "mark-near-the-rim",
            "The mark lies where the skin turns away from the camera, so its area is uncertain.",
            "Turn the pepper so that the mark faces the camera and take one more photo.",
        ),
    )


def together(blemishes: Sequence[Blemish], fact: str) -> Figure | None:
    """Return the area of all marks of one defect in mm2; None without any.

    The errors of the parts are taken to go the same way, which can only widen the interval.
    """
    parts = [b.area_mm2 for b in blemishes if b.fact == fact]
    if not parts:
        return None
    return Figure(
        sum(p.value for p in parts),
        sum(p.standard_uncertainty for p in parts),
        tuple(sum(qs) for qs in zip(*(p.quantiles for p in parts), strict=True)),
        tuple(line for p in parts for line in p.budget),
    )


def smooth_skin_mm2(diameter_mm: float, length_mm: float) -> float:
    """Return the area of a smooth ellipsoid of revolution, mm2. Lobed fruit have more.

    >>> round(smooth_skin_mm2(76.2, 88.9) / 645.16, 1)  # in2
    31.5
    """
    a, c = diameter_mm / 2, length_mm / 2
    if math.isclose(a, c, rel_tol=1e-6):
        return 4 * math.pi * a * a
    if c > a:
        e = math.sqrt(1 - (a / c) ** 2)
        return 2 * math.pi * a * a * (1 + c / (a * e) * math.asin(e))
    e = math.sqrt(1 - (c / a) ** 2)
    return 2 * math.pi * a * a * (1 + (1 - e * e) / e * math.atanh(e))
