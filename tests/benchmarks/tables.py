"""The benchmark's figures, and the tables that print them.

Works on kept results alone: nothing here measures a photo.
"""

import json
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tests.benchmarks.truths import DIFFICULTIES, QUANTITIES

ALPHA = 0.05
WRONG_AT_MOST = 0.05  # Of the calls that are decided.
FAR = 4.0  # A limit this many RMSE away should be decided.
# An outline is right from this overlap on: off by 0.6 mm all round a fruit of 80 mm, or as much at one place.
RIGHT = 0.97
# As near a stem end in the picture must be to count as right.
STEM_NEAR_DEG = 20.0
UNITS = {"diameter": "mm", "width seen": "mm", "length": "mm", "coverage": "%"}
TIMES = {"diameter": 1.0, "width seen": 1.0, "length": 1.0, "coverage": 100.0}
CONSTANT_FROM = Path(__file__).parent / "results" / "development.json"
Row = dict[str, Any]
Floats = NDArray[np.float64]


def interval_score(true: Floats, low: Floats, high: Floats, alpha: float = ALPHA) -> Floats:
    """Score intervals, lower is better (Gneiting & Raftery 2007, equation 43)."""
    below, above = np.maximum(low - true, 0), np.maximum(true - high, 0)
    score: Floats = (high - low) + 2 / alpha * (below + above)
    return score


def peppers(plates: Sequence[Row], difficulty: str | None = None) -> list[Row]:
    """Return the rows of all true peppers of a difficulty, or of all."""
    return [one for plate in plates if difficulty in (None, plate["difficulty"]) for one in plate["peppers"]]


def counts(row: Row, quantity: str) -> bool:
    """Whether a pepper's figure can be held against its truth.

    A share of color means something only beside the same color: a green one among red counts as unripe red.
    """
    return quantity != "coverage" or row["said_colour"] == row["colour"]


def columns(rows: Sequence[Row], quantity: str) -> Floats:
    """Return true, value, low, high, shape (4, n), of the peppers with a figure, in mm or %."""
    figures = [row["figures"][quantity] for row in rows if counts(row, quantity)]
    kept = [[f["true"], f["value"], f["low"], f["high"]] for f in figures if f["value"] is not None]
    return np.array(kept, float).reshape(-1, 4).T * TIMES[quantity]


def clear(rows: Sequence[Row], quantity: str) -> tuple[Floats, Floats]:
    """Return the tool's errors and the floor's, shapes (n,), for the peppers that have both."""
    figures = [row["figures"][quantity] for row in rows if counts(row, quantity)]
    kept = [f for f in figures if f["value"] is not None and f["floor"] is not None]
    errors = np.array([[f["value"] - f["true"], f["floor"] - f["true"]] for f in kept], float).reshape(-1, 2).T
    return errors[0] * TIMES[quantity], errors[1] * TIMES[quantity]


def rmse(errors: Floats) -> float:
    """Return the root mean square, nan of nothing."""
    return float(np.sqrt(np.mean(errors**2))) if len(errors) else float("nan")


def fit_constant(errors: Floats) -> float:
    """Return the half-width that, given to all alike, scores best: the 95 % quantile of the absolute error."""
    return float(np.quantile(np.abs(errors), 1 - ALPHA)) if len(errors) else float("nan")


def report(result: Row) -> str:
    """Return all tables of one run."""
    plates = result["plates"]
    constants, fitted_on = _constants(result)
    told = ", told the height of the plate's floor" if result["told"] else ""
    if result.get("answered"):
        told += ", each question about an axis answered by a line drawn by hand"
    head = [
        f"Set {result['set']}: {len(plates)} plates, {len(peppers(plates))} peppers{told}.",
        "Made plates with exact truth; no real plate of known size has been measured yet.",
    ]
    parts = [
        head,
        _found(plates),
        _figures(plates),
        _where_right(plates),
        _intervals(plates, constants, fitted_on),
    ]
    return "\n\n".join("\n".join(part) for part in [*parts, _decisions(plates), _said(plates)])


def _constants(result: Row) -> tuple[dict[str, float], str]:
    plates, name = result["plates"], "these plates themselves"
    if result["set"] != "development" and CONSTANT_FROM.is_file():
        plates, name = json.loads(CONSTANT_FROM.read_text(encoding="utf-8"))["plates"], "the development plates"
    errors = {q: columns(peppers(plates), q) for q in QUANTITIES}
    return {q: fit_constant(four[1] - four[0]) for q, four in errors.items()}, name


def _groups(plates: Sequence[Row]) -> list[tuple[str, list[Row]]]:
    """Return the plates by difficulty, those that there are, then all."""
    by = [(name, [plate for plate in plates if plate["difficulty"] == name]) for name in DIFFICULTIES]
    return [(name, some) for name, some in by if some] + [("all", list(plates))]


