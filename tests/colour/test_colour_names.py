"""Names of colors: published hues, probabilities that hold, foreign skin, little color, the vote of a plate."""

from collections import Counter

import numpy as np
import pytest

from truelobe.colour import load_references, settled
from truelobe.colour.coverage import Coverage
from truelobe.colour.ends import from_polar, polar
from truelobe.colour.naming import SURE, Named, name_colour
from truelobe.colour.ripeness import skin_colour
from truelobe.colour.spaces import lab_to_linear, linear_to_lab

REFERENCES = load_references()
SHADES = np.linspace(0.3, 1.0, 40)[:, None]
GREEN_SKIN = np.array(REFERENCES.colours["green"].ripe.lab)


def skin(*parts: tuple[np.ndarray, float], gloss: float = 0.0) -> np.ndarray:
    """CIELAB of 400 pixels under all shades: colors by their share of the skin, white light mixed in."""
    light = [
        np.resize(lab_to_linear(lab) * SHADES + gloss, (round(400 * share), 3))
        for lab, share in parts
        if share > 0
    ]
    return linear_to_lab(np.concatenate(light))


def named(lab: np.ndarray) -> Named:
    return name_colour(lab, skin_colour(lab), np.ones(len(lab), np.float32), REFERENCES)


@pytest.mark.parametrize(("hue", "colour"), [(29.9, "red"), (87.5, "yellow")])
def test_published_hues_of_full_ripe_peppers_are_named_surely(hue: float, colour: str) -> None:
    """Red 'Triple 4' and yellow 'Kelvin': Molinari et al., Proc. Florida State Hort. Soc., 1999."""
    lightness, chroma, _ = polar(np.array(REFERENCES.colours[colour].ripe.lab))
    for gloss in (0.0, 0.01):
        assert named(skin((from_polar(lightness, chroma, hue), 1.0), gloss=gloss)) == Named(colour)


@pytest.mark.parametrize("pair", [("red", "orange"), ("orange", "yellow")])
def test_a_name_is_as_often_right_as_it_says(pair: tuple[str, str]) -> None:
    """Peppers drawn with the references' own spread, read with the correction's error (3.7 degrees), no more."""
    rng = np.random.default_rng(3)
    chances, hits = [], []
    for colour in pair:
        reference = REFERENCES.colours[colour].ripe
        lightness, chroma, hue = polar(np.array(reference.lab))
        for moved in rng.normal(0, np.hypot(reference.spread[2], 3.7), 150):
            lab = from_polar(lightness, chroma, hue + moved)
            said = named(skin((lab, 1.0)))
            hits.append(said.colour == colour)
            chances.append(said.probability if said.other else 0.5 + SURE / 2)
    unsure = np.array(chances) < 0.5 + SURE / 2
    assert 0.1 < unsure.mean() < 0.7
    for kind in (unsure, ~unsure):  # within three binomial standard errors of what was said, or better where sure
        said, was, n = np.array(chances)[kind].mean(), np.array(hits)[kind].mean(), kind.sum()
        assert was > said - 3 * np.sqrt(said * (1 - said) / n)
    assert np.array(hits)[unsure].mean() < np.array(hits)[~unsure].mean()


@pytest.mark.parametrize(
    ("lab", "colour"),
    [((86, -4, 29), "white"), ((24, 19, 20), "brown"), ((19, 22, -17), "purple"), ((78, -16, 30), "white")],
)
def test_skin_of_no_known_color_is_not_forced_into_one(lab: tuple[float, float, float], colour: str) -> None:
    """Invented skins; no published values were found for white, brown and purple peppers."""
    assert named(skin((np.array(lab, dtype=float), 1.0))) == Named(colour)


def test_a_little_yellow_on_green_is_doubted_and_a_little_red_is_not() -> None:
    ripe = {name: np.array(REFERENCES.colours[name].ripe.lab) for name in ("yellow", "red")}
    assert named(skin((GREEN_SKIN, 1.0))) == Named("green")
    faint = named(skin((ripe["yellow"], 0.05), (GREEN_SKIN, 0.95)))
    assert (faint.colour, faint.other) == ("yellow", "green")
    assert 0.5 <= faint.probability < SURE
    assert named(skin((ripe["yellow"], 0.2), (GREEN_SKIN, 0.8))).colour == "yellow"
    assert named(skin((ripe["red"], 0.05), (GREEN_SKIN, 0.95))).colour == "red"


def test_a_green_pepper_in_warm_light_is_at_most_unsure() -> None:
    """Greens of shop photographs in warm light (Klasson et al. 2019) read at skin angles down to 98 degrees."""
    lightness, chroma, hue = polar(GREEN_SKIN)
    said = named(skin((from_polar(lightness, chroma, hue - 14), 1.0)))
    assert "green" in (said.colour, said.other)


def unsure(colour: str, other: str | None, probability: float) -> Coverage:
    nothing = np.zeros((1, 1), dtype=np.bool_)
    return Coverage(None, colour, nothing, nothing, (), False, other, probability)


def test_the_plate_weighs_on_an_unsure_name_and_leaves_a_strong_one() -> None:
    """With v sure peppers of a color, none of the other, odds are (v + 1/4) / (1/4) times the pepper's own."""
    assert settled(unsure("red", None, 1.0), Counter(orange=5)) is None
    assert settled(unsure("orange", "red", 0.6), Counter(red=3)) == "red"  # 13 to 1 against 1.5 to 1
    assert settled(unsure("orange", "red", 0.6), Counter(orange=1)) == "orange"
    assert settled(unsure("orange", "red", 0.88), Counter(red=2)) is None  # 9 to 1 against 7.3 to 1
    assert settled(unsure("orange", "red", 0.6), Counter(orange=2, red=2)) is None
    assert settled(unsure("yellow", "green", 0.5), Counter(green=3)) == "green"
