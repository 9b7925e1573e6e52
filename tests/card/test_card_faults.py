"""Cards hidden, cut off, bent, doubled or missing: measured, told or refused, never wrong in silence."""

import dataclasses
import io
import time
from pathlib import Path

import card_scenes
import cv2
import numpy as np
import pytest
from card_scenes import PER_MM, camera, codes, drawn, errors, refusal, rms, shoot, with_pixels
from PIL import Image

from truelobe.card import card_png, find_card, load_layout
from truelobe.photo import read_photo

pytestmark = pytest.mark.opencv

LAYOUT = load_layout()
SIZE = (1280, 960)


def covered(photo, truth, corners_mm, colour=(40, 160, 40)):
    pixels = photo.pixels.copy()
    cv2.fillConvexPoly(pixels, np.rint(truth.project(corners_mm)).astype(np.int32), colour)
    return with_pixels(pixels)


def box(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


@pytest.fixture(scope="module")
def plain():
    truth = camera(SIZE, 760, tilt=10)
    return shoot(truth, SIZE), truth


@pytest.mark.parametrize("corner", [(0, 0, 60, 50), (130, 0, 190, 50), (0, 90, 60, 140), (130, 90, 190, 140)])
def test_card_covered_at_one_corner_is_measured(plain, corner):
    photo, truth = plain
    sighting = find_card(covered(photo, truth, box(*corner)))
    assert 20 <= len(sighting.corners_px) < 28
    assert rms(errors(sighting, truth)) < 0.15
    assert sighting.print_number == 4271
    hidden = {
        patch.name
        for patch in LAYOUT.patches
        if corner[0] < patch.centre_mm[0] < corner[2] and corner[1] < patch.centre_mm[1] < corner[3]
    }
    assert hidden
    assert hidden.isdisjoint(reading.name for reading in sighting.patches)
    assert "card-patches-left-out" in codes(sighting)


def test_card_covered_in_the_middle_keeps_its_size_and_loses_its_number(plain):
    photo, truth = plain
    sighting = find_card(covered(photo, truth, box(53, 36, 140, 92)))
    assert sighting.print_number is None
    assert "card-print-unread" in codes(sighting)
    assert {reading.name.split("-")[0] for reading in sighting.patches} == {"grey"}
    assert len(sighting.corners_px) == 28


def test_card_mostly_covered_is_refused(plain):
    photo, truth = plain
    assert refusal(covered(photo, truth, box(0, 0, 150, 140))) == "card-hidden"


@pytest.mark.parametrize(("shift", "outcome"), [(230, None), (360, "flag"), (500, "flag"), (760, "refused")])
def test_card_cut_off(shift, outcome):
    truth = camera(SIZE, 760, offset=(shift, 0))
    photo = shoot(truth, SIZE)
    if outcome == "refused":
        assert refusal(photo) == "card-cut-off"
        return
    sighting = find_card(photo)
    assert ("card-partly-cut-off" in codes(sighting)) == (outcome == "flag")
    assert rms(errors(sighting, truth)) < 0.1


def folded(angle, at=95.0):
    """A card whose right part rises by an angle from a crease."""
    focal = 0.75 * SIZE[0]
    distance = focal * 190 / 760
    inner = np.array([[focal, 0, (SIZE[0] - 1) / 2], [0, focal, (SIZE[1] - 1) / 2], [0, 0, 1]])
    rise = np.radians(angle)
    out = np.full((SIZE[1], SIZE[0], 3), (150, 140, 125), np.uint8)
    to_mm = np.array([[1 / PER_MM, 0, 0.5 / PER_MM], [0, 1 / PER_MM, 0.5 / PER_MM], [0, 0, 1]])
    level = (np.array([1.0, 0, 0]), np.zeros(3), (0, at))
    risen_x = np.array([np.cos(rise), 0, -np.sin(rise)])
    risen = (risen_x, np.array([at, 0, 0]) - at * risen_x, (at, 190))
    for x_axis, start, (low, high) in (level, risen):
        matrix = inner @ np.column_stack([x_axis, [0, 1, 0], np.array([-95, -70, distance]) + start])
        part = np.zeros(drawn().shape[:2], np.uint8)
        part[:, int(PER_MM * low) : int(PER_MM * high)] = 255
        seen = cv2.warpPerspective(drawn(), matrix @ to_mm, SIZE)
        where = cv2.warpPerspective(part, matrix @ to_mm, SIZE) > 127
        out[where] = seen[where]
    return with_pixels(cv2.GaussianBlur(out, (0, 0), 0.8))


def test_flat_card_is_not_called_bent():
    assert not codes(find_card(folded(0)))


def test_slightly_bent_card_is_flagged():
    assert codes(find_card(folded(12))) == {"card-curled"}


@pytest.mark.parametrize(("angle", "at"), [(25, 95), (40, 120), (60, 95)])
def test_folded_card_is_refused(angle, at):
    assert refusal(folded(angle, at)) == "card-folded"


def test_two_cards_are_told():
    left, right = camera(SIZE, 500, offset=(-320, 0)), camera(SIZE, 500, offset=(320, 20), turn=5)
    both = shoot(left, SIZE).pixels.copy()
    both[:, 640:] = shoot(right, SIZE, card=drawn(77)).pixels[:, 640:]
    sighting = find_card(with_pixels(both))
    assert "card-two" in codes(sighting)
    assert sighting.print_number in (4271, 77)


def test_card_of_an_unknown_edition_is_refused():
    other = dataclasses.replace(LAYOUT, edition="TL8", edition_index=8)
    picture = card_png(card_scenes.SOURCE_PER_CM * 2.54, 5, other)
    card = np.asarray(Image.open(io.BytesIO(picture.png)))
    assert refusal(shoot(camera(SIZE, 760), SIZE, card=card)) == "card-unknown-edition"


def test_small_card_is_told():
    sighting = find_card(shoot(camera(SIZE, 400), SIZE))
    assert codes(sighting) == {"card-small"}
    assert sighting.print_number == 4271


# ---------------------------------------------------------------- photos without a card


def photos_without_a_card():
    """Real photographs of produce when they lie beside the checkout, else generated clutter."""
    folder = Path(__file__).resolve().parents[2].parent / "shared" / "real_photos"
    files = sorted(folder.glob("*/*.jpg"))
    if files:
        return [read_photo(file) for file in files]
    rng = np.random.default_rng(11)
    made = []
    for _ in range(40):
        pixels = np.full((480, 640, 3), rng.integers(60, 200, 3), np.uint8)
        for _ in range(60):
            corners = rng.integers(0, 640, 2) + rng.normal(0, 40, (4, 2))
            cv2.fillPoly(pixels, [corners.astype(np.int32)], rng.integers(0, 256, 3).tolist())
        board = rng.integers(0, 2, (8, 8)).astype(np.uint8) * 255  # a checked cloth is no card either
        pixels[20:148, 20:148] = cv2.resize(board, (128, 128), interpolation=cv2.INTER_NEAREST)[..., None]
        made.append(with_pixels(pixels))
    return made


def test_photos_without_a_card_are_refused():
    for photo in photos_without_a_card():
        assert refusal(photo) == "card-not-found", photo.name


@pytest.mark.parametrize("size", [(64, 64), (64, 3000), (5000, 70)])
def test_odd_shapes_do_no_harm(size):
    assert refusal(with_pixels(np.full((size[1], size[0], 3), 127, np.uint8))) == "card-not-found"


def test_finding_costs_little_more_than_decoding():
    size = (4032, 3024)
    photo = shoot(camera(size, 1500, turn=30, tilt=15), size, fine=1, texture=0.3)
    buffer = io.BytesIO()
    Image.fromarray(photo.pixels).save(buffer, "JPEG", quality=92)

    def seconds(job):
        best = np.inf
        for _ in range(3):
            start = time.process_time()
            job()
            best = min(best, time.process_time() - start)
        return best

    decode = seconds(lambda: np.asarray(Image.open(buffer).convert("RGB")))
    # measured: about once the decode time; three times catches a lost reduction or a second search
    assert seconds(lambda: find_card(photo)) < 3 * decode
