"""Everything of a drill that may reach a student's browser, made in this one place.

Before the answer that is the bare picture, under an address that says nothing but which picture of which block,
and the question. Truth, its uncertainty and the hatched picture are read once the answer is in the store; during a
test before and after they are never read.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from typing import Any, cast

from truelobe.messages import TruelobeError
from truelobe.practice.blocks import BARE, Block, Blocks, Kind, Role
from truelobe.practice.pictures import overlay, pictures, to_scale
from truelobe.practice.progress import PROBES
from truelobe.practice.summary import summarise
from truelobe.practice.telling import CALLS, FOCUSES, KINDS, SIZES_MM, asks, both_units, scale_words, tells
from truelobe.store import Store
from truelobe.store.trouble import not_found

_ROLES = ("practice", "before", "after")


class DrillDesk:
    """What students' browsers ask of the drills."""

    def __init__(self, store: Store) -> None:
        self._blocks = Blocks(store)
        self.shelf = self._blocks.shelf
        self._salt = secrets.token_bytes(16)

    def choices(self, student: str) -> dict[str, Any]:
        """Return the drills there are, and how far the test before and after has come."""
        rounds = self._blocks.probes(student)
        before, after = (len(side) for side in rounds[max(rounds)]) if rounds else (0, 0)
        return {
            "kinds": list(KINDS.items()),
            "focuses": {kind: list(those.items()) for kind, those in FOCUSES.items()},
            "before": before,
            "after": after,
            "probes": PROBES,
            "own": self.shelf.known().words,
        }

    def open(self, student: str, sent: Mapping[str, Any]) -> dict[str, Any]:
        """Begin a block or go on with one; return it as a page shows it.

        Raises
        ------
        TruelobeError
            ``not-found`` for a drill that there is not; ``test-order`` for the test after before the one before.
        """
        kind, role, focus = (sent.get(name) for name in ("kind", "role", "focus"))
        if kind not in KINDS or role not in _ROLES or focus not in FOCUSES.get(str(kind), {"": ""}):
            raise not_found("drill")
        if role != "practice":
            self._may_test(student, str(role))
        block = self._blocks.open(student, cast(Kind, kind), cast(Role, role), str(focus))
        return self._asked(block)

    def _may_test(self, student: str, role: str) -> None:
        rounds = self._blocks.probes(student)
        before, after = (len(side) for side in rounds[max(rounds)]) if rounds else (0, 0)
        if (role == "after" and before < PROBES) or (role == "before" and 0 < after < PROBES):
            raise TruelobeError("test-order", "The other half of the test comes first.", "Go on with that one.")

    def block(self, student: str, uid: str) -> dict[str, Any]:
        """Return a block of this student's as it stands.

        Raises
        ------
        TruelobeError
            ``not-found``, also for somebody else's.
        """
        return self._asked(self._own(student, uid))

    def _own(self, student: str, uid: str) -> Block:
        block = self._blocks.get(uid)
        if block.student != student:
            raise not_found("block")
        return block

    def _asked(self, block: Block) -> dict[str, Any]:
        position = len(block.answers)
        asked: dict[str, Any] = {"block": block.uid, "kind": block.kind, "role": block.role, "focus": block.focus}
        asked |= {"title": KINDS[block.kind], "position": position, "length": block.length}
        if block.showing is None:
            return asked | {"picture": None}
        asked |= {"asks": asks(block.kind), "picture": f"drill/{block.uid}/{position}/asked"}
        asked["look"] = self._look(block)
        if block.kind in ("threshold", "limit"):
            asked["calls"] = list(CALLS.items())
        if block.kind == "size":
            asked["sizes"] = [[mm, both_units(mm)] for mm in SIZES_MM]
            asked["scale"] = scale_words(block.focus)
        return asked

    def _look(self, block: Block) -> str:
        """Name the picture that is shown so that nobody reads from it which one it is."""
        shown = f"{block.uid}/{block.showing.id if block.showing else ''}".encode()
        return hmac.new(self._salt, shown, hashlib.sha256).hexdigest()[:12]

    def answer(self, student: str, sent: Mapping[str, Any]) -> dict[str, Any]:
        """Keep an answer; return its truth where the drill tells it, and what comes next.

        Raises
        ------
        TruelobeError
            ``answer-invalid``, ``picture-gone``, ``not-found``.
        """
        uid, position, value, second = (sent.get(name) for name in ("block", "position", "value", "second"))
        if not isinstance(uid, str) or type(position) is not int or position < 0 or not _number(value):
            raise TruelobeError("answer-invalid", "This can't be kept as an answer.", "Answer once more.")
        block = self._own(student, uid)
        if position == len(block.answers) and sent.get("look") != self._look(block):
            raise TruelobeError("picture-gone", "That picture is no longer shown.", "Answer the one shown now.")
        kept = self._blocks.answer(uid, position, float(cast(float, value)), _float(second))
        told: dict[str, Any] = {"next": self._asked(self._blocks.get(uid)), "words": None, "picture": None}
        if block.role != "practice":
            return told
        picture = self.shelf.find(kept.picture)
        return told | {"words": tells(block.kind, kept, picture), "picture": f"drill/{uid}/{position}/told"}

    def picture(self, student: str, uid: str, position: int, which: str) -> bytes:
        """Return a picture of a block: bare as soon as it is asked, hatched once it is answered.

        Raises
        ------
        TruelobeError
            ``not-found`` for anything that is not to be seen now.
        """
        block, shelf = self._own(student, uid), self.shelf
        answered = 0 <= position < len(block.answers)
        if which == "asked" and position == len(block.answers) and block.showing is not None:
            picture = block.showing
        elif answered and (which == "asked" or block.role == "practice"):
            picture = shelf.find(block.answers[position].picture)
        else:
            raise not_found("picture")
        if block.kind in ("size", "limit"):
            return to_scale(picture, card=block.focus != BARE)
        if which == "asked":
            return shelf.photo(picture)
        if block.kind == "side" and picture.side:
            return overlay(pictures()[picture.side])
        return shelf.overlay(picture)

    def eye(self, student: str) -> dict[str, Any]:
        """Return what a student's answers say, in words and as points to draw."""
        found = summarise(self._blocks.of(student))
        limits = found.limits
        return {
            "words": list(found.words),
            "points": [[round(t, 1), round(a - t, 1)] for t, a in found.percent],
            "lines": [] if limits is None else [limits.bias, *limits.limits],
            "time": [[step.number, step.mean_error, step.role] for step in found.over_time],
            "groups": [[g.name, g.count, round(g.mean_error), round(g.lean)] for g in found.groups],
            "need": {"words": found.need.words, "kind": found.need.kind, "focus": found.need.focus},
        }


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6


def _float(value: Any) -> float | None:
    return float(value) if _number(value) else None
