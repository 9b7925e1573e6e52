"""Coverage of balls whose share is known exactly, under simulated phones; each line of the budget alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.colour.colour_scenes import SKINS, Ball, Camera, FakePhoto, make_ball, see

from truelobe.colour import (
    ColourCorrection,
    Coverage,
    References,
    correct_from_card,
    load_references,
    measure_coverage,
)
from truelobe.colour.budget import DRAWS, PATH_SD, _Sampled
from truelobe.colour.correction import CAMERA_SPREAD, LIGHT_SPREAD
from truelobe.colour.reading import read, view_at_working_size

pytestmark = pytest.mark.opencv

REFERENCES = load_references()
PHONE = Camera(gain=(0.75, 0.7, 0.6), gamma=1.1, contrast=0.15, noise=0.006)


def corrected(camera: Camera, **kwargs: Any) -> ColourCorrection:
    return correct_from_card(FakePhoto(), see(camera, **kwargs))


def measured(
    ball: Ball, correction: ColourCorrection, references: References = REFERENCES, **kwargs: Any
) -> Coverage:
    return measure_coverage(
        ball.pixels, ball.body, ball.none, ball.none, ball.skin_mm2, ball.facing, correction, references, **kwargs
    )


def share(coverage: Coverage) -> float:
    assert coverage.figure is not None
    return coverage.figure.value


@pytest.mark.parametrize("colour", ["red", "orange", "yellow"])
@pytest.mark.parametrize("truth", [0.0, 0.25, 0.8])
def test_exact_share_of_a_shaded_ball(colour: str, truth: float) -> None:
    # On a sphere the skin between two half planes through a diameter is in proportion to the angle between them.
    # Budget: the skin within 16 degrees of the rim is read from its neighbor, which costs up to 3 points where a
    # border runs along the rim; the color of a misprinted card costs under 1 at a hard border.
    ball = make_ball(PHONE, ripe=SKINS[colour], share=truth, radius_px=60)
    # Where the only colored skin is seen slantwise the color is declared: such skin mirrors the table.
    coverage = measured(ball, corrected(PHONE, print_error=1.0, seed=5), colour=colour if truth > 0.5 else None)
    assert coverage.colour == colour
    assert share(coverage) == pytest.approx(truth, abs=0.035)
    assert coverage.figure is not None
    low, high = coverage.figure.interval95
    assert low - 0.01 <= truth <= high + 0.01


@pytest.mark.parametrize("camera", [Camera(gain=(0.9, 0.6, 0.35)), Camera(gain=(0.5, 0.6, 0.8), gamma=0.9)])
def test_a_cast_is_taken_out(camera: Camera) -> None:
    ball = make_ball(camera, share=0.3, radius_px=60)
    assert share(measured(ball, corrected(camera))) == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize("colour", ["red", "orange", "yellow"])
@pytest.mark.parametrize("change", [{"gloss": 0.8}, {"highlight": 1.5, "gloss": 0.3}, {"ambient": 0.15}])
def test_gloss_and_shading_do_not_move_the_figure(colour: str, change: dict[str, float]) -> None:
    correction = corrected(PHONE)
    plain = share(measured(make_ball(PHONE, ripe=SKINS[colour], radius_px=60), correction))
    changed = share(measured(make_ball(PHONE, ripe=SKINS[colour], radius_px=60, **change), correction))
    assert changed == pytest.approx(plain, abs=0.025)


@pytest.mark.parametrize("colour", ["red", "orange"])
def test_a_cloth_mirrored_in_the_rim_is_taken_off(colour: str) -> None:
    # A green cloth shines into the rim of a pepper (Schlick 1994: 0.04 squarely, 0.2 at 74 degrees).
    correction = corrected(PHONE)
    on_grey, on_green = (
        share(measured(make_ball(PHONE, ripe=SKINS[colour], share=0.0, **cloth), correction, colour=colour))
        for cloth in ({}, {"table": (55, -45, 40), "mirrors": True})
    )
    assert on_grey < 0.01
    assert on_green < 0.02


def test_a_brown_spot_and_a_highlight_are_left_out_of_both_sides() -> None:
    ball = make_ball(PHONE, share=0.3, radius_px=80, highlight=2.0)
    y, x = np.mgrid[: ball.body.shape[0], : ball.body.shape[1]]
    spot = (y - 100) ** 2 + (x - 60) ** 2 < 6**2
    ball.pixels[spot] = (52, 34, 22)
    coverage = measured(ball, corrected(PHONE))
    assert coverage.left_out[spot].mean() > 0.8
    bright = ball.pixels.min(axis=2) > 200
    assert bright.any()
    assert coverage.left_out[bright & ball.body].mean() > 0.8
    assert not (coverage.counted & coverage.left_out).any()
    assert share(coverage) == pytest.approx(0.3, abs=0.03)


def test_masks_lie_on_the_skin_and_show_the_share() -> None:
    ball = make_ball(PHONE, share=0.4, radius_px=120)
    calyx = np.zeros_like(ball.body)
    calyx[110:140, 110:140] = True
    coverage = measure_coverage(
        ball.pixels, ball.body, calyx, ball.none, ball.skin_mm2, ball.facing, corrected(PHONE), REFERENCES
    )
    assert not (coverage.counted & (calyx | ~ball.body)).any()
    area = np.where(ball.body & ~calyx & ~coverage.left_out, ball.skin_mm2, 0)
    shown = float(area[coverage.counted].sum() / area.sum())
    assert shown == pytest.approx(share(coverage), abs=0.03)


@settings(max_examples=4, deadline=None)
@given(st.floats(0, 1), st.lists(st.floats(0.05, 0.95), min_size=2, max_size=3))
def test_the_figure_is_a_share_and_rises_with_the_line(truth: float, lines: list[float]) -> None:
    ball = make_ball(Camera(), share=truth, soft=0.8, radius_px=35)
    correction = corrected(Camera())
    shares = [share(measured(ball, correction, colour="red", line=line)) for line in sorted(lines)]
    assert all(0 <= value <= 1 for value in shares)
    assert all(b >= a for a, b in pairwise(shares))


def test_places_of_unknown_area_count_for_nothing() -> None:
    # Half the readable skin of a ball, every other stripe of it across: the share that a border down its middle
    # leaves is the same with or without the stripes.
    ball = make_ball(CLEAN, ripe=SKINS["red"], share=0.5, radius_px=300)
    correction = corrected(CLEAN)
    striped = ball.skin_mm2.copy()
    striped[(np.arange(len(striped)) // 24) % 2 == 0] = np.nan
    some = measured(replace(ball, skin_mm2=striped), correction)
    assert share(some) == pytest.approx(share(measured(ball, correction)), abs=0.02)


def test_the_same_photo_gives_the_same_figure() -> None:
    ball, correction = make_ball(PHONE, radius_px=40), corrected(PHONE)
    assert measured(ball, correction).figure == measured(ball, correction).figure


def test_all_green_is_said_and_the_caller_decides() -> None:
    ball = make_ball(PHONE, share=1.0, radius_px=50)
    correction = corrected(PHONE)
    alone = measured(ball, correction)
    assert alone.colour == "green"
    assert alone.all_green
    assert share(alone) < 0.02
    among_red = measured(ball, correction, colour="red")
    assert among_red.all_green
    assert share(among_red) > 0.98
    assert not measured(make_ball(PHONE, share=0.5, radius_px=50), correction).all_green


@pytest.mark.parametrize(
    ("lab", "name"), [((27, 18, -6), "purple"), ((82, -4, 18), "white"), ((28, 9, 10), "brown")]
)
def test_other_colors_wait_for_a_reference(lab: tuple[float, float, float], name: str) -> None:
    ball = make_ball(PHONE, ripe=lab, share=0.0, radius_px=50)
    correction = corrected(PHONE)
    coverage = measured(ball, correction)
    assert coverage.figure is None
    assert coverage.colour == name
    assert [m.code for m in coverage.messages] == ["colour-no-reference"]
    own = REFERENCES.with_team(name, lab, (4, 5, 6), "ours")
    assert share(measured(ball, correction, own, colour=name)) < 0.05


def test_two_kinds_of_skin_that_are_neither_green_nor_ripe_are_striped() -> None:
    ball = make_ball(PHONE, ripe=(27, 18, -6), unripe=(84, -4, 18), share=0.6, radius_px=50)
    assert measured(ball, corrected(PHONE)).colour == "striped"


def test_a_name_between_two_colors_is_said_and_carried_in_the_interval() -> None:
    # Skin whose hue lies between the references of orange and yellow (their spreads: 6 and 5 degrees).
    between = (62, 22, 66)
    ball, correction = make_ball(PHONE, ripe=between, share=0.3, soft=0.5, radius_px=50), corrected(PHONE)
    coverage = measured(ball, correction)
    assert {coverage.colour, coverage.other} == {"orange", "yellow"}
    assert "colour-name-unsure" in {m.code for m in coverage.messages}
    assert coverage.figure is not None
    declared = [measured(ball, correction, colour=name).figure for name in ("orange", "yellow")]
    low, high = coverage.figure.interval95
    assert all(figure is not None and low <= figure.value <= high for figure in declared)
    assert measured(ball, correction, colour="orange").other is None


def test_too_little_skin_is_said() -> None:
    ball = make_ball(PHONE, radius_px=40)
    sliver = np.zeros_like(ball.body)
    sliver[40:44, 40:44] = True
    coverage = measured(replace(ball, body=sliver), corrected(PHONE))
    assert coverage.figure is None
    assert [m.code for m in coverage.messages] == ["colour-too-little-skin"]
    assert measured(replace(ball, body=ball.none), corrected(PHONE)).figure is None


def test_an_uncorrected_photo_is_measured_with_more_doubt() -> None:
    ball = make_ball(Camera(), share=0.3, soft=0.5, radius_px=50)
    sighting = see(Camera())
    nothing = correct_from_card(FakePhoto(), replace(sighting, patches=()))
    sure, unsure = measured(ball, corrected(Camera())), measured(ball, nothing)
    assert sure.figure is not None
    assert unsure.figure is not None
    assert unsure.figure.standard_uncertainty > sure.figure.standard_uncertainty


# Each line of the budget alone: the input is disturbed by its stated uncertainty, from outside and in the photo,
# and the spread of the figures is held against the stated effect. Forty draws know their own spread to 11 %.

CLEAN = Camera(gain=(0.8, 0.8, 0.8))


def effect(coverage: Coverage, source: str) -> float:
    assert coverage.figure is not None
    return next(line.effect for line in coverage.figure.budget if line.source == source)


def read_share(
    ball: Ball, correction: ColourCorrection, references: References = REFERENCES, line: float = 0.5
) -> float:
    """The share alone, as `measure_coverage` reads it for a pepper declared yellow, without its uncertainty."""
    pair = references.of("yellow")
    assert pair is not None
    view = view_at_working_size(ball.pixels, ball.body, ball.skin_mm2, ball.facing, correction)
    reading = read(view, pair)
    return reading.share(reading.skin.sound, line)


def spread(figure: Callable[[int], float]) -> float:
    return float(np.std([figure(k) for k in range(DRAWS)], ddof=1))


def turning_ball(**kwargs: Any) -> Ball:
    return make_ball(CLEAN, ripe=SKINS["yellow"], share=0.45, soft=1.0, radius_px=30, **kwargs)


class Unchanged:
    """A color correction's draws that are all the correction itself."""

    def __init__(self, lab: np.ndarray) -> None:
        self.lab = lab

    def __len__(self) -> int:
        return 3

    def to_lab(self, pixels: np.ndarray, around: Any = None) -> np.ndarray:
        return np.repeat(self.lab[None], len(self), axis=0)


