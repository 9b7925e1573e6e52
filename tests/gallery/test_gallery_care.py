"""Backup, restore, check, repair, tables, comparison, measuring again, the sample gallery."""

import csv
import io
import json
import zipfile

import openpyxl
import pypdfium2 as pdfium
import pytest
from PIL import Image
from sqlalchemy import text
from tests.store import plates

from truelobe import gallery
from truelobe.gallery import Query, back_up, check, compare, difference, repair, restore
from truelobe.gallery.comparing import pepper_scale
from truelobe.gallery.measuring import as_asked_before
from truelobe.gallery.sample import TAUGHT
from truelobe.messages import TruelobeError
from truelobe.report.gallery_list import write_list
from truelobe.request import Correction, Request
from truelobe.store import Defect, Print, open_store


def one_plate(diameter=80.0, number=1):
    return plates.document([plates.pepper(number, "red", diameter, 90.0, 0.1)])


def everything(store):
    """Every row of every table, in a form that does not depend on the database."""
    from truelobe.store.models import Base

    with store.database.read() as connection:
        return {
            table.name: sorted(repr(sorted(row._mapping.items())) for row in connection.execute(table.select()))
            for table in Base.metadata.sorted_tables
        }


@pytest.fixture
def busy(store, keep):
    kept = keep(store, one_plate(), 1, title="Red", defects=(Defect("scar", 1),), tags=("a",), hand_facts={"x": 1})
    store.inspections.edit(kept.uid, 1, "Owl", title="Redder")
    keep(store, one_plate(70.0), 2)
    store.drafts.start("inspection", {"step": 1}, uploads=[("a.jpg", b"abc")])
    store.prints.put(Print(7, "A", 100.4, 99.8, 0.1))
    store.rules.put("House", "1", {"limit": 0.15})
    wall = gallery.make_wall(store, "Wall")
    gallery.hang(store, wall.uid, 1, [kept.uid])
    return kept


def test_a_backup_restores_everything_into_either_database(store, busy, tmp_path, request):
    back_up(store, tmp_path / "backup.zip")
    homes = [("lite", None)]
    if store.database.dialect == "postgresql":
        homes.append(("pg", request.getfixturevalue("postgres").new_database()))
    for name, url in homes:
        restore(tmp_path / "backup.zip", tmp_path / name, url)
        other = open_store(tmp_path / name, url)
        assert everything(other) == everything(store)
        assert check(other).clean
        assert gallery.count(other, Query(words="redder")) == 1
        other.drafts.start("inspection", {})  # numbering goes on after the restored rows
        with pytest.raises(TruelobeError) as said:
            restore(tmp_path / "backup.zip", tmp_path / name, url)
        assert said.value.message.code == "store-not-empty"
        other.close()


def test_a_damaged_backup_is_refused(store, busy, tmp_path):
    path = tmp_path / "backup.zip"
    back_up(store, path)
    whole = path.read_bytes()
    at = whole.index(b"files/") + 200
    path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
    with pytest.raises(TruelobeError) as said:
        restore(path, tmp_path / "other")
    assert said.value.message.code == "backup-damaged"
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(TruelobeError, match="damaged"):
        restore(path, tmp_path / "other")


def test_check_finds_each_kind_of_fault_and_repair_mends_what_it_can(store, busy):
    assert check(store).clean
    photo = store.inspections.get(busy.uid).photos[0]
    store.shelf.path(photo.thumbnail_sha256).unlink()
    store.shelf.put(b"nobody's", mark=False)
    (store.shelf.folder / "note.txt").write_text("left here")
    with store.database.write() as connection:
        connection.execute(text("UPDATE peppers SET diameter_mm = 1 WHERE inspection_id = 1"))
        connection.execute(text("DELETE FROM words WHERE rowid = 2"))
    kinds = sorted(fault.kind for fault in check(store).faults)
    assert kinds == ["figures differ", "stray file", "stray file", "thumbnail missing", "words missing"]
    done = repair(store)
    assert len(done.mended) == 5
    assert check(store).clean
    assert store.inspections.get(busy.uid).peppers[0].diameter_mm == 80.0
    assert {path.name for path in (store.place.home / "lost+found").iterdir()} >= {"note.txt"}
    store.shelf.path(photo.sha256).write_bytes(b"other bytes")
    assert [fault.kind for fault in check(store).faults] == ["photo damaged"]
    store.shelf.path(photo.sha256).unlink()
    left = repair(store).left
    assert [fault.kind for fault in left] == ["photo missing"]


