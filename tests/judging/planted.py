"""A class whose key, figures and names hold words that nobody would type, and the search for them."""

import re

from tests.judging.judging_plates import by_hand, document, photo

from truelobe.judging import Cuts
from truelobe.judging.classes import ClassDraft, Classes
from truelobe.store import NewInspection, prepare_photo

# Words and figures that nobody would type, planted in key, cuts, figures and names.
CANARY = "kanariengelb"
DIAMETERS = (83.71, 79.13, 77.39, 71.97)


def keep_class(store, **changes):
    plates = []
    for n, diameter in enumerate(DIAMETERS):
        written = document([diameter, diameter + 0.01, diameter - 0.01], sha="abcd"[n])
        data = prepare_photo(photo(10 * n), name=f"{CANARY}-file-{n}.jpg")
        written["photo"]["sha256"] = data.original_sha256
        facts = by_hand({"firmness": ["firm", "firm", "soft"], "scars": ["none", "damage", "none"]})
        kept = store.inspections.keep(
            NewInspection(
                photos=(data,),
                document=written,
                hand_facts=facts.document(),
                title=f"{CANARY} title {n}",
                notes=f"{CANARY} notes",
            )
        )
        plates.append(kept.uid)
    values = {
        "title": "Red bells",
        "scenario": "For a farm stand.",
        "plates": tuple(plates),
        "official": (3, 1, 4, 2),
        "cuts": Cuts(2, 5, 3),
    }
    return Classes(store).keep(ClassDraft(**(values | changes)))


def secrets_of(store, one):
    """What must not reach a browser before the key is open, as bytes."""
    official = "".join(map(str, one.official))
    found = [CANARY, official, "-".join(official), '"cuts"', "official", "critique", "2-5-3", "2, 5, 3", "[2,5,3]"]
    for uid in one.plates:
        found += [uid, *(p.sha256 for p in store.inspections.get(uid).photos)]
        found += [p.original_sha256 for p in store.inspections.get(uid).photos]
    found += [f"{d:.{digits}f}" for d in DIAMETERS for digits in (1, 2)]
    found += ["firm", "damage", "scars", "diameter", "mm"]
    return [word.encode() for word in found]


def leaks(phone, words):
    """Return what stood in anything a phone received through its requests: data, headers and pictures.

    A number counts only by itself, and the unit only after a number and a blank: random names and compressed
    pictures hold any few digits, and any two letters.
    """
    return [(path, word) for path, data in phone.received for word in words if _stands(word, data)]


def _stands(word, data):
    if word == b"mm":
        return re.search(rb"[0-9](?: |\\u00a0|\\u202f|\xc2\xa0|\xe2\x80\xaf)mm(?![\w-])", data) is not None
    if re.fullmatch(rb"[0-9.]+", word):
        return re.search(rb"(?<![\w.])" + re.escape(word) + rb"(?![\w.])", data) is not None
    return word in data
