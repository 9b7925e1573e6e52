"""A mark on the picture travels as a correction, is measured on its pepper, and never refuses the photo."""

from __future__ import annotations

import json

import numpy as np
import pytest
from tests.grading.test_grading_blemish import BOX, cap_line, sphere

from truelobe.corrections import marked_blemishes
from truelobe.figures import Contribution, from_normal
from truelobe.fruit import Silhouette
from truelobe.fruit.skin import SkinMap
from truelobe.request import Correction


def pepper():
    body, skin, facing = sphere()
    nothing = np.zeros_like(body)
    centre = (BOX[0] + body.shape[1] // 2, BOX[1] + body.shape[0] // 2)
    outline = np.array([[BOX[0], BOX[1]], [BOX[2], BOX[1]], [BOX[2], BOX[3]]], dtype=np.float64)
    silhouette = Silhouette(
        number=1, box=BOX, body=body, calyx=nothing, stem=nothing, outline_px=(outline,), calyx_px=(), stem_px=(),
        centre_px=np.array(centre, dtype=np.float64), score=1.0, doubtful=False, hidden_fraction=0.0,
        occluded=(np.zeros(3, dtype=bool),),
    )  # fmt: skip
    return silhouette, SkinMap(skin, facing, float(2 * skin.sum())), tuple(map(float, centre))


def test_a_mark_is_measured_with_the_scale_error_that_it_shares_with_the_photo():
    silhouette, skin, at = pepper()
    line, true = cap_line(20.0, 0.0, 0, 40)
    change = Correction("blemish", at, line=tuple(map(tuple, line.tolist())), word="scars")
    assert Correction.from_document(json.loads(json.dumps(change.document()))) == change
    # 2 % of scale, shared by the photo: 4 % of area.
    size = from_normal(
        80.0, 1.9, (Contribution("focal length", 1.6, "photo"), Contribution("edge", 1.0, "pepper"))
    )
    (mark,), messages = marked_blemishes(silhouette, skin, [change], size)
    assert mark.fact == "scars"
    # 2 % for the pixels; lobed skin that strays from the body by 12 degrees has 2 % more than one that faces us.
    assert mark.area_mm2.value == pytest.approx(true, rel=0.04)
    scale = next(part for part in mark.area_mm2.budget if part.shared_by == "photo")
    assert scale.effect == pytest.approx(0.04 * mark.area_mm2.value)
    assert messages == ()


def test_a_mark_on_another_pepper_is_not_this_ones():
    silhouette, skin, _ = pepper()
    change = Correction("blemish", (5.0, 5.0), line=((0.0, 0.0), (9.0, 0.0), (9.0, 9.0)))
    assert marked_blemishes(silhouette, skin, [change], None) == ((), ())


def test_the_same_line_again_names_a_mark_or_takes_it_off():
    silhouette, skin, at = pepper()
    line = tuple(map(tuple, cap_line(20.0, 0.0, 0, 40)[0].tolist()))
    drawn, named = Correction("blemish", at, line=line), Correction("blemish", at, line=line, word="hail")
    (mark,), _ = marked_blemishes(silhouette, skin, [drawn], None)
    assert mark.fact is None
    (mark,), _ = marked_blemishes(silhouette, skin, [drawn, named], None)
    assert mark.fact == "hail"
    assert marked_blemishes(silhouette, skin, [drawn, named, Correction("unmark", at, line=line)], None) == (
        (),
        (),
    )


@pytest.mark.parametrize(
    "line", [None, ((1.0, 1.0), (2.0, 2.0)), ((-90.0, -90.0), (-80.0, -90.0), (-80.0, -80.0))]
)
def test_a_mark_that_cannot_be_measured_is_said_and_the_pepper_keeps_its_figures(line):
    silhouette, skin, at = pepper()
    marks, messages = marked_blemishes(silhouette, skin, [Correction("blemish", at, line=line)], None)
    assert marks == ()
    assert [message.severity for message in messages] == ["flag"]
