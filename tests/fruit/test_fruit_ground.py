"""Whether card and peppers lie on one surface, on drawn grounds whose answer is known by construction."""

import cv2
import numpy as np
import pytest

from truelobe.fruit.ground import ground_between

CARD = np.array([[60.0, 80.0], [360.0, 80.0], [360.0, 500.0], [60.0, 500.0]])
CARD_MM = (100.0, 140.0)
TABLE, PLATE = (150, 120, 95), (225, 225, 220)


def _ring(x: float, y: float, radius: float) -> np.ndarray:
    angle = np.arange(60) * 2 * np.pi / 60
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


PEPPERS = [_ring(680, 200, 95), _ring(760, 420, 100)]


def _photo(plate: tuple[int, int, int] | None, *, light: float = 0.0, shadow: bool = False) -> np.ndarray:
    """A table, a plate on it, a card and two peppers; light that falls off to the right, a hard cast shadow."""
    picture = np.full((600, 1000, 3), TABLE, np.uint8)
    if plate is not None:
        cv2.ellipse(picture, (720, 300), (250, 280), 0, 0, 360, plate, -1)
    if shadow:
        cv2.ellipse(picture, (760, 260), (150, 60), 30, 0, 360, (60, 50, 40), -1)
    picture = picture * np.linspace(1, 1 - light, 1000)[None, :, None]
    picture += np.random.default_rng(1).normal(0, 3, picture.shape)
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    cv2.fillPoly(picture, [CARD.astype(np.int32)], (250, 250, 250))
    cv2.fillPoly(picture, [ring.astype(np.int32) for ring in PEPPERS], (190, 30, 30))
    return cv2.GaussianBlur(picture, (0, 0), 1.2)


@pytest.mark.opencv
@pytest.mark.parametrize("light", [0.0, 0.15])
@pytest.mark.parametrize("shadow", [False, True])
def test_one_table_under_both_is_the_same_ground(light: float, shadow: bool) -> None:
    assert ground_between(_photo(None, light=light, shadow=shadow), CARD, CARD_MM, PEPPERS) == "same"


@pytest.mark.parametrize("plate", [PLATE, (40, 60, 120), (150, 60, 60)])
def test_a_plate_of_another_colour_is_another_ground(plate: tuple[int, int, int]) -> None:
    assert ground_between(_photo(plate), CARD, CARD_MM, PEPPERS) == "other"


def test_a_plate_of_the_tables_own_colour_is_never_called_the_same() -> None:
    """Its rim is a line of shadow and light all round, which every way from card to pepper crosses."""
    picture = _photo(None)
    cv2.ellipse(picture, (720, 300), (250, 280), 0, 0, 360, (95, 75, 60), 12)
    cv2.ellipse(picture, (720, 300), (238, 268), 0, 0, 360, (190, 165, 140), 8)
    assert ground_between(picture, CARD, CARD_MM, PEPPERS) is None


def test_a_checked_cloth_answers_neither_way() -> None:
    picture = _photo(None)
    rows, columns = np.indices(picture.shape[:2]) // 40
    bright = ((rows + columns) % 2 == 0)[..., None] & (np.abs(picture.astype(int) - TABLE).sum(axis=2) < 60)[
        ..., None
    ]
    assert (
        ground_between(np.where(bright, 255 - picture, picture).astype(np.uint8), CARD, CARD_MM, PEPPERS) != "same"
    )


def test_a_pepper_against_the_card_leaves_no_ground_to_look_at() -> None:
    full = [np.array([[0.0, 0.0], [999.0, 0.0], [999.0, 599.0], [0.0, 599.0]])]
    assert ground_between(_photo(None), CARD, CARD_MM, full) is None
