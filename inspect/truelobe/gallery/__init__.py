"""Graded examples that a team keeps, finds, shows and never loses: everything above the store's single records."""

from truelobe.gallery.backup import back_up, restore
from truelobe.gallery.bin import empty_bin, in_bin
from truelobe.gallery.comparing import Compared, Difference, compare, difference, measure_again
from truelobe.gallery.export import export_bundle
from truelobe.gallery.filters import Choices, choices
from truelobe.gallery.health import Fault, Health, Repaired, check, repair
from truelobe.gallery.importing import Choice, Conflict, Imported, Plan, import_bundle, plan_import
from truelobe.gallery.sample import load_sample, remove_sample, sample_photos
from truelobe.gallery.search import SORTS, Card, Page, Query, cards, count, find, uids
from truelobe.gallery.tables import write_csv, write_xlsx
from truelobe.gallery.walls import (
    Wall,
    forget_search,
    hang,
    make_wall,
    mark_example,
    on_wall,
    order_walls,
    rename_wall,
    save_search,
    saved_searches,
    take_down_wall,
    walls,
)

__all__ = [
    "SORTS",
    "Card",
    "Choice",
    "Choices",
    "Compared",
    "Conflict",
    "Difference",
    "Fault",
    "Health",
    "Imported",
    "Page",
    "Plan",
    "Query",
    "Repaired",
    "Wall",
    "back_up",
    "cards",
    "check",
    "choices",
    "compare",
    "count",
    "difference",
    "empty_bin",
    "export_bundle",
    "find",
    "forget_search",
    "hang",
    "import_bundle",
    "in_bin",
    "load_sample",
    "make_wall",
    "mark_example",
    "measure_again",
    "on_wall",
    "order_walls",
    "plan_import",
    "remove_sample",
    "rename_wall",
    "repair",
    "restore",
    "sample_photos",
    "save_search",
    "saved_searches",
    "take_down_wall",
    "uids",
    "walls",
    "write_csv",
    "write_xlsx",
]
