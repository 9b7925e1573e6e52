"""The whole way: a sample plate in, a valid document with right figures out; bad photos refused in plain words."""

import io
import json
import threading
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image
from tests.benchmarks.accuracy import measure_plate

from truelobe import inspection, schema, side_by_side
from truelobe.card import find_card, load_layout, scale_from_bars
from truelobe.data import data_path
from truelobe.fruit.bearing import read_bearing
from truelobe.inspection import inspect_photo, inspect_plate
from truelobe.messages import TruelobeError
from truelobe.photo import Photo, read_photo
from truelobe.request import Correction, Request

pytestmark = pytest.mark.opencv

# What figures may be off by at most, as a root mean square, where the outline is right and the tool does not ask
# which way the axis runs: what a coach can use. A single view of a lobed pepper leaves 2.5 mm on the diameter and
# 3.5 mm on the length even with a perfect outline.
MOST_MM = {"diameter": 3.0, "length": 6.0}
MOST_COVERAGE = 0.05
RIGHT = 0.95


def plates() -> list[Path]:
    return sorted(data_path("sample_images", "plates").glob("*.jpg"))


def truth_of(plate: Path) -> dict:
    return json.loads(plate.with_suffix(".truth.json").read_text(encoding="utf-8"))


def told(truth: dict) -> Request:
    """What a coach would tell: the two bars as a ruler shows them, to half a millimetre."""
    bars = [round(2 * truth["card"][name]) / 2 for name in ("bar_across_mm", "bar_down_mm")]
    return Request(bars=scale_from_bars(load_layout(), *bars, 0.3))


@pytest.fixture(scope="module")
def first() -> tuple[Path, dict]:
    return plates()[0], truth_of(plates()[0])


@pytest.fixture(scope="module")
def measured(first):
    plate, truth = first
    return inspect_plate(plate, told(truth), name=plate.name)


def paired(document: dict, truth: dict) -> list[tuple[dict, dict]]:
    pairs = []
    for true in truth["peppers"]:
        away = [np.hypot(*np.subtract(p["centre_px"], true["centre_px"])) for p in document["peppers"]]
        pairs.append((document["peppers"][int(np.argmin(away))], true))
    return pairs


class AtOnce(Executor):
    """In place of another thread: what is submitted is done before anything else."""

    def __init__(self, max_workers: int) -> None:
        del max_workers

    def submit(self, call, /, *arguments, **options):
        future = Future()
        future.set_result(call(*arguments, **options))
        return future


def test_what_is_done_side_by_side_gives_what_one_after_the_other_gives(first, measured, monkeypatch) -> None:
    plate, truth = first
    monkeypatch.setattr(inspection, "ThreadPoolExecutor", AtOnce)
    monkeypatch.setattr(side_by_side, "ThreadPoolExecutor", AtOnce)
    assert inspect_plate(plate, told(truth), name=plate.name).document() == measured.document()


def grey_photo() -> Photo:
    written = io.BytesIO()
    Image.new("RGB", (320, 240), (120, 120, 120)).save(written, "PNG")
    return read_photo(written.getvalue(), name="grey")


def test_a_refusal_beside_a_look_still_under_way_waits_for_it(monkeypatch) -> None:
    refused, looked = threading.Event(), []

    def no_card(photo):
        refused.set()
        raise TruelobeError("card-not-found", "No card.", "Lay it down.")

    def look(pixels):
        assert refused.wait(60)
        looked.append(pixels.shape)

    monkeypatch.setattr(inspection, "find_card", no_card)
    monkeypatch.setattr(inspection, "glance", look)
    running = threading.enumerate()
    document = inspect_photo(grey_photo()).document()
    assert document["status"] == "refused"
    assert [message["code"] for message in document["messages"]] == ["card-not-found"]
    assert looked == [(240, 320, 3)]
    assert threading.enumerate() == running


def test_what_nobody_foresaw_in_a_look_leaves_no_card_search_running(monkeypatch) -> None:
    failing, searched = threading.Event(), []

    def card(photo):
        assert failing.wait(60)
        searched.append(photo.name)

    def look(pixels):
        failing.set()
        raise MemoryError

    monkeypatch.setattr(inspection, "find_card", card)
    monkeypatch.setattr(inspection, "glance", look)
    running = threading.enumerate()
    with pytest.raises(MemoryError):
        inspect_photo(grey_photo())
    assert searched == ["grey"]
    assert threading.enumerate() == running


