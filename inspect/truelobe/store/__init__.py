"""What is kept: one database and one shelf of photos, behind one door.

>>> store = open_store(home)                             # doctest: +SKIP
>>> draft = store.drafts.start("inspection", {"step": 1})  # doctest: +SKIP
"""

from truelobe.store.database import Database
from truelobe.store.documents import crop_box
from truelobe.store.inspections import NewInspection
from truelobe.store.pictures import PreparedPhoto, prepare_photo
from truelobe.store.records import (
    Change,
    Defect,
    Draft,
    Grade,
    HandFacts,
    Inspection,
    Measurement,
    NamedBody,
    PepperFigures,
    Photo,
    Print,
    RuleSet,
    Upload,
)
from truelobe.store.store import Store, open_store

__all__ = [
    "Change",
    "Database",
    "Defect",
    "Draft",
    "Grade",
    "HandFacts",
    "Inspection",
    "Measurement",
    "NamedBody",
    "NewInspection",
    "PepperFigures",
    "Photo",
    "PreparedPhoto",
    "Print",
    "RuleSet",
    "Store",
    "Upload",
    "crop_box",
    "open_store",
    "prepare_photo",
]
