"""The trained outline network and what is built on it, on one path-traced plate whose truth is known."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from tests.benchmarks.outlines import card_outline, matched, plate_truth

from truelobe import cli, fruit, schema
from truelobe.fruit import finder
from truelobe.fruit.closer import closer_look
from truelobe.fruit.finder import Candidate
from truelobe.fruit.grouping import group
from truelobe.fruit.network import _asked, look, model_path
from truelobe.fruit.silhouette import overlap
from truelobe.messages import TruelobeError
from truelobe.photo import read_photo

pytestmark = pytest.mark.opencv
HERE = Path(__file__).parent
PLATE = HERE / "plate" / "plate.jpg"


@pytest.fixture(scope="module")
def pixels():
    return read_photo(PLATE).pixels


@pytest.fixture(scope="module")
def truth():
    return json.loads((HERE / "plate" / "plate.truth.json").read_text())


@pytest.fixture(scope="module")
def found(pixels, truth):
    return fruit.find_fruit(pixels, (card_outline(truth),))


def touching(found):
    """The two peppers of the plate whose middles are nearest to each other."""
    pairs = [(one, other) for one in found for other in found if one.number < other.number]
    return min(pairs, key=lambda pair: np.hypot(*(pair[0].centre_px - pair[1].centre_px)))


def test_network_answers_as_the_onnx_reference_does():
    # The stored answer is ONNX's own ReferenceEvaluator's, kept as float16: 11 bits, so 1/128 at the size of 20.
    kept = np.load(HERE / "network_reference.npz")
    side = kept["picture"].shape[0]
    answer = _asked(kept["picture"], model_path(), (side, side))
    wanted = kept["answer"].astype(np.float32).reshape(6, 2, 2, side // 2, side // 2)
    wanted = wanted.transpose(0, 3, 1, 4, 2).reshape(6, side, side)
    assert np.abs(answer - wanted).max() < 0.02


def test_model_is_small_and_named_by_its_fingerprint():
    assert model_path().stat().st_size <= 5_000_000
    assert len(fruit.model_name().split()[-1]) == 8


def test_every_pepper_of_the_plate_is_outlined_as_the_truth_says(found, truth):
    truths = [plate_truth(pepper, truth["difficulty"]) for pepper in truth["peppers"]]
    matches, false = matched(truths, found)
    assert not false
    assert [one.number for one in found] == list(range(1, len(truths) + 1))
    # Easy development plates: mean 0.98, 1 of 78 under 0.90 (calibration/outlines/README.md).
    assert min(match.iou for match in matches) >= 0.93
    assert not any(one.doubtful for one in found)


def test_masks_and_polygons_of_a_silhouette_agree(found):
    for one in found:
        assert one.body.shape == (one.box[3] - one.box[1], one.box[2] - one.box[0])
        assert not (one.calyx & ~one.body).any()
        assert not (one.stem & one.body).any()
        assert [len(ring) for ring in one.outline_px] == [len(mask) for mask in one.occluded]


def test_a_portrait_photo_gives_the_maps_of_the_same_photo_lying(pixels):
    lying = look(pixels)
    standing = look(np.ascontiguousarray(np.rot90(pixels, -1)))
    assert np.abs(np.rot90(standing.fruit) - lying.fruit).max() < 0.05
    # Turned a quarter to the left, what pointed down points right: x' = y, y' = -x.
    turned = np.rot90(standing.vector)
    assert np.abs(np.stack([turned[..., 1], -turned[..., 0]], -1) - lying.vector).max() < 0.5


def test_what_is_barred_after_a_look_is_as_if_barred_before_it(pixels, truth):
    card, corner = card_outline(truth), np.array([[0.0, 0.0], [300.0, 0.0], [0.0, 300.0]])
    glanced = fruit.glance(pixels)
    before, after = look(pixels, (card, corner)), glanced.barring((card,)).barring((corner,))
    for name in ("fruit", "calyx", "stem", "vector", "contact"):
        assert np.array_equal(getattr(before, name), getattr(after, name)), name
    assert all(map(np.array_equal, before.exclude, after.exclude))
    assert (before.fruit != glanced.fruit).any()


def test_a_small_photo_reads_the_same_mirrored(pixels):
    # Four ways are averaged, so a mirror only exchanges them; rounding aside, which float32 keeps under 1e-3.
    small = cv2.resize(pixels, (464, 348), interpolation=cv2.INTER_AREA)
    plain, mirrored = look(small), look(np.ascontiguousarray(small[:, ::-1]))
    assert plain.fruit.shape[1] == 768
    assert np.abs(mirrored.fruit[:, ::-1] - plain.fruit).max() < 1e-3
    assert np.abs(mirrored.vector[:, ::-1] * [-1, 1] - plain.vector).max() < 0.05
    once = look(small, view=(768, 576)).fruit
    assert np.abs(once - plain.fruit).max() > 0.1


def test_a_portrait_photo_gives_the_same_peppers(pixels, truth, found):
    card = card_outline(truth)
    height = pixels.shape[0]
    turned = np.ascontiguousarray(np.rot90(pixels, -1))
    again = fruit.find_fruit(turned, (np.stack([height - 1 - card[:, 1], card[:, 0]], -1),))
    assert len(again) == len(found)
    for one in found:
        where = [height - 1 - one.centre_px[1], one.centre_px[0]]
        other = min(again, key=lambda near: np.hypot(*(near.centre_px - where)))
        assert other.body.sum() == pytest.approx(one.body.sum(), rel=0.03)


def test_what_the_frame_cuts_off_is_told_apart_from_what_is_doubtful(pixels, truth, found):
    left = min(found, key=lambda one: one.box[0])
    quarter = round(left.box[0] * 0.75 + left.box[2] * 0.25)
    piece = np.ascontiguousarray(pixels[:, quarter:])
    cut, *others = sorted(
        fruit.find_fruit(piece, (card_outline(truth) - [quarter, 0],)), key=lambda one: one.box[0]
    )
    assert (cut.cut_off, cut.doubtful) == (True, False)
    assert not any(one.cut_off for one in others)


def test_no_pepper_on_card_and_cloths(pixels, truth):
    card = card_outline(truth)
    low, high = np.maximum(card.min(axis=0).astype(int) - 10, 0), card.max(axis=0).astype(int)
    # The card and the red cloth round it, where no pepper lies.
    piece = np.ascontiguousarray(pixels[low[1] : min(high[1], 380), low[0] - 300 : high[0] - 60])
    assert fruit.find_fruit(piece, (card - [low[0] - 300, low[1]],)) == ()
    rows, columns = np.mgrid[:480, :640]
    for colour in ((180, 30, 30), (40, 120, 50), (230, 190, 40)):
        plain = np.full((480, 640, 3), colour, np.uint8)
        checks = np.where(((rows // 40 + columns // 40) % 2)[..., None], plain, np.uint8(235))
        stripes = np.where(((rows + columns) // 30 % 2)[..., None], plain, np.uint8(60))
        for cloth in (plain, checks, stripes):
            assert not [one for one in fruit.find_fruit(cloth) if not one.doubtful]


@pytest.mark.parametrize(
    ("score", "sureness", "lost", "stands"),
    [(0.9, 0.7, True, False), (0.96, 0.7, True, True), (0.9, 0.85, True, True), (0.9, 0.7, False, True)],
)
def test_a_find_not_confirmed_from_nearer_must_be_plain(monkeypatch, found, score, sureness, lost, stands):
    lone = replace(found[0], score=score, disagreement_px=None)
    finds = {
        1: Candidate(lone, lone.outline_px[0], sureness, lost),
        2: Candidate(found[1], found[1].outline_px[0], 0.9),
    }
    monkeypatch.setattr(finder, "candidate", lambda *given, **_: finds[given[3]])
    seen = finder.outlined(
        np.zeros((8, 8, 3), np.uint8), SimpleNamespace(shape=(1200, 1600)), SimpleNamespace(count=2)
    )
    assert len(seen) == 1 + stands


@pytest.mark.parametrize(("limit", "ways"), [(0.0, [False]), (1.1, [False, True])], ids=["clear", "unclear"])
def test_an_unclear_edge_is_looked_at_again_mirrored(monkeypatch, pixels, found, limit, ways):
    looks = []

    def looked(*given, mirrored):
        looks.append(mirrored)
        return closer_look(*given, mirrored=mirrored)

    monkeypatch.setattr(finder, "UNCLEAR_EDGE", limit)
    monkeypatch.setattr(finder, "closer_look", looked)
    maps = look(pixels)
    one = finder.candidate(pixels, maps, group(maps), 1)
    assert looks == ways
    assert max(overlap(one.silhouette, other) for other in found) > 0.97


def test_a_tap_adds_the_pepper_under_it(pixels, found):
    for one in found:
        others = [other for other in found if other is not one]
        added = fruit.add_at(pixels, tuple(one.centre_px), others)
        assert overlap(added, one) > 0.95


def test_a_tap_on_nothing_says_so(pixels):
    for tap in ((100.0, 1000.0), (-50.0, 20.0)):
        with pytest.raises(TruelobeError) as error:
            fruit.add_at(pixels, tap)
        assert error.value.message.code == "no-pepper-here"


def test_joined_peppers_part_again_by_two_taps(pixels, found):
    one, other = touching(found)
    joined = fruit.merge(one, other)
    assert joined.body.sum() >= one.body.sum() + other.body.sum() - 0.02 * joined.body.sum()
    first, second = fruit.split(pixels, joined, tuple(one.centre_px), tuple(other.centre_px))
    assert overlap(first, one) > 0.93
    assert overlap(second, other) > 0.93


def test_parting_needs_two_taps_on_the_outline(pixels, found):
    with pytest.raises(TruelobeError) as error:
        fruit.split(pixels, found[0], tuple(found[0].centre_px), (5.0, 5.0))
    assert error.value.message.code == "cannot-part"


def test_far_peppers_are_not_joined(found):
    far = max(found, key=lambda one: np.hypot(*(one.centre_px - found[0].centre_px)))
    moved_away = fruit.silhouette.moved(far, 900, 0)
    with pytest.raises(TruelobeError) as error:
        fruit.merge(found[0], moved_away)
    assert error.value.message.code == "cannot-join"


def test_outline_writes_documents_that_fit_their_schema(tmp_path, found):
    empty, broken, out = tmp_path / "empty.png", tmp_path / "broken.jpg", tmp_path / "out.json"
    cv2.imwrite(str(empty), np.full((300, 400, 3), 200, np.uint8))
    broken.write_bytes(b"no photo at all")
    assert cli.main(["outline", str(PLATE), "--json", str(out)]) == 0
    assert cli.main(["outline", str(empty), "--json", str(out)]) == 3
    assert cli.main(["outline", str(PLATE), str(empty), str(broken), "--json", str(out)]) == 4
    documents = [json.loads(line) for line in out.read_text().splitlines()]
    for document in documents:
        schema.check(document, "outline-1")
    assert [document["status"] for document in documents] == ["ok", "flagged", "refused"]
    assert len(documents[0]["peppers"]) == len(found)
    assert documents[1]["peppers"] == documents[2]["peppers"] == []
