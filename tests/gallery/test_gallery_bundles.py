"""Moving plates between galleries: export then import is the identity, twice is once, conflicts are chosen."""

import hashlib
import json
import zipfile
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from tests.store import plates

from truelobe import schema
from truelobe.gallery.export import export_bundle
from truelobe.gallery.importing import Imported, import_bundle, plan_import
from truelobe.gallery.search import Query, uids
from truelobe.gallery.walls import hang, make_wall, on_wall, walls
from truelobe.gallery.written import plate_to_json
from truelobe.messages import TruelobeError
from truelobe.store import Defect, Grade, NewInspection, crop_box, prepare_photo
from truelobe.store.models_gallery import InspectionRow


def keep(store, seed=1, **fields):
    document = plates.any_document(seed)
    photo = plates.photo(seed)
    document["photo"]["sha256"] = hashlib.sha256(photo).hexdigest()
    prepared = prepare_photo(photo, crop_box(document), name=f"plate-{seed}.jpg")
    fields = {"title": f"Plate {seed}", "who": "Fox"} | fields
    return store.inspections.keep(NewInspection((prepared,), document, **fields))


def content(store, *, names=True):
    """Everything a bundle carries, by plate."""
    with store.database.read() as connection:
        everything = list(connection.execute(select(InspectionRow.uid)).scalars())
    return {uid: plate_to_json(store.inspections.record(uid), names=names) for uid in everything}


@pytest.fixture
def here(new_store):
    return new_store()


@pytest.fixture
def there(store):
    return store


def test_export_then_import_is_the_identity_and_twice_is_once(here, there, tmp_path):
    for seed in range(3):
        kept = keep(
            here, seed, tags=("a", "b"), defects=(Defect("scar", 1),), grade=Grade("first", "House 1", {1: "x"})
        )
        here.inspections.add_hand_facts(kept.uid, {"firm": True}, "Owl", defects=[Defect("decay")])
    here.inspections.measured_again(kept.uid, plates.any_document(9))
    here.inspections.bin(kept.uid, 3)
    wall = make_wall(here, "Shoulders", "any-amount rule")
    hang(here, wall.uid, 1, uids(here, Query()))
    bundle = tmp_path / "all.zip"
    assert export_bundle(here, bundle, names=True) == 3
    assert import_bundle(there, bundle) == Imported(new=3)
    assert content(there) == content(here)
    assert [(w.title, w.plates) for w in walls(there)] == [("Shoulders", 2)]
    assert [card.title for card in on_wall(there, wall.uid)] == [card.title for card in on_wall(here, wall.uid)]
    for photo in there.inspections.get(kept.uid).photos:
        assert there.photos.intact(photo.sha256)
    before = {uid: there.inspections.get(uid) for uid in content(there)}
    assert import_bundle(there, bundle) == Imported(same=3)
    assert {uid: there.inspections.get(uid) for uid in content(there)} == before
    assert plan_import(there, bundle).same == 3


json_words = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), max_size=30)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    title=json_words,
    notes=json_words,
    who=json_words,
    tags=st.lists(json_words, max_size=4),
    facts=st.dictionaries(json_words, st.one_of(st.booleans(), st.integers(), json_words), max_size=3),
    day=st.dates(),
    seed=st.integers(0, 10**6),
)
def test_whatever_is_written_survives_the_journey(
    here, there, tmp_path, title, notes, who, tags, facts, day, seed
):
    keep(here, seed, title=title, notes=notes, who=who, tags=tuple(tags), hand_facts=facts, plate_date=day)
    export_bundle(here, tmp_path / "x.zip", names=True)
    import_bundle(there, tmp_path / "x.zip")
    assert content(there) == content(here)
    export_bundle(there, tmp_path / "y.zip", names=True)
    assert import_bundle(here, tmp_path / "y.zip") == Imported(same=1)
    for store in (here, there):
        store.inspections.remove(list(content(store)))


def test_nicknames_stay_at_home_unless_asked_for(here, there, tmp_path):
    keep(here, 1, who="Fox", hand_facts={"firm": True})
    bundle = tmp_path / "b.zip"
    export_bundle(here, bundle)
    assert b"Fox" not in zipfile.ZipFile(bundle).read("plates.jsonl")
    import_bundle(there, bundle)
    assert content(there) == content(here, names=False)
    assert import_bundle(here, bundle) == Imported(same=1)
    export_bundle(here, bundle, names=True)
    assert b"Fox" in zipfile.ZipFile(bundle).read("plates.jsonl")


