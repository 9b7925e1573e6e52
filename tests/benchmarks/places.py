"""How right the places are that the tool points at, and the shape figures: rows and tables of `blemishes`."""

from typing import Any

import numpy as np
from scipy import ndimage
from tests.benchmarks.true_skin import TrueSkin

from truelobe.fruit.form import Form

Row = dict[str, Any]
# Rings on peppers without any blemish in sight: so many each at most.
FALSE_AT_MOST = 0.5
# A ring is drawn so much wider than the place it stands for; a blemish in it is pointed at.
RING = 1.35
LEAST_MM = 3.0
ACROSS_MM = ((3, 6), (6, 12), (12, 30), (30, 200))
FORMS = ("length_to_diameter", "asymmetry", "bend", "taper")


def place_row(true: TrueSkin, pepper: Row) -> Row:
    """Lay the rings of one pepper beside its true blemishes in sight, each with its size."""
    grown = ndimage.binary_dilation(true.blemish > 0, iterations=2)
    marked, count = ndimage.label(grown)
    area = ndimage.sum(np.where(true.blemish > 0, true.skin_mm2, 0), marked, range(1, count + 1))
    across = 2 * np.sqrt(np.atleast_1d(area) / np.pi)
    y, x = np.mgrid[true.box[1] : true.box[3], true.box[0] : true.box[2]]
    hit, on_blemish = np.zeros(count, bool), 0
    for spot in pepper["spots"]:
        near = np.hypot(x - spot["centre_px"][0], y - spot["centre_px"][1]) <= max(RING * spot["radius_px"], 2.0)
        found = np.unique(marked[near])
        hit[found[found > 0] - 1] = True
        on_blemish += bool((found > 0).any())
    return {
        "rings": len(pepper["spots"]),
        "on_blemish": on_blemish,
        "blemishes": [
            {"across_mm": float(mm), "pointed": bool(ring)}
            for mm, ring in zip(across, hit, strict=True)
            if mm >= LEAST_MM
        ],
        "sound": not (true.blemish > 0).any(),
    }


def form_row(form: Form | None, length_to_diameter: float, pepper: Row) -> Row:
    """Lay the shape figures of one pepper beside those of its mesh."""
    true = {"length_to_diameter": length_to_diameter}
    if form is not None:
        true |= {name: getattr(form, name).value for name in FORMS[1:]}
    row = {}
    for name in FORMS:
        figure = (pepper.get("shape") or {}).get(name)
        if figure is not None and name in true:
            low, high = figure["interval95"]
            row[name] = {"true": true[name], "value": figure["value"], "low": low, "high": high}
    return row


def places_report(rows: list[Row]) -> str:
    """Return the table of likely spots."""
    sound = [row for row in rows if row["sound"]]
    rings = sum(row["rings"] for row in sound)
    each = rings / len(sound) if sound else float("nan")
    marked = [row for row in rows if not row["sound"]]
    lines = [
        f"Likely spots: {rings} rings on {len(sound)} sound peppers, {each:.2f} each; wanted at most "
        f"{FALSE_AT_MOST:g}: {'kept' if each <= FALSE_AT_MOST else 'NOT kept'}.",
        f"On {len(marked)} peppers with a blemish in sight: {sum(row['rings'] for row in marked)} rings, "
        f"{sum(row['on_blemish'] for row in marked)} of them at a blemish; "
        f"{sum(row['on_blemish'] > 0 for row in marked)} of these peppers pointed at rightly.",
    ]
    for low, high in ACROSS_MM:
        some = [one for row in rows for one in row["blemishes"] if low <= one["across_mm"] < high]
        there = sum(one["pointed"] for one in some)
        lines.append(f"  blemishes {low} to {high} mm across: {there} of {len(some)} pointed at")
    return "\n".join(lines)


def forms_report(rows: list[Row]) -> str:
    """Return the table of shape figures against the mesh, looked at square to the pepper's axis."""
    lines = [
        "Shape figures against the mesh",
        f"{'':22}{'n':>5}{'bias':>8}{'RMSE':>8}{'in 95 %':>9}{'half-width / RMSE':>19}",
    ]
    for name in FORMS:
        kept = [[row[name][key] for key in ("true", "value", "low", "high")] for row in rows if name in row]
        if kept:
            true, value, low, high = np.array(kept).T
            error = float(np.sqrt(np.mean((value - true) ** 2)))
            inside = np.mean((low <= true) & (true <= high))
            lines.append(
                f"{name.replace('_', ' '):22}{len(true):5}{np.mean(value - true):8.3f}{error:8.3f}{inside:9.0%}"
                f"{np.mean(high - low) / 2 / max(error, 1e-9):19.2f}"
            )
    return "\n".join(lines)
