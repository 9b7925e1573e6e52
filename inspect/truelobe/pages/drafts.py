"""An unfinished plate as it stands in its draft row, and how it is to be measured.

The body of a draft is JSON::

    {"settings": {"card_place", "plate_height_mm", "declared_colour", "bars": [across_mm, down_mm, u_mm]},
     "corrections": [...],            # what was changed by hand, oldest first
     "undone": [...],                 # taken back, to be done again
     "document": {...} | null,        # the newest measurement
     "measured_for": "..." | null,    # what that measurement answers, see `question`
     "hand_facts": {...},             # what a photo can't show
     "title": "...",                  # in the gallery
     "sample": false}
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Any

from truelobe import __version__
from truelobe.card import load_layout, scale_from_bars
from truelobe.colour.references import references_from_document
from truelobe.grading import Limit
from truelobe.messages import TruelobeError
from truelobe.request import DEFAULT_LIMITS, Correction, Request
from truelobe.store import Draft, Print, Store

Body = dict[str, Any]
KIND = "inspection"


def empty_body(*, sample: bool = False) -> Body:
    """Return the body of a plate nobody has said anything about."""
    return {
        "settings": {"card_place": None, "plate_height_mm": None, "declared_colour": None, "bars": None},
        "corrections": [],
        "undone": [],
        "document": None,
        "measured_for": None,
        "hand_facts": {},
        "sample": sample,
    }


def change(store: Store, uid: str, how: Callable[[Body], None]) -> Draft:
    """Change a draft's newest state, whoever wrote it last.

    Parameters
    ----------
    store : Store
    uid : str
    how : callable
        Gets the body and changes it in place. It may run again when another window wrote in between.
    """
    for _ in range(20):
        draft = store.drafts.get(uid)
        body = dict(draft.body)
        how(body)
        try:
            return store.drafts.write(uid, draft.version, body)
        except TruelobeError as error:
            if error.message.code != "changed-meanwhile":
                raise
            last = error
    raise last


def correct(body: Body, correction: Correction) -> None:
    """Add a correction by hand; what was taken back before can't be done again after it."""
    body["corrections"] = [*body["corrections"], correction.document()]
    body["undone"] = []


def undo(body: Body) -> None:
    """Take the newest correction back."""
    if body["corrections"]:
        body["undone"] = [*body["undone"], body["corrections"][-1]]
        body["corrections"] = body["corrections"][:-1]


def redo(body: Body) -> None:
    """Do what was taken back last once more."""
    if body["undone"]:
        body["corrections"] = [*body["corrections"], body["undone"][-1]]
        body["undone"] = body["undone"][:-1]


def request_for(body: Mapping[str, Any], store: Store) -> Request:
    """Return how a draft is to be measured: its own words, the team's prints, references, limits and settings."""
    settings = body["settings"]
    bars = settings.get("bars")
    references = store.references.get("team")
    return Request(
        prints={made.number: scale_from_bars(*_bars(made)) for made in store.prints.all()},
        bars=None if bars is None else scale_from_bars(load_layout(), *bars),
        card_place=settings["card_place"],
        plate_height_mm=settings["plate_height_mm"],
        declared_colour=settings["declared_colour"],
        line=float(store.settings.get("line", 0.5)),
        level=float(store.settings.get("level", 0.95)),
        limits=tuple(Limit(**written) for written in store.settings.get("limits", [])) or DEFAULT_LIMITS,
        references=None if references is None else references_from_document(references.body),
        corrections=tuple(Correction.from_document(c) for c in body["corrections"]),
    )


def _bars(made: Print) -> tuple[Any, float, float, float]:
    return load_layout(made.edition), made.across_mm, made.down_mm, made.u_mm


def question(body: Mapping[str, Any], request: Request) -> str:
    """Return a mark of everything a measurement depends on; equal marks give equal documents."""
    asked = {
        "tool": __version__,
        "settings": body["settings"],
        "corrections": body["corrections"],
        "prints": {str(n): [s.across, s.down, s.u_across, s.u_down] for n, s in sorted(request.prints.items())},
        "rest": [request.line, request.level, [repr(limit) for limit in request.limits]],
        "references": None if request.references is None else request.references.document(),
    }
    return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()[:16]