def test_what_is_rightly_outlined_on_every_third_sample_is_rightly_measured() -> None:
    misses: dict[str, list[float]] = {"diameter": [], "length": [], "coverage": []}
    peppers = found = right = 0
    for path in sorted(data_path("sample_images", "plates").glob("*.truth.json"))[::3]:
        row = measure_plate(path, floors=False)
        peppers += len(row["peppers"])
        found += sum(pepper["found"] for pepper in row["peppers"])
        for pepper in row["peppers"]:
            if pepper["iou"] < RIGHT:
                continue
            right += 1
            if pepper["doubtful"] or pepper["axis_asked"]:
                continue
            for name, miss in misses.items():
                figure = pepper["figures"][name]
                named = name != "coverage" or pepper["colour"] == pepper["said_colour"]
                if figure["value"] is not None and named:
                    miss.append(figure["value"] - figure["true"])
    assert found >= 0.95 * peppers
    assert right >= 0.85 * peppers
    for name, most in (*MOST_MM.items(), ("coverage", MOST_COVERAGE)):
        miss = np.array(misses[name])
        # The root mean square of n misses has itself a relative standard error of 1 / sqrt(2 n): two are allowed.
        assert np.sqrt(np.mean(miss**2)) <= most * (1 + 2 / np.sqrt(2 * len(miss))), name


def test_figures_carry_a_budget_and_decisions_their_probability(measured) -> None:
    for pepper in measured.document()["peppers"]:
        if pepper["doubtful"]:
            continue
        sources = {line["source"] for line in pepper["diameter_mm"]["budget"]}
        assert {"focal length", "pose", "plate height", "edge", "axis", "body form"} <= sources
        rules = {(d["quantity"], d["limit"]) for d in pepper["decisions"]}
        assert {("diameter", 63.5), ("diameter", 76.2), ("length", 63.5), ("length", 88.9)} <= rules
        assert ("not_fully_coloured", 0.15) in rules
        whole = [d for d in pepper["decisions"] if d["basis"] == "whole" and d["quantity"] == "not_fully_coloured"]
        assert all(d["outcome"] in ("missed", "not seen") for d in whole), "one photo never proves the whole skin"


def test_the_same_photo_gives_the_same_document(measured, first) -> None:
    again = inspect_plate(first[0], told(first[1]), name=first[0].name)
    assert again.document() == measured.document()


def test_corrections_by_hand_count_and_are_marked(measured, first) -> None:
    plate, truth = first
    pepper = measured.document()["peppers"][0]
    at = tuple(pepper["centre_px"])
    caliper = Correction("measured", at, quantity="diameter", value=77.0, uncertainty=0.2)
    gone = Correction("remove", tuple(measured.document()["peppers"][-1]["centre_px"]))
    asked = next(p for p in measured.document()["peppers"] if p["other_colour"])
    assert "green" in (asked["colour"], asked["other_colour"])
    named = Correction("colour", tuple(asked["centre_px"]), word="green")
    changed = inspect_plate(plate, replace(told(truth), corrections=(caliper, gone, named))).document()
    answered = next(p for p in changed["peppers"] if p["number"] == asked["number"])
    assert (answered["colour"], answered["other_colour"]) == ("green", None)
    assert len(changed["peppers"]) == len(measured.peppers) - 1
    by_hand = next(p for p in changed["peppers"] if p["by_hand"])
    assert by_hand["by_hand"] == ["diameter"]
    assert by_hand["diameter_mm"]["value"] == 77.0
    assert by_hand["by_photo"]["diameter_mm"]["value"] == pytest.approx(pepper["diameter_mm"]["value"])
    fancy = next(d for d in by_hand["decisions"] if d["limit"] == 76.2)
    assert fancy["outcome"] == "met"
    assert [Correction.from_document(c) for c in changed["made_by"]["corrections"]] == [caliper, gone, named]


def test_an_outline_of_which_no_size_can_be_told_waits_for_the_coachs_word(measured, first, monkeypatch) -> None:
    plate, truth = first
    at = tuple(measured.document()["peppers"][0]["centre_px"])

    def vaguely(pixels, silhouette):
        read = read_bearing(pixels, silhouette)
        return replace(read, diameter_px=(read.diameter_px[0], 0.5)) if silhouette.number == 1 else read

    monkeypatch.setattr(inspection, "read_bearing", vaguely)
    unsure, *rest = inspect_plate(plate, told(truth)).document()["peppers"]
    assert unsure["doubtful"]
    assert unsure["diameter_mm"] is None
    assert [p["doubtful"] for p in rest] == [p["doubtful"] for p in measured.document()["peppers"][1:]]
    by_hand = replace(told(truth), corrections=(Correction("keep", at),))
    kept = inspect_plate(plate, by_hand).document()["peppers"][0]
    assert not kept["doubtful"]
    assert kept["diameter_mm"] is not None


