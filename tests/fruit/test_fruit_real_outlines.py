"""The hand outlines of real peppers stay usable: sound polygons, on check pictures alone, agreement as stated."""

import json
from typing import Any

import numpy as np
import pytest
from skimage.draw import polygon2mask

from truelobe.data import data_path

FOLDER = data_path("calibration", "outlines", "real")


@pytest.fixture(scope="module")
def outlines() -> dict[str, Any]:
    return json.loads((FOLDER / "outlines.json").read_text())


@pytest.fixture(scope="module")
def split() -> dict[str, Any]:
    return json.loads((FOLDER / "split.json").read_text())


def mask(polygon: list[list[float]], size: list[int], fine: int = 4) -> np.ndarray:
    points = (np.array(polygon)[:, ::-1] + 0.5) * fine - 0.5
    return polygon2mask((size[1] * fine, size[0] * fine), points)


def crossings(polygon: np.ndarray) -> int:
    """Pairs of sides that cross properly: none in a simple polygon."""
    start, end = polygon, np.roll(polygon, -1, axis=0)

    def side(of: np.ndarray, to: np.ndarray, point: np.ndarray) -> np.ndarray:
        return np.sign(
            (to[:, None, 0] - of[:, None, 0]) * (point[None, :, 1] - of[:, None, 1])
            - (to[:, None, 1] - of[:, None, 1]) * (point[None, :, 0] - of[:, None, 0])
        )

    apart = side(start, end, start) * side(start, end, end)
    return int(np.count_nonzero((apart < 0) & (apart.T < 0)))


def test_check_pictures_are_in_no_other_list(split: dict[str, Any]) -> None:
    for part in ("peppers", "other_produce"):
        lists = [set(names) for names in split[part].values()]
        assert sum(map(len, lists)) == len(set.union(*lists))


def test_every_outline_is_on_a_check_picture_and_every_check_picture_has_one(
    outlines: dict[str, Any], split: dict[str, Any]
) -> None:
    assert {fruit["picture"] for fruit in outlines["fruits"]} == set(split["peppers"]["check"])
    assert len(outlines["fruits"]) >= 40


def test_polygons_are_simple_inside_the_picture_and_follow_the_placed_vertices(outlines: dict[str, Any]) -> None:
    for fruit in outlines["fruits"]:
        polygon = np.array(fruit["polygon"])
        width, height = fruit["picture_size"]
        assert len(polygon) >= 40
        assert polygon.min() >= -0.5
        assert (polygon.max(axis=0) <= [width - 0.5, height - 0.5]).all()
        assert crossings(polygon) == 0, (fruit["picture"], fruit["fruit"])
        away = np.linalg.norm(polygon[None] - np.array(fruit["vertices"])[:, None], axis=2).min(axis=1)
        assert away.max() <= 0.75  # half a pixel at the picture's rim, rounding elsewhere


def test_fruits_of_one_picture_hardly_overlap(outlines: dict[str, Any]) -> None:
    by_picture: dict[str, list[np.ndarray]] = {}
    for fruit in outlines["fruits"]:
        by_picture.setdefault(fruit["picture"], []).append(mask(fruit["polygon"], fruit["picture_size"], 1))
    for picture, masks in by_picture.items():
        area = np.sum(masks, axis=0)
        # Two neighbours' borders, each a pixel unsure, may overlap by a few percent.
        assert np.count_nonzero(area > 1) <= 0.03 * np.count_nonzero(area), picture


def test_stated_agreement_of_first_and_second_drawing(outlines: dict[str, Any]) -> None:
    values = []
    for fruit in outlines["fruits"]:
        if "second_polygon" in fruit:
            first, second = (
                mask(fruit[f"{which}_polygon"], fruit["picture_size"]) for which in ("first", "second")
            )
            values.append(np.count_nonzero(first & second) / np.count_nonzero(first | second))
    stated = outlines["second_drawing_iou"]
    assert len(values) == stated["fruits"] == 10
    assert np.mean(values) == pytest.approx(stated["mean"], abs=0.001)
    assert min(values) == pytest.approx(stated["min"], abs=0.001)