def _found(plates: Sequence[Row]) -> list[str]:
    lines = [
        "Finding (IoU of bodies, calyx in and stem out; matched at 0.3 or more)",
        f"{'':8}{'plates':>7}{'refused':>8}{'count right':>12}{'peppers':>8}{'found':>7}{'to check':>9}"
        f"{'false':>6}{'IoU mean':>9}{'IoU 5th %':>10}{'pose right':>11}"
        f"{'stem end':>10}{'<= 20 deg':>11}",
    ]
    for name, some in _groups(plates):
        rows = peppers(some)
        found = [row for row in rows if row["found"]]
        overlap = np.array([row["iou"] for row in found]) if found else np.array([np.nan])
        right = np.mean([plate["reported"] == len(plate["peppers"]) for plate in some])
        pose = np.mean([row["pose"] == row["said_pose"] for row in found]) if found else np.nan
        off = np.array([row["stem_off_deg"] for row in found if row["stem_off_deg"] is not None])
        near = np.mean(off <= STEM_NEAR_DEG) if off.size else np.nan
        lines.append(
            f"{name:8}{len(some):7}{sum(p['status'] == 'refused' for p in some):8}{right:12.0%}{len(rows):8}"
            f"{len(found):7}{sum(row['doubtful'] for row in found):9}{sum(p['false'] for p in some):6}"
            f"{overlap.mean():9.3f}{np.quantile(overlap, 0.05):10.3f}{pose:11.0%}"
            f"{len(off):10}{near:11.1%}"
        )
    return lines


def _figures(plates: Sequence[Row]) -> list[str]:
    lines = [
        "Figures against the truth; at the right, peppers at most 3 % hidden, the tool beside its floor",
        f"{'':20}{'n':>5}{'bias':>8}{'RMSE':>8}{'95 %':>8}   |{'n':>5}{'RMSE':>8}{'floor bias':>11}"
        f"{'floor RMSE':>11}{'floor 95 %':>11}",
    ]
    for quantity in QUANTITIES:
        lines.append(f"{quantity}, {UNITS[quantity]}")
        for name, some in _groups(plates):
            rows = peppers(some)
            true, value, _, _ = columns(rows, quantity)
            mine, floor = clear(rows, quantity)
            lines.append(f"  {name:18}{_errors(value - true)}   |{len(mine):5}{rmse(mine):8.2f}{_spread(floor)}")
    other = [row for row in peppers(plates) if row["said_colour"] not in (None, row["colour"])]
    green = [row for row in other if row["colour"] == "green"]
    lines.append(
        f"Coverage left out where the color's name differs from the truth's: {len(other)} peppers, of them "
        f"{len(green)} green ones among colored, which count as uncolored by rule."
    )
    return lines


def _where_right(plates: Sequence[Row]) -> list[str]:
    """Show the errors of those peppers whose outline is right, by what else may go wrong: the axis."""
    found = [row for row in peppers(plates) if row["found"]]
    right = [row for row in found if row["iou"] >= RIGHT]
    lines = [
        f"Figures where the outline is right: IoU {RIGHT:g} or more, {len(right)} of {len(found)} peppers found",
        f"{'':20}{'n':>5}{'bias':>8}{'RMSE':>8}{'95 %':>8}",
    ]
    kinds = {
        "all": right,
        "axis sure": [row for row in right if not row["axis_asked"]],
        "axis asked about": [row for row in right if row["axis_asked"]],
    }
    for quantity in QUANTITIES:
        lines.append(f"{quantity}, {UNITS[quantity]}")
        for name, rows in kinds.items():
            true, value, _, _ = columns(rows, quantity)
            lines.append(f"  {name:18}{_errors(value - true)}")
    return lines


def _errors(errors: Floats) -> str:
    if not len(errors):
        return f"{0:5}{'':24}"
    return f"{len(errors):5}{errors.mean():8.2f}{rmse(errors):8.2f}{np.quantile(abs(errors), 0.95):8.2f}"


def _spread(errors: Floats) -> str:
    if not len(errors):
        return ""
    return f"{errors.mean():11.2f}{rmse(errors):11.2f}{np.quantile(abs(errors), 0.95):11.2f}"


