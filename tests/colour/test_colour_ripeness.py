"""Ripeness does not see shading or gloss, and its midpoint is where both ends are equally far."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.colour.colour_scenes import SKINS

from truelobe.colour import lab_to_linear, linear_to_lab
from truelobe.colour.budget import PATH_SD
from truelobe.colour.ends import end_pixels, own_ends, scale_of
from truelobe.colour.references import load_references
from truelobe.colour.ripeness import RipenessScale, luminance, positions_on, skin_colour

pytestmark = pytest.mark.opencv

GREEN = np.array(SKINS["green"], dtype=float)
COLOURS = ["red", "orange", "yellow"]


def scale(colour: str) -> RipenessScale:
    return RipenessScale(GREEN, np.array(SKINS[colour], dtype=float))


@pytest.mark.parametrize("colour", [*COLOURS, "green"])
@given(shade=st.floats(0.3, 1.5), gloss=st.floats(0, 0.3))
def test_shading_and_white_gloss_leave_the_skin_angle_alone(colour: str, shade: float, gloss: float) -> None:
    skin = lab_to_linear(np.array(SKINS[colour], dtype=float))
    seen = skin_colour(linear_to_lab(skin * shade + gloss))
    assert float(seen.angle) == pytest.approx(float(skin_colour(linear_to_lab(skin)).angle), abs=0.6)


@pytest.mark.parametrize("colour", COLOURS)
def test_ends_and_middle(colour: str) -> None:
    ripe = np.array(SKINS[colour], dtype=float)
    steps = np.linspace(0, 1, 21)[:, None]
    line = GREEN + steps * (ripe - GREEN)
    assert np.allclose(scale(colour).place(skin_colour(line)).ripeness, steps[:, 0], atol=0.02)
    middle = line[10, 1:]
    assert np.hypot(*(middle - GREEN[1:])) == pytest.approx(np.hypot(*(middle - ripe[1:])))


@pytest.mark.parametrize("colour", COLOURS)
def test_places_on_many_lines_are_where_a_search_along_each_finds_them(colour: str) -> None:
    rng = np.random.default_rng(7)
    unripe = GREEN + rng.normal(0, 3, (6, 3))
    ripe = np.array(SKINS[colour], dtype=float) + rng.normal(0, 3, (6, 3))
    steps = np.linspace(0, 1, 2001)
    lines = unripe[:, None] + steps[:, None] * (ripe - unripe)[:, None]
    known = skin_colour(lines).angle
    asked = np.stack([rng.uniform(row.min(), row.max(), 50) for row in known]).astype(np.float32)
    found = positions_on(unripe, ripe, asked)
    order = np.argsort(known, axis=1)
    searched = [np.interp(x, row[k], steps[k]) for x, row, k in zip(asked, known, order, strict=True)]
    # A quarter of a degree is at most two hundredths of the way here, and between two such angles the line hardly
    # bends.
    assert np.abs(found - np.array(searched)).max() < 0.005
    np.testing.assert_array_equal(positions_on(unripe[:1], ripe[:1], asked)[0], found[0])


@pytest.mark.parametrize("colour", COLOURS)
def test_dark_ripe_skin_stays_ripe_and_dark_green_stays_green(colour: str) -> None:
    for shade in (1.0, 0.5, 0.2, 0.08):
        both = linear_to_lab(lab_to_linear(np.array([SKINS[colour], SKINS["green"]], dtype=float)) * shade)
        ripeness = scale(colour).place(skin_colour(both)).ripeness
        assert ripeness[0] > 0.9
        assert ripeness[1] < 0.1


def test_midpoints_of_other_ways_of_mixing_lie_as_far_apart_as_the_budget_says() -> None:
    # Light (additive), log reflectance (a clear layer), and absorption over scattering (an opaque layer: Kubelka
    # and Munk 1931, K/S = (1 - R)^2 / 2R), mixed in even steps between the same two skins: each way has its own
    # spot equally far from both ends in a*, b*. Where the scale puts it tells how wrong a straight line can be.
    weights = np.linspace(0, 1, 2001)[:, None]
    found = []
    for colour in COLOURS:
        for unripe in (SKINS["green"], (35, -18, 27), (50, -22, 40)):
            ends = np.array([unripe, SKINS[colour]], dtype=float)
            light = np.clip(lab_to_linear(ends), 1e-3, None)
            absorption = (1 - light) ** 2 / (2 * light)
            ways = (
                linear_to_lab((1 - weights) * light[0] + weights * light[1]),
                linear_to_lab(np.exp((1 - weights) * np.log(light[0]) + weights * np.log(light[1]))),
                linear_to_lab(opaque_layer(absorption[0] + weights * (absorption[1] - absorption[0]))),
            )
            for way in ways:
                towards = (way[:, 1:] - ends[0, 1:]) @ (ends[1] - ends[0])[1:]
                spot = np.argmin(np.abs(towards / np.sum((ends[1] - ends[0])[1:] ** 2) - 0.5))
                line = RipenessScale(*ends)
                dimming = min(float(luminance(way[spot, 0]) / line.place(skin_colour(way[spot])).line_light), 1.0)
                found.append(float(line.place(skin_colour(way[spot]), dimming).ripeness))
    assert abs(np.mean(found) - 0.5) < PATH_SD
    assert np.std(found) == pytest.approx(PATH_SD, rel=0.3)


def opaque_layer(absorption: np.ndarray) -> np.ndarray:
    """Reflectance for absorption over scattering (Kubelka and Munk 1931)."""
    return 1 + absorption - np.sqrt(absorption**2 + 2 * absorption)


@pytest.mark.parametrize("colour", COLOURS)
def test_a_pepper_brings_its_own_ends(colour: str) -> None:
    pair = load_references().of(colour)
    assert pair is not None
    plain = scale_of(pair)
    rng = np.random.default_rng(2)
    turned = np.radians(4)
    turn = np.array([[1, 0, 0], [0, np.cos(turned), -np.sin(turned)], [0, np.sin(turned), np.cos(turned)]])
    ripe, unripe = turn @ plain.ripe, turn @ plain.unripe
    lab = np.concatenate([np.tile(ripe, (600, 1)), np.tile(unripe, (400, 1))]) + rng.normal(0, 0.5, (1000, 3))
    lab = lab.astype(np.float32)
    ends = own_ends(lab, skin_colour(lab), np.ones(1000, np.float32), pair)
    for own, reference, truth in ((ends.scale.ripe, plain.ripe, ripe), (ends.scale.unripe, plain.unripe, unripe)):
        assert np.hypot(*(own - truth)[1:]) < 0.5 * np.hypot(*(reference - truth)[1:])
    assert ends.ripe_sd[1] < pair.ripe.spread[2]


def test_a_reference_follows_only_within_its_spread() -> None:
    pair = load_references().of("red")
    assert pair is not None
    # Orange skin declared red: the red reference may move toward it, by two and a half spreads at most.
    lab = np.tile(np.array(SKINS["orange"], np.float32), (500, 1))
    ends = own_ends(lab, skin_colour(lab), np.ones(500, np.float32), pair)
    hue = np.degrees(np.arctan2(ends.scale.ripe[2], ends.scale.ripe[1]))
    asked = np.degrees(np.arctan2(pair.ripe.lab[2], pair.ripe.lab[1]))
    assert hue - asked <= 2.5 * pair.ripe.spread[2] + 1e-6


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_skin_beyond_the_scale_still_stands_for_its_end(kind: type[np.floating]) -> None:
    """Places are cut off at 1.6 past an end; the greenest quarter of such skin is all of it, in any precision."""
    position = np.full(40, 1 - 1.6, dtype=kind)
    pair = load_references().colours["red"]
    _, (pixels, share) = end_pixels(position, np.linspace(0.5, 0.9, 40), np.ones(40, np.float32), pair)
    assert len(pixels) == 20
    assert share == 1.0
