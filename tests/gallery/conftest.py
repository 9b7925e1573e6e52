import hashlib

import pytest
from tests.store import plates

from truelobe.store import NewInspection, crop_box, prepare_photo


def keep_plate(store, document, seed=1, **fields):
    photo = plates.photo(seed)
    document["photo"]["sha256"] = hashlib.sha256(photo).hexdigest()
    prepared = prepare_photo(photo, crop_box(document), name=f"plate-{seed}.jpg")
    return store.inspections.keep(NewInspection((prepared,), document, **fields))


@pytest.fixture
def keep():
    """Keep a plate with a document: ``keep(store, document, seed=1, **fields)``."""
    return keep_plate