def _intervals(plates: Sequence[Row], constants: dict[str, float], fitted_on: str) -> list[str]:
    lines = [
        "95 % intervals (score: Gneiting & Raftery 2007, lower is better; "
        f"one constant width fitted on {fitted_on})",
        f"{'':20}{'n':>5}{'inside':>8}{'half-width / RMSE':>19}{'score':>8}{'constant':>10}",
    ]
    for quantity in QUANTITIES:
        lines.append(f"{quantity}, {UNITS[quantity]}: constant half-width {constants[quantity]:.2f}")
        for name, some in _groups(plates):
            true, value, low, high = columns(peppers(some), quantity)
            if len(true):
                inside = np.mean((low <= true) & (true <= high))
                error = rmse(value - true)
                wide = np.mean(high - low) / 2 / error if error else np.inf
                score = interval_score(true, low, high).mean()
                same = interval_score(true, value - constants[quantity], value + constants[quantity]).mean()
                lines.append(f"  {name:18}{len(true):5}{inside:8.1%}{wide:19.2f}{score:8.2f}{same:10.2f}")
    return lines


def decided(rows: Sequence[Row]) -> list[Row]:
    """Return what was decided of figures that have a truth: outcome, whether right, how far the limit is."""
    held = []
    for row in rows:
        for one in row["decisions"]:
            quantity = "coverage" if one["quantity"] == "not_fully_coloured" else one["quantity"]
            figure = row["figures"][quantity]
            partial = quantity == "coverage" and one["basis"] != "seen"
            if figure["value"] is None or partial or not counts(row, quantity) or one["limit"] is None:
                continue
            away = (figure["true"] - one["limit"]) * TIMES[quantity]
            met = away < 0 if quantity == "coverage" else away >= 0
            verdict = {"met": met, "missed": not met}.get(one["outcome"])
            limit = one["limit"] * TIMES[quantity]
            held.append(
                {
                    "limit": f"{one['rule']}: {quantity} {limit:g} {UNITS[quantity]}",
                    "quantity": quantity,
                    "right": verdict,
                    "away": abs(away),
                }
            )
    return held


def far_decided(rows: Sequence[Row], quantity: str) -> tuple[int, int]:
    """Return how many of the limits more than `FAR` x RMSE away are decided, and of how many."""
    true, value, _, _ = columns(rows, quantity)
    reach = FAR * rmse(value - true)
    far = [d for d in decided(rows) if d["quantity"] == quantity and d["away"] > reach]
    return sum(d["right"] is not None for d in far), len(far)


def _decisions(plates: Sequence[Row]) -> list[str]:
    lines = [
        "Decisions at 95 %, where the photo gives the figure",
        f"{'':44}{'n':>5}{'right':>7}{'wrong':>7}{'of decided':>11}{'too close':>10}{'farthest undecided':>20}",
    ]
    held = decided(peppers(plates))
    for limit in dict.fromkeys(d["limit"] for d in held):
        here = [d for d in held if d["limit"] == limit]
        open_ = [d["away"] for d in here if d["right"] is None]
        farthest = f"{max(open_):.1f} {UNITS[here[0]['quantity']]}" if open_ else "none"
        wrong = sum(d["right"] is False for d in here)
        right = sum(d["right"] is True for d in here)
        share = f"{wrong / (right + wrong):.1%}" if right + wrong else "-"
        lines.append(f"{limit:44}{len(here):5}{right:7}{wrong:7}{share:>11}{len(open_):10}{farthest:>20}")
    lines.append(_wrong_calls(held))
    lines.append(f"Limits more than {FAR:g} x RMSE (of the difficulty) away that are decided:")
    for quantity in ("diameter", "length", "coverage"):
        said = []
        for name, some in _groups(plates):
            done, of = far_decided(peppers(some), quantity)
            said.append(f"{name} {done} of {of}" + (f" ({done / of:.1%})" if of else ""))
        lines.append(f"  {quantity:10}{', '.join(said)}")
    return lines


def _wrong_calls(held: Sequence[Row]) -> str:
    """Say how many of all decided limits were decided wrongly, and at which limits more than wanted were."""
    by_limit: dict[str, list[bool]] = {}
    for one in held:
        if one["right"] is not None:
            by_limit.setdefault(one["limit"], []).append(not one["right"])
    calls = [wrong for some in by_limit.values() for wrong in some]
    if not calls:
        return "Nothing was decided."
    over = [limit for limit, some in by_limit.items() if np.mean(some) > WRONG_AT_MOST]
    kept = f"NOT kept at {'; '.join(over)}" if over else "kept at every limit"
    return (
        f"Wrong calls: {sum(calls)} of {len(calls)} decided ({np.mean(calls):.1%}); wanted at each limit at most "
        f"{WRONG_AT_MOST:.0%}: {kept}."
    )


def _said(plates: Sequence[Row]) -> list[str]:
    codes = Counter(code for plate in plates for code in plate["codes"])
    return ["Messages: " + (", ".join(f"{code} {count}" for code, count in codes.most_common()) or "none")]