def test_an_unmeasured_print_is_flagged_and_widens_the_figures(measured, first) -> None:
    plain = inspect_plate(first[0])
    assert "print-not-measured" in {m.code for m in plain.messages}
    lines = plain.document()["peppers"][0]["length_mm"]["budget"]
    scale = [line for line in lines if line["source"].startswith("print scale")]
    assert {line["shared_by"] for line in scale} == {"print"}
    assert sum(line["effect"] ** 2 for line in scale) > 0.1**2


def shrunk(first: tuple[Path, dict]) -> Image.Image:
    return Image.open(first[0]).convert("RGB")


def encoded(picture: Image.Image, format_: str = "JPEG", **how: object) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, format_, **how)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("bad", "code"),
    [
        (b"", "photo-empty"),
        (b"not a picture at all", "photo-not-an-image"),
        (encoded(Image.new("RGB", (800, 600), "white")), "card-not-found"),
        (encoded(Image.effect_noise((900, 700), 60).convert("RGB"), "PNG"), "card-not-found"),
    ],
)
def test_a_bad_photo_is_refused_in_plain_words(bad: bytes, code: str) -> None:
    document = inspect_plate(bad).document()
    schema.check(document)
    assert document["status"] == "refused"
    assert document["messages"][-1]["code"] == code
    assert document["peppers"] == []


def test_a_truncated_photo_is_refused(first) -> None:
    whole = first[0].read_bytes()
    document = inspect_plate(whole[: len(whole) // 2]).document()
    assert document["status"] == "refused"
    assert document["messages"][-1]["code"] == "photo-damaged"


def test_a_card_without_peppers_is_refused_with_what_to_do(first) -> None:
    picture = np.asarray(shrunk(first)).copy()
    outline = np.array(inspect_plate(first[0]).document()["made_by"]["card"]["outline_px"])
    low, high = np.floor(outline.min(axis=0)).astype(int) - 10, np.ceil(outline.max(axis=0)).astype(int) + 10
    low = np.maximum(low, 0)
    alone = np.full_like(picture, 128)
    alone[low[1] : high[1], low[0] : high[0]] = picture[low[1] : high[1], low[0] : high[0]]
    document = inspect_plate(encoded(Image.fromarray(alone), quality=95)).document()
    assert document["status"] == "refused"
    assert document["messages"][-1]["code"] == "no-pepper-found"


@pytest.mark.parametrize("format_", ["PNG", "WEBP", "HEIF", "AVIF"])
def test_every_format_of_a_phone_measures_alike(first, measured, format_: str) -> None:
    how = {} if format_ == "PNG" else {"quality": 92}
    other = inspect_plate(encoded(shrunk(first), format_, **how), told(first[1])).document()
    assert len(other["peppers"]) == len(measured.peppers)
    # Re-encoding moves an edge by a few tenths of a pixel and drops the EXIF focal length.
    for pepper, plain in zip(other["peppers"], measured.document()["peppers"], strict=True):
        if pepper["diameter_mm"] and plain["diameter_mm"]:
            assert pepper["diameter_mm"]["value"] == pytest.approx(plain["diameter_mm"]["value"], abs=3.0)


def test_a_document_with_a_field_missing_is_not_valid(measured) -> None:
    document = measured.document()
    del document["peppers"][0]["decisions"]
    with pytest.raises(jsonschema.ValidationError):
        schema.check(document)


@pytest.mark.realphotos
def test_real_photos_without_a_card_are_refused_for_want_of_one(real_photos: Path) -> None:
    pictures = sorted(real_photos.rglob("*.jpg"))
    assert len(pictures) > 200
    for picture in pictures:
        with pytest.raises(TruelobeError) as refusal:
            find_card(read_photo(picture))
        assert refusal.value.message.code == "card-not-found"
    # The whole chain looks for peppers meanwhile, which takes far longer and changes nothing in the answer.
    for picture in np.random.default_rng(1).choice(pictures, 12, replace=False):
        assert inspect_plate(picture).document()["messages"][-1]["code"] == "card-not-found"
