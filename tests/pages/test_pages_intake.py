"""A watched folder gives photos that are new and no longer being written."""

import os
import time

import pytest

from truelobe.messages import TruelobeError
from truelobe.pages.intake import new_photos


def laid(folder, name, age_s):
    path = folder / name
    path.write_bytes(b"...")
    moment = time.time() - age_s
    os.utime(path, (moment, moment))
    return path


def test_only_new_photos_at_rest_are_taken_oldest_first(tmp_path):
    laid(tmp_path, "old.jpg", 500)
    second = laid(tmp_path, "b.HEIC", 20)
    first = laid(tmp_path, "a.jpg", 40)
    laid(tmp_path, "still-being-written.jpg", 0)
    laid(tmp_path, "notes.txt", 20)
    assert new_photos(tmp_path, time.time() - 100) == [first, second]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(TruelobeError) as caught:
        new_photos(tmp_path / "card", 0)
    assert caught.value.message.code == "folder-not-there"
