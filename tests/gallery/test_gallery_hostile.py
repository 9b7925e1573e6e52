"""Bundles that were tampered with: none gets in, none leaves a trace."""

import random

import pytest
from tests.benchmarks import stress_bundles

from truelobe import gallery
from truelobe.messages import TruelobeError


@pytest.fixture(scope="module")
def parts(tmp_path_factory):
    return stress_bundles.unpacked(stress_bundles.good_bundle(tmp_path_factory.mktemp("good")))


def test_an_untouched_bundle_packed_the_same_way_gets_in(new_store, tmp_path, parts):
    """So the bundles below are refused for what was done to them, not for how they were packed."""
    path = tmp_path / "good.zip"
    path.write_bytes(stress_bundles.packed(parts))
    assert gallery.import_bundle(new_store(), path).new == 3


def test_fifty_hostile_bundles_leave_no_trace(new_store):
    report = stress_bundles.run(50, seed=7, store=new_store())
    assert report.faults == ()
    assert report.refused == 50


@pytest.mark.parametrize("name", [name for name, _ in stress_bundles.PLATE_SPOILERS])
def test_each_way_to_spoil_a_plate_is_refused(new_store, tmp_path, parts, name):
    spoil = dict(stress_bundles.PLATE_SPOILERS)[name]
    path = tmp_path / "hostile.zip"
    path.write_bytes(stress_bundles._plate(parts, random.Random(1), spoil))
    store = new_store()
    with pytest.raises(TruelobeError) as said:
        gallery.import_bundle(store, path)
    assert said.value.message.code == "bundle-refused"
    assert gallery.count(store) == 0


def test_a_newer_bundle_is_refused_with_a_clear_word(new_store, tmp_path, parts):
    manifest = parts["manifest.json"].replace(b'"bundle": 1', b'"bundle": 2')
    path = tmp_path / "newer.zip"
    path.write_bytes(stress_bundles.packed(parts | {"manifest.json": manifest}))
    with pytest.raises(TruelobeError) as said:
        gallery.import_bundle(new_store(), path)
    assert said.value.message.code == "bundle-newer"
    assert "newest version" in said.value.message.what_to_do


def test_a_file_that_is_not_there_is_said_plainly(new_store, tmp_path):
    with pytest.raises(TruelobeError) as said:
        gallery.import_bundle(new_store(), tmp_path / "nowhere.zip")
    assert said.value.message.code == "file-missing"
