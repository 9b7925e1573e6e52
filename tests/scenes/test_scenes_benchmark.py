"""The benchmark notices planted faults, and the truth it measures against holds by a second route."""

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
import scoringrules
import trimesh
from sample_images.maker import fruit_first, fruit_second
from sample_images.maker.model import BODY
from sample_images.maker.truth import size_of
from tests.benchmarks import tables
from tests.benchmarks.compare import Difference, compare
from tests.benchmarks.places import place_row, places_report
from tests.benchmarks.true_skin import TrueSkin
from tests.benchmarks.truths import read_truth

from truelobe.camera import Lens, View
from truelobe.card import find_card
from truelobe.data import data_path
from truelobe.photo import read_photo

Row = dict[str, Any]
SHIFT_PX, DIAMETER_PX = 6.0, 200.0


def planted(seed: int = 3, plates: int = 60) -> Row:
    """Results whose errors have exactly the spread that their intervals say."""
    draw = np.random.default_rng(seed)
    rows = []
    for number in range(plates):
        peppers = [_pepper(draw, index + 1) for index in range(5)]
        one = {"plate": f"{number}.jpg", "difficulty": ("easy", "normal", "hard")[number % 3], "status": "ok"}
        rows.append(one | {"codes": [], "reported": 5, "false": 0, "peppers": peppers})
    return {"set": "planted", "told": False, "plates": rows}


def _pepper(draw: np.random.Generator, number: int) -> Row:
    figures = {}
    for name, middle, spread, u in (
        ("diameter", 80.0, 8.0, 1.5),
        ("width seen", 78.0, 8.0, 1.0),
        ("length", 95.0, 10.0, 2.0),
        ("coverage", 0.2, 0.05, 0.01),
    ):
        true = draw.normal(middle, spread)
        value = true + draw.normal(0, u)
        figures[name] = {
            "true": true,
            "value": value,
            "low": value - 1.96 * u,
            "high": value + 1.96 * u,
            "floor": true,
        }
    limit = {"rule": "size", "quantity": "diameter", "limit": 76.2, "basis": "whole"}
    low, high = figures["diameter"]["low"], figures["diameter"]["high"]
    outcome = "met" if low > 76.2 else "missed" if high < 76.2 else "too close"
    return {
        "number": number,
        "pose": "lying",
        "said_pose": "lying",
        "colour": "red",
        "said_colour": "red",
        "hidden": 0.0,
        "found": True,
        "doubtful": False,
        "axis_asked": False,
        "stem_off_deg": 5.0,
        "iou": 0.985 + draw.normal(0, 0.003),
        "figures": figures,
        "decisions": [limit | {"outcome": outcome}],
    }


def spoiled(result: Row, spoil: Callable[[Row], None]) -> Row:
    changed = copy.deepcopy(result)
    for row in tables.peppers(changed["plates"]):
        spoil(row)
    return changed


def changes(spoil: Callable[[Row], None]) -> dict[str, Difference]:
    """Compare a result with the same one, spoiled."""
    good = planted()
    return {one.name: one for one in compare(good, spoiled(good, spoil), rounds=200)}


def scale(row: Row) -> None:
    for name in ("diameter", "width seen", "length"):
        figure = row["figures"][name]
        figure |= {key: figure[key] * 1.01 for key in ("value", "low", "high")}


def shift(row: Row) -> None:
    # A disc shifted sideways by a share of its diameter: the lens where both lie, in closed form.
    d = SHIFT_PX / DIAMETER_PX
    lens = 2 / np.pi * (np.arccos(d) - d * np.sqrt(1 - d * d))
    row["iou"] *= lens / (2 - lens)


def halve(row: Row) -> None:
    for figure in row["figures"].values():
        middle = figure["value"]
        figure |= {key: middle + (figure[key] - middle) / 2 for key in ("low", "high")}


def swap(row: Row) -> None:
    first, second = row["figures"]["diameter"], row["figures"]["length"]
    for key in ("value", "low", "high"):
        first[key], second[key] = second[key], first[key]


def test_an_unchanged_tool_shows_no_real_change() -> None:
    assert not any(one.real for one in changes(lambda row: None).values())


def test_a_scale_error_of_one_percent_is_noticed_in_every_size_and_in_no_color() -> None:
    found = changes(scale)
    for name, middle in (("diameter", 80.0), ("width seen", 78.0), ("length", 95.0)):
        one = found[f"{name}: bias, mm"]
        assert one.real
        # 1 % of the middle size, which is known to 10 mm / sqrt(300) of itself: far within a tenth of the change.
        assert one.after - one.before == pytest.approx(0.01 * middle, rel=0.1)
    assert not found["coverage: bias, %"].real


