"""Count what one view of a real form can't tell, on outline scenes with true outlines and cameras.

The axis is as sure as the pepper networks read it, with the errors of a found pepper of any family: how well the
networks know a family is no matter of its forms. Where no stem end shows the outline is as a finder draws it too;
so a share of the outline's own errors is counted twice there.

`python -m tests.benchmarks.lobing` measures some 2,700 peppers of three families and writes the blocks `lobing`
and `misfit` of `calibration/bodies/priors.json`; `outline` comes from the donors' found outlines.
Seeds are those for fitting: `bench intervals` checks on others.

It also prints whether anything that the outline shows foretells the excess: a line fitted on one family and tried
on another. What does not carry over from family to family is not used.
"""

import bisect
import itertools
import json
import multiprocessing
import re
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from sample_images.maker.found import Donor, donors, draw_donor, middle_of, toward_stem
from sample_images.maker.outline_scenes import outline_scenes
from scipy.special import stdtrit
from tests.benchmarks.intervals import CLEAR, FITTING, SHARES
from tests.benchmarks.lent_errors import NOTHING_KNOWN, as_found, as_read, clean_setting, silhouette_of

from truelobe.data import data_path
from truelobe.fruit.axis import StemCue, stem_cue
from truelobe.fruit.bearing import Bearing
from truelobe.fruit.body import N_DIRECTIONS, residuals
from truelobe.fruit.measure import measure_size
from truelobe.fruit.pose import find_stance
from truelobe.fruit.shape import NAMES
from truelobe.fruit.silhouette import Silhouette

FAMILIES = ("first", "third", "fourth")
# Family, first seed, how many peppers.
RUNS = tuple((family, FITTING + start, 300) for start in (0, 30_000, 60_000) for family in FAMILIES)
PROCESSES = 2
# A finder overlooks every ninth stem end that shows (17 of 161 on the development plates).
LOST_EVERY = 9
# What an outline alone can't tell is counted here: the sizes that the network reads stay out of it.
SIZES_UNREAD: dict[str, Any] = {"diameter_px": (5.0, NOTHING_KNOWN), "length_px": (5.0, NOTHING_KNOWN)}
# Into how many equally likely steps a spread is cut.
STEPS = 9
# Lengths are counted apart by how far the fitted axis points toward or away from the camera: below the first of
# these, between, above.
TILT_DEG = (8.0, 16.0, 26.0)
# The outermost half percent on either side is taken for no worse: so few peppers say little of it.
LEVELS = (0.005, 0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975, 0.995)
SHOWN = (
    "slender",
    "width",
    "taper",
    "flat",
    "blunt_stem",
    "blunt_blossom",
    "misfit",
    "hollow",
    "dent_ends",
    "dent_sides",
)
Row = dict[str, Any]