@pytest.mark.parametrize("truth", [0.1, 0.45, 0.8])
def test_no_change_of_color_is_no_change_of_the_share(truth: float) -> None:
    pair = REFERENCES.of("yellow")
    assert pair is not None
    ball = make_ball(CLEAN, ripe=SKINS["yellow"], share=truth, soft=1.0, radius_px=30)
    view = view_at_working_size(ball.pixels, ball.body, ball.skin_mm2, ball.facing, corrected(CLEAN))
    sampled = _Sampled.of(view, read(view, pair), 0.5)
    draws: Any = Unchanged(sampled.lab)
    np.testing.assert_allclose(sampled.in_other_colours(draws), 0.0, atol=1e-6)


def test_budget_of_light() -> None:
    correction = corrected(CLEAN)
    gains = np.exp(np.random.default_rng(3).normal(0, LIGHT_SPREAD, (DRAWS, 3)))
    found = spread(lambda k: read_share(turning_ball(cast=gains[k]), correction))
    assert found == pytest.approx(effect(measured(turning_ball(), correction), "light"), rel=0.3)


def test_budget_of_camera_color() -> None:
    correction = corrected(CLEAN)
    noise = np.random.default_rng(4).normal(0, CAMERA_SPREAD, (DRAWS, 3, 3))
    mixes = np.eye(3) + noise - noise.mean(axis=2, keepdims=True)
    found = spread(lambda k: read_share(turning_ball(crosstalk=mixes[k]), correction))
    assert found == pytest.approx(effect(measured(turning_ball(), correction), "camera color"), rel=0.3)