def test_a_shifted_outline_is_noticed_in_the_overlap_alone() -> None:
    found = changes(shift)
    assert found["IoU, not found as 0"].real
    assert found["IoU, not found as 0"].after < found["IoU, not found as 0"].before - 0.03
    assert sum(one.real for one in found.values()) == 1


def test_intervals_half_as_wide_are_noticed() -> None:
    found = changes(halve)
    for name, unit in tables.UNITS.items():
        assert found[f"{name}: inside, share"].real
        assert found[f"{name}: interval score, {unit}"].real
        assert found[f"{name}: interval score, {unit}"].after > found[f"{name}: interval score, {unit}"].before
        # A normal law has 95 % within 1.96 and 67.3 % within 0.98 standard deviations (any table of the normal
        # law); 300 peppers give a share to 2.7 percentage points (one standard deviation), so four are allowed.
        assert found[f"{name}: inside, share"].after == pytest.approx(0.673, abs=0.11)
        assert not found[f"{name}: bias, {unit}"].real


def test_swapped_diameter_and_length_are_noticed() -> None:
    found = changes(swap)
    assert found["diameter: RMSE, mm"].real
    assert found["length: RMSE, mm"].real
    assert not found["coverage: RMSE, %"].real


def test_the_tables_say_what_the_rows_hold() -> None:
    result = planted()
    said = tables.report(result)
    rows = tables.peppers(result["plates"])
    true, value, low, high = tables.columns(rows, "diameter")
    inside = np.mean((low <= true) & (true <= high))
    assert f"{np.sqrt(np.mean((value - true) ** 2)):.2f}" in said
    assert f"{inside:.1%}" in said
    wrong = sum(d["right"] is False for d in tables.decided(rows))
    assert wrong <= 0.05 * len(rows)
    # Four RMSE away and intervals of two: every such limit is decided.
    done, of = tables.far_decided(rows, "diameter")
    assert done == of > 50


def test_a_wrong_outline_does_not_count_where_only_right_ones_do() -> None:
    result = planted()
    rows = tables.peppers(result["plates"])
    for row in rows:
        row["iou"] = 0.98
    for row in rows[:40]:  # Their outline takes in a neighbor: figures are far off and must not enter.
        row["iou"] = 0.9
        row["figures"]["diameter"]["value"] += 30
    rows[50]["axis_asked"] = True
    true, value, _, _ = tables.columns(rows[40:], "diameter")
    part = tables.report(result).split("Figures where the outline is right")[1].split("width seen")[0]
    assert f"{len(rows) - 40} of {len(rows)} peppers found" in part
    every, sure, asked = part.splitlines()[3:6]
    assert every.split()[1:4] == [
        str(len(true)),
        f"{(value - true).mean():.2f}",
        f"{tables.rmse(value - true):.2f}",
    ]
    assert (sure.split()[2], asked.split()[3]) == (str(len(true) - 1), "1")


def test_wrong_calls_are_counted_at_each_limit() -> None:
    result = planted()
    held = tables.decided(tables.peppers(result["plates"]))
    calls = [one["right"] for one in held if one["right"] is not None]
    said = tables.report(result)
    assert f"Wrong calls: {calls.count(False)} of {len(calls)} decided" in said
    turned = {"met": "missed", "missed": "met"}
    for row in tables.peppers(result["plates"]):
        for one in row["decisions"]:
            one["outcome"] = turned.get(one["outcome"], one["outcome"])
    assert f"Wrong calls: {calls.count(True)} of {len(calls)} decided" in tables.report(result)
    assert "NOT kept at" in tables.report(result)


def test_rings_are_laid_beside_the_blemishes_that_lie_in_them() -> None:
    # Two round blemishes, 20 and 8 px across, on skin of 1 mm2 a pixel in a box that starts at (50, 30).
    y, x = np.mgrid[:100, :100]
    kind = ((np.hypot(x - 30, y - 30) <= 10) | (np.hypot(x - 70, y - 60) <= 4)).astype(np.uint8)
    skin = np.ones((100, 100), np.float32)
    true = TrueSkin((50, 30, 150, 130), np.ones((100, 100), bool), skin, skin, kind)
    rings = [
        {"centre_px": [50 + 33, 30 + 28], "radius_px": 6.0},
        {"centre_px": [50 + 20, 30 + 90], "radius_px": 5.0},
    ]
    row = place_row(true, {"spots": rings})
    assert (row["rings"], row["on_blemish"], row["sound"]) == (2, 1, False)
    assert [one["pointed"] for one in row["blemishes"]] == [True, False]
    # Discs on whole-number centers hold pi r^2 pixels, give or take their edge: 10 % of the small one.
    assert [one["across_mm"] for one in row["blemishes"]] == pytest.approx([20.2, 8.0], rel=0.1)
    sound = replace(true, blemish=np.zeros_like(kind))
    said = places_report([place_row(sound, {"spots": rings}), place_row(sound, {"spots": []})])
    assert "2 rings on 2 sound peppers, 1.00 each" in said
    assert "NOT kept" in said


