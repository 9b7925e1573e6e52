"""The shipped pictures, choosing among them, blocks in the store, reading by hand, the file to take home."""

import base64
import hashlib
import io
import json
import re
from collections import Counter

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import select
from tests.judging.judging_plates import document
from tests.judging.judging_plates import photo as plate_photo

from truelobe.figures import from_normal
from truelobe.judging.roster import Roster
from truelobe.messages import TruelobeError
from truelobe.practice.blocks import Blocks, truth_of
from truelobe.practice.choosing import Given, band, matched_pairs, next_picture, probe_lists
from truelobe.practice.gallery_pictures import crop, teachable
from truelobe.practice.hand import compare, keep_reading
from truelobe.practice.lesson import lesson_picture
from truelobe.practice.pictures import BANK_CARD_MM, boundary_colour, overlay, photo, pictures, to_scale
from truelobe.practice.progress import PROBES
from truelobe.practice.summary import summarise
from truelobe.practice.take_home import take_home
from truelobe.store.documents import crop_box
from truelobe.store.inspections import NewInspection
from truelobe.store.models_practice import HandReadingRow
from truelobe.store.pictures import prepare_photo


def test_there_are_pictures_enough_spread_and_small(root):
    folder = root / "sample_images" / "drills"
    assert sum(f.stat().st_size for f in folder.iterdir()) < 6 * 2**20
    book = json.loads((folder / "drills.json").read_text())["pictures"]
    traced = [p for p in book if p["made"] == "traced"]
    assert len(traced) >= 150
    assert min(Counter(p["colour"] for p in traced).values()) >= 30  # of four colors
    assert len({p["light"] for p in traced}) >= 5
    assert len({p["pattern"] for p in traced}) >= 3
    pool = pictures()
    assert len({(pool[p["id"]].colour, band(pool[p["id"]])) for p in traced}) == 20  # four colors in five bands
    assert {f"{p['id']}{end}" for p in book for end in (".webp", ".png")} | {"drills.json"} == {
        f.name for f in folder.iterdir()
    }
    sides = [p for p in traced if p["side"]]
    assert len(sides) >= 30
    assert all(pool[p["side"]].side == p["id"] for p in sides)


@pytest.mark.parametrize("number", range(0, 150, 15))
def test_overlay_and_truth_are_of_the_same_skin(number):
    picture = sorted(pictures().values(), key=lambda p: p.id)[number]
    with Image.open(io.BytesIO(photo(picture))) as bare, Image.open(io.BytesIO(overlay(picture))) as drawn:
        changed = np.abs(np.asarray(bare.convert("RGB"), int) - np.asarray(drawn.convert("RGB"), int)).sum(axis=2)
    share = (changed > 90).mean()
    if picture.percent() > 20:
        assert share > 0.02
    if picture.percent() < 0.05:
        assert share < 0.01
    assert list(picture.curve) == sorted(picture.curve)


def test_the_color_on_the_line_lies_between_green_and_red():
    picture = lesson_picture("red")
    half, late = (boundary_colour(picture, line) for line in (0.5, 0.8))
    assert int(late[1:3], 16) > int(half[1:3], 16)  # the riper the line, the redder its skin
    assert boundary_colour(picture, 5.0) is None


def test_all_peppers_are_shown_at_one_scale():
    picture = next(iter(pictures().values()))
    with Image.open(io.BytesIO(to_scale(picture, card=True))) as image:
        pixels = np.asarray(image.convert("RGB"), int)
    strip = np.abs(pixels[-30] - [232, 236, 239]).sum(axis=1) < 24  # the lower part of the card
    # The card's width at 2.4 px/mm, within its two border lines.
    assert strip.sum() == pytest.approx(BANK_CARD_MM[0] * 2.4, abs=8)


def test_probe_pairs_are_alike_and_each_picture_comes_once():
    before, after = probe_lists(pictures(), 5, PROBES)
    assert len({*before, *after}) == 2 * PROBES
    pool = pictures()
    assert all(pool[a].colour == pool[b].colour for a, b in zip(before, after, strict=True))
    apart = [abs(pool[a].percent() - pool[b].percent()) for a, b in zip(before, after, strict=True)]
    assert np.mean(apart) < 2
    assert probe_lists(pictures(), 5, PROBES) == (before, after)
    with pytest.raises(ValueError, match="pairs"):
        probe_lists(pictures(), 5, len(matched_pairs(pool)) + 1)


def test_practice_goes_where_the_eye_is_wrong_and_repeats_nothing_soon():
    pool, answers = pictures(), []
    for _ in range(90):
        chosen = next_picture(pool, answers, 3)
        assert chosen.id not in [a.picture for a in answers[-40:]]
        answers.append(Given(chosen.id, 20.0 if chosen.colour == "green" else 1.0))
    late = [pool[a.picture].colour for a in answers[45:]]
    assert late.count("green") / len(late) > 0.35  # by chance a quarter
    assert next_picture(pool, answers, 3) == next_picture(pool, answers, 3)


