"""Classes, the roster and sessions as they are kept, on SQLite and on PostgreSQL."""

import io
import json
import random
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image, ImageDraw
from sqlalchemy import func, select
from tests.judging.judging_plates import by_hand, document, photo

from truelobe.gallery.backup import back_up
from truelobe.judging import Cuts, score
from truelobe.judging.classes import ClassDraft, Classes, shuffled
from truelobe.judging.pictures import class_views, draw_view
from truelobe.judging.records import GRACE, sheet_points
from truelobe.judging.removal import remove_student
from truelobe.judging.roster import FREE_TRIES, Roster
from truelobe.judging.sessions import Sessions
from truelobe.messages import TruelobeError
from truelobe.store import NewInspection, open_store, prepare_photo
from truelobe.store.base import now
from truelobe.store.models import Base
from truelobe.store.setup import COPIES
from truelobe.store.unplaced import plates_of_unplaced, unplaced_photos

DRAFT = ClassDraft("Red bells", official=(3, 1, 4, 2), cuts=Cuts(2, 5, 3), shown="table", seconds=60)


@pytest.fixture
def store(tmp_path, database_url):
    opened = open_store(tmp_path, database_url)
    yield opened
    opened.close()


@pytest.fixture
def here(tmp_path):
    opened = open_store(tmp_path)
    yield opened
    opened.close()


def code_of(call, *arguments, **named):
    with pytest.raises(TruelobeError) as caught:
        call(*arguments, **named)
    return caught.value.message.code


def test_a_class_comes_back_as_it_was_set(store):
    classes = Classes(store)
    kept = classes.keep(DRAFT)
    assert (kept.title, kept.official, kept.cuts, kept.key) == (
        "Red bells",
        (3, 1, 4, 2),
        Cuts(2, 5, 3),
        (
            (3, 1, 4, 2),
            Cuts(2, 5, 3),
        ),
    )
    edited = classes.edit(kept.uid, kept.version, ClassDraft("Red bells", official=None))
    assert (edited.version, edited.key) == (2, None)
    assert code_of(classes.edit, kept.uid, 1, DRAFT) == "changed-meanwhile"
    classes.bin(kept.uid)
    assert classes.all() == ()
    assert [c.uid for c in classes.all(binned=True)] == [kept.uid]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"title": " "}, "class-untitled"),
        ({"seconds": 4}, "time-out-of-range"),
        ({"cuts": Cuts(9, 1, 1)}, "cut-too-large"),
        ({"cuts": Cuts(3, 8, 4)}, "cuts-below-zero"),
        ({"plates": ("a", "a", None, None)}, "class-plates"),
    ],
)
def test_a_class_that_cannot_be_is_refused(here, changes, code):
    assert code_of(Classes(here).keep, ClassDraft(**(DRAFT.__dict__ | changes))) == code
    assert Classes(here).all() == ()


def test_officials_cuts_are_kept_as_given(here):
    given = ClassDraft(**(DRAFT.__dict__ | {"cuts": Cuts(3, 8, 4), "cuts_by": "officials"}))
    assert Classes(here).keep(given).cuts == Cuts(3, 8, 4)


@pytest.mark.parametrize("seed", range(5))
def test_shuffling_takes_the_official_placing_along(seed):
    drawn = shuffled(ClassDraft("c", plates=("w", "x", "y", "z"), official=(3, 1, 4, 2)), random.Random(seed))
    assert [drawn.plates[n - 1] for n in drawn.official] == ["y", "w", "z", "x"]


def test_what_the_clock_takes_and_what_comes_late(store):
    one = Classes(store).keep(DRAFT)
    sessions, (robin, _) = Sessions(store), Roster(store).add("Robin")
    session = sessions.open_led(one)
    assert code_of(sessions.open_led, one) == "session-open"
    assert code_of(sessions.tap, session.uid, robin.uid, "t0", "2") == "not-started"
    began = now()
    session = sessions.start(session.uid, began)
    assert session.deadline == began + timedelta(seconds=60)
    assert sessions.start(session.uid, began + timedelta(seconds=9)).deadline == session.deadline
    sessions.tap(session.uid, robin.uid, "t1", "24", at=began + timedelta(seconds=5))
    sessions.tap(session.uid, robin.uid, "t2", "243", at=session.deadline + GRACE / 2)
    sheet = sessions.tap(session.uid, robin.uid, "t3", "2431", at=session.deadline + GRACE * 2)
    assert (sheet.placing, sheet.state, sheet.late_placing) == ("243", "taken", "2431")
    assert sheet_points(sheet, one) == 0
    lenient = replace(one, invalid_rule="left out")
    assert sheet_points(sheet, lenient) is None