def gather(times: float = 1.0) -> list[Row]:
    """Measure the fitting seeds' peppers from their true outlines; `times` as many."""
    runs = [(family, seed, round(count * times)) for family, seed, count in RUNS]
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(PROCESSES, mp_context=fresh, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        return [row for rows in pool.map(_run, runs) for row in rows]


def _run(what: tuple[str, int, int]) -> list[Row]:
    """Scenes of all difficulties in turn until they hold enough peppers in clear sight."""
    family, seed, count = what
    rows: list[Row] = []
    for turn in itertools.count():
        difficulty = tuple(SHARES)[turn % len(SHARES)]
        (scene,) = outline_scenes(1, seed + 50 * turn, source=family, difficulty=difficulty, skin_error=0.0)
        setting = clean_setting(scene)
        for pepper in scene.peppers:
            if pepper.truth["hidden_fraction"] > CLEAR:
                continue
            shape = silhouette_of(pepper)
            cue = stem_cue(shape)
            rng = np.random.default_rng([scene.seed, pepper.truth["number"], 43])
            mirror = bool(rng.random() < 0.5)
            if cue is not None:
                donor = draw_donor(rng, pepper.truth, difficulty, cued=True, own=False)
                read = replace(as_read(pepper, scene, donor, mirror), **SIZES_UNREAD)
                rows.append(_row(pepper.truth, shape, setting, cue, read))
            if cue is None or len(rows) % LOST_EVERY == 0:
                donor = draw_donor(rng, pepper.truth, difficulty, cued=False, own=False)
                found, _ = as_found(pepper, scene, shape, None, donor, mirror)
                read = replace(as_read(pepper, scene, donor, mirror), **SIZES_UNREAD)
                rows.append(_row(pepper.truth, found, setting, None, read))
        if len(rows) >= count:
            return rows


def _row(truth: dict[str, Any], shape: Silhouette, setting: Any, cue: StemCue | None, read: Bearing) -> Row:
    stance = find_stance(shape, setting.view, setting.errors.floor_mm, cue, bearing=read)
    fit = stance.fit
    size = measure_size(fit, setting.errors)
    miss = residuals(fit.theta[None], fit.start, fit.evidence, fit.priors, fit.view, 0.0, fit.grid)[0]
    return {
        "family": truth["made"]["generator"],
        "lying": truth["pose"] == "lying",
        "said": size.pose == "lying",
        "cue": cue is not None,
        "unsure": stance.unsure,
        "tilt": fit.tilt_deg,
        "excess": truth["diameter_greatest_mm"] / size.width_seen.value - 1,
        "over mean": truth["diameter_greatest_mm"] / truth["diameter_mean_mm"] - 1,
        "short": truth["width_seen_mm"] - truth["diameter_greatest_mm"],
        "off mean": truth["width_seen_mm"] - truth["diameter_mean_mm"],
        "width": (size.width_seen.value - truth["width_seen_mm"]) / size.width_seen.value,
        "length": None
        if size.length is None
        else (size.length.value - truth["length_mm"]) / size.width_seen.value,
        "shown": dict(zip(NAMES, map(float, fit.theta), strict=True))
        | {"misfit": float(np.sqrt(np.mean(miss[:N_DIRECTIONS] ** 2)))}
        | _dents(shape, toward_stem(truth["axis_px"])),
    }


def _dents(shape: Silhouette, stem: np.ndarray) -> dict[str, float]:
    """How hollow the outline is, and its deepest dents at the axis' ends and at its sides: shares of its size."""
    outline, size = shape.outline_px[0], float(np.sqrt(shape.body.sum()))
    points = np.round(outline * 8).astype(np.int32).reshape(-1, 1, 2)
    hull = np.sort(cv2.convexHull(points, returnPoints=False), axis=0)[::-1]
    defects = np.asarray(cv2.convexityDefects(points, hull))
    found = {"dent_ends": 0.0, "dent_sides": 0.0}
    for _, _, at, depth in defects.reshape(-1, 4) if defects.ndim else ():
        away = outline[at] - middle_of(outline)
        name = "dent_ends" if abs(away @ stem) > 0.64 * np.linalg.norm(away) else "dent_sides"
        found[name] = max(found[name], float(depth) / 256 / 8 / size)
    whole = cv2.contourArea(cv2.convexHull(points))
    return found | {"hollow": 1 - cv2.contourArea(points) / whole}


def transfer(rows: Sequence[Row], names: Sequence[str] = SHOWN) -> dict[str, float]:
    """Share of the excess' variance that a line fitted on one family foretells on another, its mean apart."""
    lying = [row for row in rows if row["lying"] and row["said"]]
    gained = {}
    for one, other in itertools.permutations(FAMILIES, 2):
        first, second = ([row for row in lying if row["family"] == name] for name in (one, other))
        (x, y), (u, v) = _table(first, names), _table(second, names)
        middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
        x, u = np.clip((x - middle) / spread, -3, 3), np.clip((u - middle) / spread, -3, 3)
        weight = np.linalg.solve(x.T @ x + 20 * np.eye(len(names)), x.T @ (y - y.mean()))
        left = v - u @ weight
        gained[f"{one} to {other}"] = float(1 - left.var() / v.var())
    return gained


def _table(rows: Sequence[Row], names: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    shown = np.array([[row["shown"][name] for name in names] for row in rows])
    return shown, np.clip([np.log1p(row["excess"]) for row in rows], -0.02, 0.25)


def _quantiles(rows: Sequence[Row], key: str, *, even: bool = False) -> list[float]:
    """Quantiles for a family of forms not seen yet; `even` makes too large and too small alike.

    The families have equal shares. A mixture of n of them holds (n - 1) / n of the variance s^2 between families,
    and one more family drawn like them is off by (n + 1) / n of it: 2 / n is missing. Families differ in how lobed
    they are, so s is that of the logarithm of their errors' size; of so few, one more strays as Student's t says.
    """
    values = [
        np.array([row[key] for row in rows if row["family"] == family and row[key] is not None])
        for family in FAMILIES
    ]
    between = np.std([np.log(np.sqrt(np.mean(some**2))) for some in values], ddof=1) * np.sqrt(2 / len(values))
    values = [np.concatenate([some, -some]) if even else some for some in values]
    strays = stdtrit(len(FAMILIES) - 1, (np.arange(STEPS) + 0.5) / STEPS)
    every = np.concatenate(values)[:, None] * np.exp(between * strays)
    weight = np.repeat(np.concatenate([np.full(len(some), 1 / len(some)) for some in values]), STEPS)
    order = np.argsort(every, axis=None)
    place = (np.cumsum(weight[order]) - weight[order] / 2) / weight.sum()
    return [round(float(q), 4) + 0.0 for q in np.interp(LEVELS, place, every.ravel()[order])]


def _by_tilt(rows: Sequence[Row]) -> list[list[float]]:
    """Quantiles of the length's misreading, one list for each range of tilt."""
    place = [bisect.bisect_right(TILT_DEG, row["tilt"]) for row in rows]
    return [
        _quantiles([row for row, at in zip(rows, place, strict=True) if at == k], "length", even=True)
        for k in range(len(TILT_DEG) + 1)
    ]


def blocks(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the blocks of the priors file that are counted here."""
    standing = [row for row in rows if not row["said"]]
    sure = [row for row in rows if row["said"] and not row["unsure"]]
    cued = [row for row in sure if row["cue"]]
    blind = [row for row in sure if not row["cue"]]
    counted = {family: sum(row["family"] == family for row in rows) for family in FAMILIES}
    some = ", ".join(f"{number} of the {family}" for family, number in counted.items())
    on = f"peppers of invented families of forms ({some})"
    return {
        "lobing": {
            "about": "How far the greatest diameter exceeds the width read from one side, as a share of that "
            f"width, read with true cameras on {on}, all in equal shares (tests/benchmarks/lobing.py): a "
            "mixture, since no table of real peppers was found, spread as far as one more family like them "
            "would be off. Of what the outline shows only this carried over from family to "
            "family: peppers wider than long (squat) seldom exceed far. The width's own small bias is in it.",
            "levels": list(LEVELS),
            "squat": _quantiles([r for r in cued if r["shown"]["slender"] < 0], "excess"),
            "long": _quantiles([r for r in cued if r["shown"]["slender"] >= 0], "excess"),
            "no cue": _quantiles(blind, "excess"),
            "standing": _quantiles(standing, "excess"),
        },
        "misfit": {
            "about": "How far width and length are misread with true cameras because a pepper is no barrel "
            "(lobes, ends that lean, an axis taken wrongly), as shares of the width, on the same peppers, spread "
            "alike; made even, since the bias of one family is not that of another. Length by how far "
            "the axis is tilted out of the picture: below the first of tilt_deg, between, above.",
            "levels": list(LEVELS),
            "tilt_deg": list(TILT_DEG),
            "width": {
                "cue": _quantiles(cued, "width", even=True),
                "no cue": _quantiles(blind, "width", even=True),
                "standing": _quantiles(standing, "width", even=True),
            },
            "length": {"cue": _by_tilt(cued), "no cue": _by_tilt(blind)},
        },
    }


def outline_block(apart_mm: Sequence[float]) -> dict[str, Any]:
    """Return what found outlines miss or take in across and along the axis, as shares of the extent.

    Where two looks were had, by how far they differ: under the first of `apart_mm`, under the second, or more.
    """
    alike, odd = apart_mm
    looked = [donor for donor in donors() if donor.apart_mm is not None]
    ranges = {"alike": (0.0, alike), "differing": (alike, odd), "at odds": (odd, np.inf)}
    by_looks = {
        name: _spans([donor for donor in looked if low <= (donor.apart_mm or 0.0) < high])
        for name, (low, high) in ranges.items()
    }
    return {
        "about": f"What found outlines miss or take in, on {len(donors())} peppers of plates of three families of "
        "forms, all in equal shares (those marked doubtful left out): share of the extent across and along the "
        f"axis by which it reads too large; for the {len(looked)} that were looked at twice, by how far the "
        "extents differ between whole photo and closer look.",
        "levels": list(LEVELS),
        **_spans(donors()),
        "apart_mm": list(apart_mm),
        "two looks": {
            extent: {name: spans[extent] for name, spans in by_looks.items()} for extent in ("width", "length")
        },
    }


def _spans(some: Sequence[Donor]) -> dict[str, list[float]]:
    """Quantiles of how far outlines read too large across and along the axis, families in equal shares."""
    outlines = np.array([donor.outline for donor in some])
    half = outlines.shape[1] // 2
    quarter = half // 2
    counted = Counter(donor.family for donor in some)
    weight = np.array([1 / counted[donor.family] for donor in some])
    # Shares of the square root of the area, near enough the extents themselves.
    spans = {"width": outlines[:, quarter] + outlines[:, -quarter], "length": outlines[:, 0] + outlines[:, half]}
    return {
        extent: [round(float(each), 4) for each in np.quantile(off, LEVELS, method="inverted_cdf", weights=weight)]
        for extent, off in spans.items()
    }


def main() -> None:
    """Gather, print what carries over, write the priors."""
    rows = gather()
    for family in FAMILIES:
        some = [row for row in rows if row["family"] == family and row["lying"]]
        read = {key: np.mean([row[key] for row in some]) for key in ("over mean", "off mean", "short")}
        print(
            f"{family}: greatest over mean diameter +{read['over mean']:.1%}; width seen "
            f"{read['off mean']:+.2f} mm from the mean and {read['short']:+.2f} mm from the greatest diameter"
        )
    for names in (SHOWN, *((name,) for name in SHOWN)):
        gained = ", ".join(f"{way} {share:+.3f}" for way, share in transfer(rows, names).items())
        print(f"foretold by {', '.join(names)}: {gained}")
    path = data_path("calibration", "bodies", "priors.json")
    priors = json.loads(path.read_text(encoding="utf-8"))
    priors |= blocks(rows) | {"outline": outline_block(priors["outline"]["apart_mm"])}
    path.write_text(_written(priors), encoding="utf-8")


def _written(priors: dict[str, Any]) -> str:
    """Return the file's text, each list of numbers in one line."""
    text = json.dumps(priors, indent=2)

    def joined(found: re.Match[str]) -> str:
        return " ".join(found[0].split()).replace("[ ", "[").replace(" ]", "]")

    return re.sub(r"\[[^\[\]{}\"]*\]", joined, text) + "\n"


if __name__ == "__main__":
    main()