def test_a_block_is_kept_answer_by_answer_and_resumed(new_store):
    store = new_store("sqlite")
    student, _ = Roster(store).add("Juniper")
    blocks = Blocks(store)
    block = blocks.open(student.uid, "percent")
    shown = block.showing
    kept = blocks.answer(block.uid, 0, 12)
    assert (kept.picture, kept.truth, kept.answer) == (shown.id, shown.percent(), 12)
    assert blocks.answer(block.uid, 0, 99).answer == 12  # sent twice, the first stays
    again = Blocks(store).open(student.uid, "percent")
    assert again.uid == block.uid
    assert len(again.answers) == 1
    assert again.showing.id != shown.id
    for k in range(1, 10):
        blocks.answer(block.uid, k, 20)
    assert blocks.get(block.uid).showing is None
    assert blocks.open(student.uid, "percent").uid != block.uid
    with pytest.raises(TruelobeError, match="can't be kept"):
        blocks.answer(block.uid, 10, 20)
    with pytest.raises(TruelobeError):
        blocks.open("nobody", "percent")


def test_practice_leaves_the_probes_alone(new_store):
    store = new_store("sqlite")
    student, _ = Roster(store).add("Juniper")
    blocks = Blocks(store)
    probes = {p for role in ("before", "after") for p in _listed(blocks, student.uid, role)}
    block = blocks.open(student.uid, "percent")
    for k in range(10):
        assert blocks.answer(block.uid, k, 10).picture not in probes


def _listed(blocks, student, role):
    block = blocks.open(student, "percent", role)
    assert block.length == PROBES
    return [block.showing.id]


def test_answers_go_with_the_student(new_store):
    from truelobe.judging.removal import remove_student

    store = new_store("sqlite")
    student, _ = Roster(store).add("Juniper")
    other, _ = Roster(store).add("Sorrel")
    blocks = Blocks(store)
    blocks.answer(blocks.open(student.uid, "percent").uid, 0, 10)
    Roster(store).merge(other.uid, student.uid)
    assert len(blocks.of(other.uid)) == 1
    remove_student(store, other.uid)
    with pytest.raises(TruelobeError):
        blocks.of(other.uid)


def test_what_is_said_fits_the_answers(new_store):
    store = new_store("sqlite")
    student, _ = Roster(store).add("Juniper")
    blocks = Blocks(store)
    assert summarise(blocks.of(student.uid)).words == ("No answers yet. Ten pictures are a start.",)
    for _ in range(4):
        block = blocks.open(student.uid, "percent")
        for k in range(10):
            showing = blocks.get(block.uid).showing
            blocks.answer(block.uid, k, min(100, round(showing.percent()) + 9 + k % 3))
    found = summarise(blocks.of(student.uid))
    off = np.mean([abs(a.answer - a.truth) for a in blocks.of(student.uid)])
    assert f"off by {off:.0f} points" in found.words[0]
    assert any("too much" in line for line in found.words)
    assert any("30 more" in line for line in found.words)
    assert found.fit.bias.value == pytest.approx(10, abs=1)
    assert sum(g.count for g in found.groups if g.name != "small patches") == 40


def test_threshold_and_limit_know_when_it_is_too_close():
    pool = pictures().values()
    calls = {truth_of("threshold", p)[1] for p in pool}
    assert calls <= {0.0, 0.5, 1.0}
    near = min(pool, key=lambda p: abs(p.percent() - 15))
    assert truth_of("threshold", near)[1] == 0.5


def test_a_reading_is_never_wrong_where_the_tool_is_unsure():
    assert compare(80, from_normal(60, 5.0), "ruler").verdict == "tool unsure"
    assert compare(80, from_normal(79, 1.0), "caliper").verdict == "agree"
    apart = compare(90, from_normal(79, 1.0), "caliper")
    assert apart.verdict == "apart"
    assert "wrong" not in apart.words
    with pytest.raises(TruelobeError):
        compare(4, from_normal(79, 1.0), "caliper")


def test_the_file_to_take_home_needs_nothing_from_outside():
    some = list(pictures().values())[:3]
    page = take_home(some).decode()
    assert not re.search(r"https?://|src=\"/|@import", page)
    data = json.loads(base64.b64decode(re.search(r'atob\("([^"]+)"', page)[1]))
    assert [item["t"] for item in data] == [round(p.percent(), 1) for p in some]
    assert "for yourself" in page


def test_gallery_peppers_teach_only_when_known_well(new_store):
    store = new_store("sqlite")
    data = plate_photo()
    written = document([80, 78], sha="0")
    written["photo"]["sha256"] = hashlib.sha256(data).hexdigest()
    written["peppers"][1]["not_fully_coloured"] = from_normal(0.1, 0.04).document()
    prepared = prepare_photo(data, crop_box(written))
    kept = store.inspections.keep(NewInspection(photos=(prepared,), document=written))
    (taught,) = teachable(store, [kept.uid])
    assert taught.number == 1
    with Image.open(io.BytesIO(crop(store, taught))) as image:
        red, green, blue = image.getpixel((image.width // 2, image.height // 2))
    assert red > 140 > 60 > max(green, blue)  # the painted pepper itself, cut to the kept part
    assert teachable(store, [kept.uid], [kept.photos[0].original_sha256]) == ()


def test_a_reading_is_kept_with_what_the_tool_said(new_store):
    store = new_store("sqlite")
    student, _ = Roster(store).add("Juniper")
    kept = store.inspections.keep(NewInspection(document=document([80, 78])))
    found = keep_reading(store, student.uid, kept.uid, 1, "diameter_mm", "caliper", 80.4)
    assert found.verdict == "agree"
    with store.database.read() as connection:
        row = connection.execute(select(HandReadingRow.__table__)).one()
    assert (row.reading_mm, row.tool_mm, row.instrument) == (80.4, 80, "caliper")
    with pytest.raises(TruelobeError):
        keep_reading(store, student.uid, kept.uid, 9, "diameter_mm", "caliper", 80.4)
