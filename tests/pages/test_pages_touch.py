"""What comes from a browser is checked before it is believed."""

import base64

import pytest

from truelobe.pages import touch


def test_a_touched_spot_and_drawn_points_come_back_as_numbers():
    assert touch.read_touch({"number": 3}) == touch.Touch(number=3)
    assert touch.read_touch({"points": [[10, 20.5], [30, 40]]}) == touch.Touch(points=((10.0, 20.5), (30.0, 40.0)))


@pytest.mark.parametrize(
    "answer",
    [None, 7, [], {}, {"number": True}, {"number": "3"}, {"points": []}, {"points": [[1]]}, {"points": [["a", 2]]},
     {"points": [[1, 2]] * 2001}, {"points": {"0": [1, 2]}}],
)  # fmt: skip
def test_anything_else_is_dropped(answer):
    assert touch.read_touch(answer) is None


def test_a_pasted_picture_comes_back_whole():
    written = base64.b64encode(b"\x89PNG...").decode()
    assert touch.read_paste({"name": "image.png", "base64": written}) == ("image.png", b"\x89PNG...")


@pytest.mark.parametrize("answer", [None, {}, {"name": "a", "base64": "not base64!"}, {"name": 3, "base64": ""}])
def test_a_broken_paste_is_dropped(answer):
    assert touch.read_paste(answer) is None
