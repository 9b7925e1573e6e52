"""Photos of the card with known geometry: the drawn card, seen by a pinhole camera, made worse as photos are."""

import io
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import pytest
from PIL import Image

from truelobe.card import card_png, find_card
from truelobe.messages import TruelobeError
from truelobe.photo import Photo

SOURCE_PER_CM = 120  # pixels per 10 mm of the drawing that is warped


PER_MM = SOURCE_PER_CM / 10


@lru_cache(maxsize=4)
def drawn(print_number=4271):
    """The card as pixels; not to be written to."""
    picture = card_png(SOURCE_PER_CM * 2.54, print_number)
    return np.asarray(Image.open(io.BytesIO(picture.png)))


@dataclass(frozen=True)
class Truth:
    """Where card millimetres really lie in the picture."""

    matrix: np.ndarray

    def project(self, points_mm):
        points = np.asarray(points_mm, float).reshape(-1, 1, 2)
        return cv2.perspectiveTransform(points, self.matrix).reshape(-1, 2)


def camera(size, card_px, tilt=0.0, turn=0.0, offset=(0.0, 0.0), toward=0.0):
    """A pinhole camera over the card.

    `card_px`: width of the card if seen straight; `tilt` degrees about an axis `toward` in the card's plane;
    `turn` about the view axis; `offset` px of the card's middle from the picture's.
    """
    focal = 0.75 * size[0]
    tilt, turn, toward = np.radians([tilt, turn, toward])
    axis = tilt * np.array([np.cos(toward), np.sin(toward), 0.0])
    rotation = cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0] @ cv2.Rodrigues(axis)[0]
    distance = focal * 190.0 / card_px
    target = np.array([offset[0] / focal, offset[1] / focal, 1.0]) * distance
    shift = target - rotation @ np.array([95.0, 70.0, 0.0])
    inner = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    matrix = inner @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    return Truth(matrix / matrix[2, 2])


def shoot(
    truth,
    size,
    *,
    card=None,
    blur=0.7,
    noise=2.0,
    jpeg=None,
    table=(150, 140, 125),
    light=None,
    exposure=0.85,
    fine=2,
    texture=0.0,
    seed=1,
):
    """Take the photo: `fine` x `fine` samples a pixel, Gaussian blur, light, noise in levels, JPEG."""
    card = drawn() if card is None else card
    per_mm = PER_MM
    # card pixel centres to mm, mm to fine picture pixels
    to_mm = np.array([[1 / per_mm, 0, 0.5 / per_mm], [0, 1 / per_mm, 0.5 / per_mm], [0, 0, 1]])
    finer = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    big = (size[0] * fine, size[1] * fine)
    rng = np.random.default_rng(seed)
    ground = np.empty((big[1], big[0], 3), np.uint8)
    ground[:] = table
    cv2.warpPerspective(
        card, finer @ truth.matrix @ to_mm, big, ground, cv2.INTER_AREA, borderMode=cv2.BORDER_TRANSPARENT
    )
    pixels = cv2.resize(ground, size, interpolation=cv2.INTER_AREA) if fine > 1 else ground
    lightness = ((pixels / 255.0) ** 2.2 * exposure).astype(np.float32)
    if light is not None:
        lightness *= light
    if texture:
        rough = cv2.GaussianBlur(rng.normal(0, texture, size[::-1]).astype(np.float32), (0, 0), 1.5)
        lightness *= (1 + rough[:, :, None]) * np.ones(3, np.float32)
    if blur:
        lightness = cv2.GaussianBlur(lightness, (0, 0), blur)
    shown = 255 * np.clip(lightness, 0, None) ** (1 / 2.2)
    if noise:
        shown = shown + rng.normal(0, noise, shown.shape)
    pixels = np.clip(np.rint(shown), 0, 255).astype(np.uint8)
    if jpeg:
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, "JPEG", quality=jpeg)
        pixels = np.asarray(Image.open(buffer).convert("RGB"))
    return Photo(pixels, np.eye(3), None, None, "0" * 64, "scene")


def errors(sighting, truth):
    return sighting.corners_px - truth.project(sighting.corners_mm)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def scale_error(sighting, truth):
    true = truth.project(sighting.corners_mm)

    def distances(points):
        return np.linalg.norm(points[:, None] - points[None], axis=-1).sum()

    return distances(sighting.corners_px) / distances(true) - 1


def codes(sighting):
    return {message.code for message in sighting.messages}


def refusal(photo):
    with pytest.raises(TruelobeError) as caught:
        find_card(photo)
    return caught.value.message.code


def with_pixels(pixels):
    return Photo(np.ascontiguousarray(pixels), np.eye(3), None, None, "0" * 64, "scene")