def test_tables_hold_one_row_per_pepper_and_no_formulas_or_nicknames(store, keep, tmp_path):
    keep(store, one_plate(), 1, title="=1+1", who="Fox", tags=("a",))
    keep(store, plates.document(status="refused"), 2, title="Refused", who="Owl")
    assert gallery.write_csv(store, tmp_path / "t.csv", Query(sort="title")) == 2
    with (tmp_path / "t.csv").open(encoding="utf-8-sig", newline="") as file:
        found = list(csv.DictReader(file))
    assert [row["title"] for row in found] == ["'=1+1", "Refused"]
    assert (found[0]["diameter mm"], found[1]["diameter mm"]) == ("80.0", "")
    assert found[1]["status"] == "not measured"
    assert "Fox" not in (tmp_path / "t.csv").read_text()
    gallery.write_xlsx(store, tmp_path / "t.xlsx", Query(sort="title"), names=True)
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx").active
    names = [cell.value for cell in sheet[1]]
    assert sheet.cell(2, names.index("title") + 1).value == "=1+1"
    assert sheet.cell(2, names.index("title") + 1).data_type == "s"
    assert sheet.cell(2, names.index("kept by") + 1).value == "Fox"


def test_any_search_prints_as_a_list_and_names_stay_at_home(store, keep, tmp_path):
    keep(store, one_plate(76.2), 1, title="Red & round", who="Fox", example=True, teaching_note="Look below.")
    keep(store, plates.document(status="refused"), 2, title="Bare", who="Owl")
    assert write_list(store, tmp_path / "all.pdf", Query()) == 2
    (uid,) = gallery.uids(store, Query(words="red"))
    assert write_list(store, tmp_path / "one.pdf", [uid]) == 1
    with pdfium.PdfDocument(tmp_path / "all.pdf") as pdf:
        said = " ".join(pdf[0].get_textpage().get_text_range().split())
    for words in ("Red & round", "Diameter: 3 in 76 mm", "Look below.", "Bare", "not measured", "Practice aid"):
        assert words in said
    assert "Fox" not in said


def test_a_pepper_of_70_mm_is_drawn_smaller_than_one_of_90_however_near_the_camera_was(store, keep):
    near = one_plate(92.0)
    far = plates.document([plates.pepper(1, "red", 72.0, 90.0, 0.1)])
    far["peppers"][0]["outline_px"] = [[[100, 100], [500, 100], [500, 500], [100, 500]]]
    first, second = keep(store, near, 1), keep(store, far, 2)
    shown = compare(store, [first.uid, second.uid], widest_px=400)
    drawn = []
    for one, document in zip(shown, (near, far), strict=True):
        image = Image.open(io.BytesIO(one.picture))
        assert image.size == one.size_px
        drawn.append(document["peppers"][0]["width_seen_mm"]["value"] * one.px_per_mm)
    assert drawn[0] / drawn[1] == pytest.approx(90 / 70)
    assert max(one.size_px[0] for one in shown) == 400
    # both outlines are as wide as their measured width says: 80 px for 90 mm, 400 px for 70 mm
    assert pepper_scale(near["peppers"][0]) == pytest.approx(90 / 80)
    assert pepper_scale(far["peppers"][0]) == pytest.approx(70 / 400)


def test_only_two_to_four_are_compared_and_an_unmeasured_one_has_no_scale(store, keep):
    kept = keep(store, one_plate(), 1)
    bare = keep(store, plates.document(status="refused"), 2)
    with pytest.raises(TruelobeError):
        compare(store, [kept.uid])
    assert compare(store, [kept.uid, bare.uid])[1].picture is None


def test_a_difference_pairs_peppers_by_place(store):
    before = plates.document([plates.pepper(1, "red", 80, 90, 0.1), plates.pepper(2, "red", 70, 90, 0.1)])
    after = plates.document([plates.pepper(2, "red", 71.5, None, 0.1), plates.pepper(4, "red", 60, 90, 0.1)])
    after["peppers"][0]["number"] = 1
    found = {(one.pepper, one.quantity): one.change for one in difference(before, after)}
    assert found[(1, "diameter_mm")] in (None, pytest.approx(1.5))
    changes = [one for one in difference(before, after) if one.quantity == "diameter_mm"]
    assert [(one.before, one.after) for one in changes] == [(80, None), (70, 71.5), (None, 60)]