def test_budget_of_color_patches() -> None:
    ball, rng = turning_ball(), np.random.default_rng(5)
    casts = rng.normal(0, np.sqrt(0.5) * 2.5 / np.sqrt(3), (DRAWS, 3))
    prints = [corrected(CLEAN, print_error=0.9, cast=cast, seed=k) for k, cast in enumerate(casts)]
    found = spread(lambda k: read_share(ball, prints[k]))
    # The effect belongs to the print at hand and differs between prints: take the mean over some of them.
    effects = [effect(measured(ball, correction), "color patches") for correction in prints[:6]]
    stated = float(np.sqrt(np.mean(np.square(effects))))
    assert found == pytest.approx(stated, rel=0.3)


def test_budget_of_the_line() -> None:
    # References all but certain: what is left is the way between them, PATH_SD in ripeness.
    sure = replace(
        REFERENCES,
        colours={
            name: replace(
                pair,
                ripe=replace(pair.ripe, spread=(0.1, 0.1, 0.05)),
                unripe=replace(pair.unripe, spread=(0.1, 0.1, 0.05)),
            )
            for name, pair in REFERENCES.colours.items()
        },
    )
    correction, ball = corrected(CLEAN), turning_ball()
    lines = 0.5 + np.random.default_rng(6).normal(0, PATH_SD, DRAWS)
    found = spread(lambda k: read_share(ball, correction, sure, float(lines[k])))
    stated = effect(measured(ball, correction, sure, colour="yellow"), "color line")
    assert found == pytest.approx(stated, rel=0.3)