def test_conflicts_are_listed_and_chosen(here, there, tmp_path):
    kept = keep(here, 1)
    bundle = tmp_path / "b.zip"
    export_bundle(here, bundle, names=True)
    import_bundle(there, bundle)
    here.inspections.edit(kept.uid, 1, title="Theirs")
    export_bundle(here, bundle, names=True)
    there.inspections.edit(kept.uid, 1, title="Mine")
    plan = plan_import(there, bundle)
    assert [(c.title_here, c.title_there, c.parts) for c in plan.conflicts] == [("Mine", "Theirs", ("title",))]
    with pytest.raises(TruelobeError) as said:
        import_bundle(there, bundle)
    assert said.value.message.code == "conflict-open"
    assert import_bundle(there, bundle, {kept.uid: "keep mine"}) == Imported(kept_mine=1)
    assert there.inspections.get(kept.uid).title == "Mine"
    for _ in range(2):
        assert import_bundle(there, bundle, default="keep both") == Imported(kept_both=1)
        assert sorted(plate["state"]["title"] for plate in content(there).values()) == ["Mine", "Theirs"]
    assert import_bundle(there, bundle, default="take theirs") == Imported(took_theirs=1)
    taken = there.inspections.get(kept.uid)
    assert taken.title == "Theirs"
    assert there.inspections.undo(kept.uid, taken.version).title == "Mine"


def test_a_newer_measurement_travels_and_both_stay(here, there, tmp_path):
    kept = keep(here, 1)
    bundle = tmp_path / "b.zip"
    export_bundle(here, bundle, names=True)
    import_bundle(there, bundle)
    here.inspections.measured_again(kept.uid, plates.any_document(2))
    export_bundle(here, bundle, names=True)
    assert plan_import(there, bundle).conflicts[0].parts == ("measurement", "measurements")
    import_bundle(there, bundle, default="take theirs")
    assert content(there) == content(here)


def test_the_bundle_is_what_its_schema_says(here, tmp_path):
    keep(here, 1)
    bundle = tmp_path / "b.zip"
    export_bundle(here, bundle)
    with zipfile.ZipFile(bundle) as file:
        schema.check(json.loads(file.read("manifest.json")), "bundle-1")
        for line in file.read("checksums.sha256").decode().splitlines():
            sha256, name = line.split("  ")
            assert hashlib.sha256(file.read(name)).hexdigest() == sha256


def test_masks_are_coco_in_the_kept_photos_own_pixels(here, tmp_path):
    kept = keep(here, 1)
    bundle = tmp_path / "b.zip"
    export_bundle(here, bundle)
    coco = json.loads(zipfile.ZipFile(bundle).read("masks/coco.json"))
    photo = kept.photos[0]
    document = here.inspections.document(kept.uid)
    first, pepper = coco["annotations"][0], document["peppers"][0]
    # https://cocodataset.org/#format-data: polygons as x, y, x, y ..., box as x, y, width, height
    x, y = pepper["outline_px"][0][0]
    assert first["segmentation"][0][:2] == [x - photo.crop_x + 0.5, y - photo.crop_y + 0.5]
    assert first["bbox"][2:] == [80.0, 100.0]
    assert first["area"] == 8000.0
    assert {image["file_name"] for image in coco["images"]} == {f"photos/{photo.sha256}.jpg"}
    assert {one["image_id"] for one in coco["annotations"]} <= {image["id"] for image in coco["images"]}


def test_a_selection_holds_only_what_was_selected(here, there, tmp_path):
    wanted, other = keep(here, 1), keep(here, 2, plate_date=date(2026, 1, 2))
    wall = make_wall(here, "Both")
    hang(here, wall.uid, 1, [wanted.uid, other.uid])
    export_bundle(here, tmp_path / "b.zip", [wanted.uid], names=True)
    import_bundle(there, tmp_path / "b.zip")
    assert list(content(there)) == [wanted.uid]
    assert [card.uid for card in on_wall(there, wall.uid)] == [wanted.uid]