def test_a_lapsed_clock_takes_open_sheets_once(here):
    one = Classes(here).keep(DRAFT)
    sessions, (robin, _) = Sessions(here), Roster(here).add("Robin")
    session = sessions.start(sessions.open_led(one).uid)
    sessions.tap(session.uid, robin.uid, "t1", "2413")
    assert sessions.lapse(session.deadline) == 0
    assert sessions.lapse(session.deadline + GRACE * 2) == 1
    assert sessions.lapse(session.deadline + GRACE * 3) == 0
    (sheet,) = sessions.sheets(session.uid)
    assert (sheet.placing, sheet.state) == ("2413", "taken")
    assert sheet_points(sheet, one) == score((3, 1, 4, 2), Cuts(2, 5, 3), (2, 4, 1, 3)).points == 15


def test_a_tap_sent_twice_counts_once_and_nothing_changes_after_handing_in(here):
    one = Classes(here).keep(DRAFT)
    sessions, (robin, _) = Sessions(here), Roster(here).add("Robin")
    session = sessions.start(sessions.open_led(one).uid)
    sessions.tap(session.uid, robin.uid, "t1", "2")
    sessions.tap(session.uid, robin.uid, "t2", "24")
    assert sessions.tap(session.uid, robin.uid, "t1", "2").placing == "24"
    sessions.tap(session.uid, robin.uid, "t3", "2413", submit=True)
    assert sessions.tap(session.uid, robin.uid, "t4", "1234").placing == "2413"
    for wrong in ("22", "5", "12345", "1 2"):
        assert code_of(sessions.tap, session.uid, robin.uid, "t9", wrong) == "tap-invalid"


def test_paper_cards_stand_beside_phones(here):
    one = Classes(here).keep(DRAFT)
    sessions, (robin, _) = Sessions(here), Roster(here).add("Robin")
    session = sessions.start(sessions.open_led(one).uid)
    assert sheet_points(sessions.paper(session.uid, robin.uid, "3142"), one) == 50
    card = sessions.paper(session.uid, robin.uid, "1123")
    assert (card.whole, sheet_points(card, one)) == (False, 0)
    sessions.clear(session.uid, robin.uid)
    assert sessions.sheets(session.uid) == ()


def test_words_are_checked_slowed_and_replaced(store):
    roster = Roster(store)
    robin, word = roster.add("Robin")
    assert code_of(roster.add, "robin") == "nickname-taken"
    assert code_of(roster.add, "a@b") == "nickname-invalid"
    token = roster.let_in(robin.uid, f" {word.upper()} ")
    assert roster.known(token).nickname == "Robin"
    at = now()
    for _ in range(FREE_TRIES):
        assert code_of(roster.let_in, robin.uid, "wrong", at) == "word-wrong"
    assert code_of(roster.let_in, robin.uid, word, at) == "word-wait"
    assert roster.let_in(robin.uid, word, at + timedelta(minutes=11))
    fresh = roster.new_word(robin.uid)
    assert roster.known(token) is None
    assert roster.known(roster.let_in(robin.uid, fresh))
    with store.database.read() as connection:
        rows = connection.execute(select(Base.metadata.tables["judging_students"])).all()
    assert word.replace(" ", "") not in str(rows)
    assert "argon2id" in str(rows)


def test_doubles_are_joined_with_the_later_sheet(store):
    one = Classes(store).keep(DRAFT)
    sessions, roster = Sessions(store), Roster(store)
    (robin, _), (rob, _) = roster.add("Robin"), roster.add("Rob")
    session = sessions.start(sessions.open_led(one).uid)
    sessions.tap(session.uid, robin.uid, "t1", "24", at=now())
    sessions.tap(session.uid, rob.uid, "t2", "3142", submit=True, at=now() + timedelta(seconds=3))
    roster.merge(robin.uid, rob.uid)
    assert [s.nickname for s in roster.all()] == ["Robin"]
    assert [(s.nickname, s.placing) for s in sessions.sheets(session.uid)] == [("Robin", "3142")]


def everything(store):
    with store.database.read() as connection:
        return "".join(str(connection.execute(select(t)).all()) for t in Base.metadata.sorted_tables)