def test_budget_of_the_edge() -> None:
    # Unripe skin along the rim, so that the outline matters; the outline is moved in and out.
    import cv2

    ball = make_ball(CLEAN, ripe=SKINS["yellow"], share=0.12, radius_px=45)
    correction = corrected(CLEAN)
    inside = cv2.distanceTransform(ball.body.astype(np.uint8), cv2.DIST_L2, 5)
    moves = np.abs(np.random.default_rng(7).normal(0, 1.0, DRAWS))
    rings = [read_share(replace(ball, body=inside > move), correction) for move in (0.0, 1.0)]
    step = rings[1] - rings[0]
    found = abs(step) * float(np.sqrt(np.mean(moves**2)))
    assert effect(measured(ball, correction), "edge") == pytest.approx(found, rel=0.3)


def test_budget_of_blemish_and_highlight() -> None:
    correction = corrected(CLEAN)
    assert effect(measured(make_ball(CLEAN, radius_px=60), correction), "blemish or highlight") < 1e-3
    shiny = make_ball(CLEAN, radius_px=60, highlight=3.0)
    coverage = measured(shiny, correction)
    part = coverage.left_out.sum() / shiny.body.sum()
    assert part > 0.005
    # As if the skin under the highlight were a coin's toss with the share around it, a quarter of that counted.
    assert effect(coverage, "blemish or highlight") >= 0.7 * 0.25 * part * np.sqrt(0.3 * 0.7)