def test_measuring_again_gets_a_picture_of_full_size_and_keeps_both(store, keep):
    kept = keep(store, one_plate(), 1)
    seen = []

    def measure(data):
        seen.append(Image.open(io.BytesIO(data)).size)
        return one_plate(81.0)

    found = gallery.measure_again(store, kept.uid, measure)
    assert seen == [(800, 600)]
    assert kept.photos[0].cropped
    assert found[0].change == pytest.approx(1.0)
    assert len(store.inspections.get(kept.uid).measurements) == 2


def test_measuring_again_asks_what_the_coach_said_then_with_todays_habits():
    corrected = Correction("colour", (10.0, 20.0), word="green")
    today = Request(line=0.4)
    document = one_plate()
    said = {"card_place": "table", "plate_height_mm": 9.0, "u_plate_height_mm": 1.5, "declared_colour": "red"}
    document["made_by"] |= {"settings": said, "corrections": [corrected.document()]}
    document["made_by"]["card"] |= {"print_number": 7, "scale": [0.97, 0.98], "scale_source": "measured"}
    again = as_asked_before(document, today)
    assert (again.card_place, again.plate_height_mm, again.declared_colour) == ("table", 9.0, "red")
    assert (again.corrections, again.line) == ((corrected,), 0.4)
    assert (again.scale_of(7).across, again.scale_of(7).down) == (0.97, 0.98)
    guessed = document["made_by"] | {"settings": said | {"u_plate_height_mm": 6.0}}
    assert as_asked_before({"made_by": guessed}, today).plate_height_mm is None
    assert as_asked_before(None, today) == today


def test_the_sample_gallery_comes_once_and_goes_without_touching_the_teams_plates(store, keep, tmp_path):
    own = keep(store, one_plate(), 1)
    photos = []
    for seed in (1, 5):
        photos.append(tmp_path / f"plate-{seed}.jpg")
        photos[-1].write_bytes(plates.photo(seed))
    measured = []

    def measure(data, name):
        measured.append(name)
        return one_plate()

    assert gallery.load_sample(store, measure, photos) == 2
    assert gallery.load_sample(store, measure, photos) == 0
    assert measured == ["plate-1.jpg", "plate-5.jpg"]
    assert len(gallery.walls(store)) == 1
    assert gallery.remove_sample(store) == 2
    assert gallery.walls(store) == ()
    assert gallery.uids(store, Query()) == [own.uid]
    assert check(store).clean


def test_what_the_sample_plates_teach_is_true_of_them():
    """The truth beside each photo is exact: the meshes that were rendered."""
    at = {path.stem: json.loads(path.with_suffix(".truth.json").read_text()) for path in gallery.sample_photos()}
    seen = {
        name: [
            (p["diameter_greatest_mm"], p["length_mm"], p["not_fully_coloured"]["0.5"], p["colour"], p["pose"])
            for p in at[name]["peppers"]
        ]
        for name in TAUGHT
    }
    widths = {name: sorted(width for width, *_ in peppers) for name, peppers in seen.items()}
    even = widths["plate-02-normal"]
    assert all(green < 0.005 for *_, green, _, _ in seen["plate-02-normal"])
    assert even[-1] / even[0] == pytest.approx(4 / 3, abs=0.05)
    red = seen["plate-04-easy"]
    assert sorted(green > 0.9 for *_, green, _, _ in red) == [False, False, False, True]
    assert sorted(green > 0.2 for *_, green, _, _ in red) == [False, False, False, True]
    assert [width > 63.5 > length for width, length, *_ in red].count(True) == 1
    assert all(colour == "green" and turning < 0.1 for _, _, turning, colour, _ in seen["plate-05-easy"])
    assert all(width > 76.2 and green < 0.15 for width, _, green, _, _ in seen["plate-08-easy"])
    assert [length < 1.05 * width for width, length, *_ in seen["plate-08-easy"]].count(True) == 1
    assert [0.75 < green < 0.99 for *_, green, _, _ in seen["plate-09-easy"]].count(True) == 2
    assert [pose for *_, pose in seen["plate-12-hard"]].count("standing") == 3


def test_emptying_the_bin_takes_photos_too(store, keep):
    kept = keep(store, one_plate(), 1)
    store.inspections.bin(kept.uid, 1)
    assert gallery.empty_bin(store) == 1
    assert list(store.shelf.names()) == []


def test_the_backup_is_one_readable_file(store, busy, tmp_path):
    back_up(store, tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        assert archive.testzip() is None
        assert "tables/inspections.jsonl" in archive.namelist()