def test_removing_a_student_leaves_nothing_of_theirs(store, tmp_path):
    one = Classes(store).keep(DRAFT)
    sessions, roster = Sessions(store), Roster(store)
    robin, word = roster.add("Xylophonia")
    pebble, _ = roster.add("Pebble")
    roster.let_in(robin.uid, word)
    session = sessions.start(sessions.open_led(one).uid)
    for student in (robin, pebble):
        sessions.tap(session.uid, student.uid, "t1", "3142", submit=True)
    facts = by_hand({"firmness": ["firm"]}, peppers=(1,)).document()
    facts["entries"][0]["by"] = "Xylophonia"
    plate = store.inspections.keep(NewInspection(title="p", who="Xylophonia", hand_facts=facts))
    plate = store.inspections.edit(plate.uid, plate.version, "Xylophonia", who_kept="Pebble")
    store.inspections.bin(plate.uid, plate.version, "Xylophonia")
    store.drafts.start("reasons", {"text": "mine"}, who="Xylophonia")
    store.settings.put(COPIES, [{"kind": "backup", "name": "old.zip", "at": "2020-01-01T00:00:00+00:00"}])
    back_up(store, tmp_path / "new.zip")
    assert "Xylophonia" in everything(store)
    gone = remove_student(store, robin.uid)
    assert (gone.nickname, gone.copies) == ("Xylophonia", ("backup new.zip",))
    assert "Xylophonia" not in everything(store)
    with store.database.read() as connection:
        left = {
            name: connection.execute(select(func.count()).select_from(Base.metadata.tables[name])).scalar_one()
            for name in ("judging_students", "judging_tokens", "judging_sheets", "judging_taps", "drafts")
        }
    assert left == {
        "judging_students": 1,
        "judging_tokens": 0,
        "judging_sheets": 1,
        "judging_taps": 1,
        "drafts": 0,
    }
    assert store.inspections.get(plate.uid).title == "p"


def test_photos_of_a_class_are_closed_to_students_until_it_was_placed_to_the_end(here):
    prepared = prepare_photo(photo())
    plate = here.inspections.keep(NewInspection(photos=(prepared,)))
    again = here.inspections.keep(NewInspection(photos=(prepared,), title="another record of the same photo"))
    other = here.inspections.keep(NewInspection(photos=(prepare_photo(photo(40)),)))
    assert unplaced_photos(here) == frozenset()
    draft = ClassDraft(**(DRAFT.__dict__ | {"plates": (plate.uid, None, None, None)}))
    one, sessions = Classes(here).keep(draft), Sessions(here)
    closed = {prepared.original_sha256}
    assert unplaced_photos(here) == closed  # set, and still to be placed
    assert plates_of_unplaced(here) == {plate.uid, again.uid}
    assert other.photos[0].original_sha256 not in closed
    session = sessions.open_led(one)
    sessions.start(session.uid)
    assert unplaced_photos(here) == closed
    sessions.show_critique(session.uid, 3)
    assert unplaced_photos(here) == closed
    sessions.show_critique(session.uid, 4)
    sessions.close(session.uid)
    assert unplaced_photos(here) == frozenset()
    Classes(here).bin(Classes(here).keep(draft).uid)
    assert unplaced_photos(here) == frozenset()


def test_plates_are_drawn_at_one_scale_without_card_and_metadata(here):
    """Two photos of one painted scene, the second "measured" half as large, so it must be drawn half as large."""
    uids = []
    for n, diameter in enumerate((80.0, 40.0)):
        prepared = prepare_photo(photo(n))
        written = document([diameter] * 3)
        for pepper in written["peppers"]:
            pepper["width_seen_mm"]["value"] = diameter
        written["photo"]["sha256"] = prepared.original_sha256
        uids.append(here.inspections.keep(NewInspection(photos=(prepared,), document=written)).uid)
    views = class_views(here, ClassDraft("c", plates=(*uids, None, None)))
    first, second = views[0][0], views[1][0]
    px_per_mm = [v.size[0] / (v.box[2] - v.box[0]) / (d / 300) for v, d in ((first, 80), (second, 40))]
    # Drawn sizes are whole pixels out of about 700, so the scales agree within 0.3 percent.
    assert px_per_mm[0] == pytest.approx(px_per_mm[1], rel=0.003)
    assert views[2:] == ((), ())
    data = draw_view(here, first)
    assert data[8:12] == b"WEBP"
    assert b"EXIF" not in data
    assert b"ICCP" not in data


def test_the_card_is_taken_out_of_photos_that_were_never_measured(here, root):
    plate = root / "sample_images" / "plates" / "plate-09-easy.jpg"
    truth = json.loads(plate.with_suffix("").with_suffix(".truth.json").read_text())
    kept = here.inspections.keep(NewInspection(photos=(prepare_photo(plate.read_bytes()),)))
    ((view,), *_) = class_views(here, ClassDraft("c", plates=(kept.uid, None, None, None)))
    with Image.open(io.BytesIO(draw_view(here, view))) as image:
        pixels = np.asarray(image.convert("RGB"), float)
    scale = view.size[0] / truth["photo"]["width_px"]
    corners = np.array(truth["card"]["outline_px"]) * scale
    inner = corners.mean(axis=0) + 0.9 * (corners - corners.mean(axis=0))
    mask = Image.new("1", view.size)
    ImageDraw.Draw(mask).polygon([tuple(corner) for corner in inner], fill=1)
    assert pixels[np.asarray(mask)].std(axis=0).max() < 3  # one flat gray, where black and colored squares were
