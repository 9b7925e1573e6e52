"""References of ripeness: published hues, the team's own, and files that are not references."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from tests.colour.colour_scenes import SKINS, Camera, FakePhoto, make_ball, see

from truelobe.colour import (
    correct_from_card,
    delta_e_2000,
    load_references,
    reference_from_skin,
    references_from_document,
)
from truelobe.colour.ends import scale_of
from truelobe.colour.ripeness import skin_colour
from truelobe.messages import TruelobeError

pytestmark = pytest.mark.opencv


def hue(lab: tuple[float, float, float]) -> float:
    return float(np.degrees(np.arctan2(lab[2], lab[1]))) % 360


# Molinari et al., Proc. Florida State Hort. Soc., 1999: hue angle at full ripeness.
@pytest.mark.parametrize(("colour", "published"), [("red", 29.9), ("yellow", 87.5)])
def test_shipped_references_hold_the_published_hues(colour: str, published: float) -> None:
    pair = load_references().of(colour)
    assert pair is not None
    assert abs(hue(pair.ripe.lab) - published) < pair.ripe.spread[2]


def test_every_reference_says_where_it_comes_from() -> None:
    references = load_references()
    assert set(references.colours) == {"red", "orange", "yellow", "green"}
    for pair in references.colours.values():
        assert len(pair.ripe.source) > 10
        assert len(pair.unripe.source) > 10


def test_document_goes_there_and_back() -> None:
    references = load_references()
    assert references_from_document(json.loads(json.dumps(references.document()))) == references


def test_the_teams_own_reference_takes_over() -> None:
    own = load_references().with_team("purple", (25, 18, -4), (3, 4, 6), "six 'Islander', 14 May")
    pair = own.of("purple")
    assert pair is not None
    assert pair.ripe.lab == (25, 18, -4)
    assert "six 'Islander'" in pair.ripe.source
    assert own.edition.endswith("+team")
    assert own.with_team("red", (36, 45, 25), (3, 4, 3), "x").edition == own.edition
    assert load_references().of("purple") is None


@pytest.mark.parametrize("colour", ["red", "orange", "yellow"])
def test_a_reference_made_from_a_photo_is_the_skin(colour: str) -> None:
    camera = Camera(gain=(0.8, 0.75, 0.65), gamma=1.1)
    correction = correct_from_card(FakePhoto(), see(camera))
    ball = make_ball(camera, ripe=SKINS[colour], share=0.0, gloss=0.3)
    lab, spread = reference_from_skin(correction.to_lab(ball.pixels)[ball.body])
    # Shading hides the true lightness: hue and chroma at that lightness are what is asked.
    truth = np.array(SKINS[colour]) * (lab[0] + 16) / (SKINS[colour][0] + 16)
    assert float(delta_e_2000([lab[0], *lab[1:]], [lab[0], *truth[1:]])) < 4
    assert (spread >= [2, 3, 2]).all()


def test_too_little_skin_is_refused() -> None:
    with pytest.raises(TruelobeError) as said:
        reference_from_skin(np.full((20, 3), 40.0))
    assert said.value.message.code == "reference-too-small"


@pytest.mark.parametrize(
    "content", ["", "[]", "{}", '{"schema": 1}', '{"schema": 1, "edition": "x", "colours": {"red": {"ripe": 3}}}']
)
def test_a_broken_file_is_said(content: str, tmp_path: Path) -> None:
    file = tmp_path / "references.json"
    file.write_text(content)
    with pytest.raises(TruelobeError) as said:
        load_references(file)
    assert said.value.message.code == "references-unreadable"


@pytest.mark.parametrize("lab", [(0, 1, 1), (50, 400, 0), (float("nan"), 1, 1), (1, 2)])
def test_an_impossible_color_is_said(lab: tuple[float, ...]) -> None:
    with pytest.raises(TruelobeError) as said:
        load_references().with_team("red", lab, (3, 4, 3), "x")
    assert said.value.message.code == "references-unreadable"


def test_a_green_pepper_is_fully_colored_while_green_and_the_doubt_reaches_yellowing_skin() -> None:
    """Common practice, no published source: turned skin counts, paler green does not, yellowing is in doubt."""
    pair = load_references().colours["green"]
    turned_hue, yellowing = hue(pair.unripe.lab), 95
    assert turned_hue + pair.unripe.spread[2] < yellowing < turned_hue + 1.5 * pair.unripe.spread[2]
    scale = scale_of(pair)
    dark, pale, turned = (np.array(lab, dtype=np.float64) for lab in ((36, -18, 28), (62, -20, 42), (52, 30, 48)))
    read = [float(scale.place(skin_colour(lab)).ripeness) for lab in (dark, pale, turned)]
    assert min(read[:2]) > 0.5 > read[2]