def test_green_among_colored_is_left_out_and_counted() -> None:
    result = planted(plates=3)
    row = result["plates"][0]["peppers"][0]
    row["colour"], row["said_colour"] = "green", "red"
    assert tables.columns(tables.peppers(result["plates"]), "coverage").shape == (4, 14)
    assert "1 peppers, of them 1 green ones" in tables.report(result)


def test_interval_score_is_that_of_a_reference_library() -> None:
    draw = np.random.default_rng(5)
    true, low = draw.normal(size=(2, 400))
    high = low + draw.uniform(0, 3, 400)
    ours = tables.interval_score(true, low, high)
    assert ours == pytest.approx(scoringrules.interval_score(true, low, high, 0.05))


@pytest.mark.parametrize("index", [0, 1])
def test_true_camera_puts_the_card_where_it_is_seen(index: int) -> None:
    truth = read_truth(sorted(data_path("sample_images", "plates").glob("*-easy.truth.json"))[index])
    sighting = find_card(read_photo(truth.photo))
    # The card's corners are nominal; its print is larger or smaller, which the truth file says.
    across, down = np.array(truth.card_size_mm) / np.array(sighting.layout.size_mm)
    flat = sighting.corners_mm * [across, down]
    seen = truth.view.project(np.column_stack([flat, np.zeros(len(flat))]))
    off = np.linalg.norm(seen - sighting.corners_px, axis=1)
    assert np.sqrt(np.mean(off**2)) < 1.0


def test_a_sphere_through_the_true_camera_is_the_analytic_conic() -> None:
    # Outline of a sphere at c with radius r seen from the origin: rays x with (c.x)^2 = (c.c - r^2)(x.x)
    # (Hartley & Zisserman 2004, section 8.3, contour generator of a quadric).
    view = read_truth(sorted(data_path("sample_images", "plates").glob("*.truth.json"))[0]).view
    straight = View(
        Lens(view.lens.focal_px, view.lens.cx, view.lens.cy, 0, 0, 0.001, "profile"),
        view.rotation,
        view.translation,
    )
    centre, radius = straight.rotation @ np.array([60.0, 200.0, -40.0]) + straight.translation, 40.0
    ball = trimesh.creation.icosphere(subdivisions=5, radius=radius)
    seen = straight.project_camera(np.asarray(ball.vertices) + centre)
    hull = cv2.convexHull(seen.astype(np.float32))[:, 0].astype(np.float64)
    rays = np.column_stack([straight.ideal(hull), np.ones(len(hull))])
    cosine = rays @ centre / np.linalg.norm(rays, axis=1) / np.linalg.norm(centre)
    angle = np.degrees(np.arccos(cosine))
    whole = np.degrees(np.arcsin(radius / np.linalg.norm(centre)))
    # Vertices 2.0 degrees apart miss the rim by at most 1 - cos(1 degree) of the radius: 0.02 %, doubled.
    assert angle.max() <= whole * 1.0001
    assert np.median(angle) == pytest.approx(whole, rel=4e-4)


@pytest.mark.parametrize("make", [fruit_first.make_fruit, fruit_second.make_fruit])
@pytest.mark.parametrize("seed", [21, 22])
def test_true_sizes_are_those_of_a_general_mesh_library(make: Callable[..., Any], seed: int) -> None:
    model = make(np.random.default_rng(seed), "red")
    mesh = trimesh.Trimesh(model.vertices, model.faces[model.face_part == BODY], process=False)
    hull = mesh.convex_hull  # As wide as the mesh in every direction, with far fewer vertices.
    size = size_of(model)
    assert size["length_mm"] == pytest.approx(mesh.extents[2], abs=1e-3)
    widths = []
    for degrees in range(180):
        turned = hull.copy()
        turned.apply_transform(trimesh.transformations.rotation_matrix(np.radians(degrees), [0, 0, 1]))
        widths.append(turned.extents[0])
    # Steps of a degree miss the greatest width by at most 1 - cos(0.5 degree) of the diagonal, 4e-5.
    assert size["diameter_greatest_mm"] == pytest.approx(max(widths), rel=1e-4)
    assert size["diameter_mean_mm"] == pytest.approx(np.mean(widths), rel=1e-3)
