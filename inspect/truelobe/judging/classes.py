"""Classes of four as they are kept: set, edited, put in the bin; and the plates behind their numbers."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection, delete, insert, select, update

from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.vocabulary import FACTS
from truelobe.judging.facts import Plate
from truelobe.judging.scoring import Cuts, Placing, check_cuts, cuts_of_officials, read_placing
from truelobe.messages import TruelobeError
from truelobe.store import HandFacts as RecordedFacts
from truelobe.store import Store
from truelobe.store.base import new_uid, now
from truelobe.store.models_gallery import InspectionRow
from truelobe.store.models_judging import ClassPlateRow, ClassRow, SessionRow
from truelobe.store.trouble import changed_meanwhile, not_found

CutsBy = Literal["team", "officials"]
InvalidRule = Literal["zero", "left out"]
Shown = Literal["pictures", "table"]
#: Two minutes: common practice, no published source for produce classes. A setting of every class.
USUAL_SECONDS = 120
NO_PLATES: tuple[str | None, ...] = (None, None, None, None)


@dataclass(frozen=True)
class ClassDraft:
    """What a coach sets; everything but the title may be filled in later.

    Attributes
    ----------
    plates : tuple of str or None
        Identifiers of the kept plates that stand as 1 to 4; None where only the number is known.
    official : Placing or None
        Always a person's.
    cuts : Cuts or None
    cuts_by : {"team", "officials"}
        The team's own cuts are checked; those of a contest's officials are taken as given.
    seconds : int
        Time to place.
    told : tuple of str
        Hand facts that are told before placing.
    shown : {"pictures", "table"}
        Whether students look at the photos or at real plates.
    invalid_rule : {"zero", "left out"}
        What a blank or impossible card scores.
    offered : bool
        Whether students may place it on their own; the key opens for each on submission.
    """

    title: str
    scenario: str = ""
    produce: str = "Sweet peppers"
    plates: tuple[str | None, ...] = NO_PLATES
    official: Placing | None = None
    cuts: Cuts | None = None
    cuts_by: CutsBy = "team"
    seconds: int = USUAL_SECONDS
    told: tuple[str, ...] = ()
    shown: Shown = "pictures"
    invalid_rule: InvalidRule = "zero"
    offered: bool = False


@dataclass(frozen=True)
class JudgingClass(ClassDraft):
    """A kept class."""

    uid: str = ""
    version: int = 1
    changed_at: datetime = field(default_factory=now)
    binned_at: datetime | None = None

    @property
    def key(self) -> tuple[Placing, Cuts] | None:
        """Official placing and cuts, once both are there."""
        return None if self.official is None or self.cuts is None else (self.official, self.cuts)


def checked(draft: ClassDraft) -> ClassDraft:
    """Return a draft that can be kept.

    Raises
    ------
    TruelobeError
        ``class-untitled``, ``time-out-of-range``, ``class-plates``, and those of `check_cuts`.
    """
    if not draft.title.strip():
        raise TruelobeError("class-untitled", "The class has no name.", "Name it, such as “Red bells, class 2”.")
    if not 5 <= draft.seconds <= 3600:
        raise TruelobeError("time-out-of-range", "The time is from 5 seconds to an hour.", "Type another time.")
    chosen = [uid for uid in draft.plates if uid]
    if len(draft.plates) != 4 or len(set(chosen)) != len(chosen):
        raise TruelobeError(
            "class-plates", "A class has four different plates.", "Choose another plate where one stands twice."
        )
    if draft.cuts is not None:
        check = cuts_of_officials if draft.cuts_by == "officials" else check_cuts
        check(draft.cuts.top, draft.cuts.middle, draft.cuts.bottom)
    if unknown := set(draft.told) - set(FACTS):
        raise ValueError(f"not a hand fact: {sorted(unknown)}")
    return draft


def shuffled(draft: ClassDraft, chance: random.Random) -> ClassDraft:
    """Return the class with its plates under other numbers; the official placing follows them."""
    order = chance.sample(range(4), 4)
    fresh = {old + 1: new + 1 for new, old in enumerate(order)}
    official = draft.official
    if official is not None:
        first, second, third, fourth = (fresh[n] for n in official)
        official = (first, second, third, fourth)
    values = {**draft.__dict__, "plates": tuple(draft.plates[old] for old in order), "official": official}
    return type(draft)(**values)


class Classes:
    """The kept classes of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._database = store.database

    def keep(self, draft: ClassDraft) -> JudgingClass:
        """Keep a new class."""
        uid, at = new_uid(), now()
        with self._database.write() as connection:
            values = {**_columns(checked(draft)), "uid": uid, "made_at": at, "changed_at": at}
            made = connection.execute(insert(ClassRow).values(**values)).inserted_primary_key
            assert made is not None
            _write_plates(connection, made[0], draft.plates)
        return self.get(uid)

    def edit(self, uid: str, version: int, draft: ClassDraft) -> JudgingClass:
        """Write a class anew.

        Raises
        ------
        TruelobeError
            ``changed-meanwhile``; ``class-placed`` when plates would change after somebody placed the class.
        """
        with self._database.write() as connection:
            row = _row(connection, uid)
            there = _plates(connection, [row.id])[row.id]
            if tuple(there) != draft.plates and _was_placed(connection, row.id):
                raise TruelobeError(
                    "class-placed",
                    "This class has been placed, so its plates keep their numbers.",
                    "Make a new class of these plates.",
                )
            done = connection.execute(
                update(ClassRow)
                .where(ClassRow.id == row.id, ClassRow.version == version)
                .values(**_columns(checked(draft)), version=version + 1, changed_at=now())
            )
            if not done.rowcount:
                raise changed_meanwhile("class")
            _write_plates(connection, row.id, draft.plates)
        return self.get(uid)

    def bin(self, uid: str, binned: bool = True) -> None:
        """Put a class into the bin, or take it out again."""
        with self._database.write() as connection:
            row = _row(connection, uid)
            at = now() if binned else None
            connection.execute(update(ClassRow).where(ClassRow.id == row.id).values(binned_at=at))

    def get(self, uid: str) -> JudgingClass:
        """Return a class.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        found = self._select(ClassRow.uid == uid)
        if not found:
            raise not_found("class")
        return found[0]

    def all(self, *, binned: bool = False) -> tuple[JudgingClass, ...]:
        """Return the classes, the one changed last first."""
        return self._select(ClassRow.binned_at.is_not(None) if binned else ClassRow.binned_at.is_(None))

    def _select(self, *where: Any) -> tuple[JudgingClass, ...]:
        with self._database.read() as connection:
            rows = connection.execute(
                select(ClassRow.__table__).where(*where).order_by(ClassRow.changed_at.desc(), ClassRow.id.desc())
            ).all()
            plates = _plates(connection, [row.id for row in rows])
        return tuple(_read(row, plates[row.id]) for row in rows)

    def plates(self, one: ClassDraft) -> tuple[Plate, ...]:
        """Return what is known about the four plates of a class, by number."""
        return tuple(self._plate(number, uid) for number, uid in enumerate(one.plates, start=1))

    def _plate(self, number: int, uid: str | None) -> Plate:
        if uid is None:
            return Plate(number)
        kept = self._store.inspections.get(uid)
        return Plate(
            number,
            self._store.inspections.document(uid),
            hand_facts(kept.hand_facts),
            next((photo.camera for photo in kept.photos if photo.camera), "") or "",
            bool(kept.photos),
        )


def hand_facts(recorded: Sequence[RecordedFacts]) -> HandFacts:
    """Return everything recorded by hand about a plate, each entry once, oldest first."""
    entries = {
        (e.pepper, e.fact, e.at, e.value): e
        for one in recorded
        if "entries" in one.facts
        for e in HandFacts.from_document(one.facts).entries
    }
    return HandFacts(tuple(sorted(entries.values(), key=lambda e: e.at)))


def _columns(draft: ClassDraft) -> dict[str, Any]:
    cuts = draft.cuts
    return {
        "title": draft.title.strip()[:200],
        "scenario": draft.scenario.strip(),
        "produce": draft.produce.strip()[:200],
        "official": "".join(map(str, draft.official or ())),
        "cut_top": cuts.top if cuts else None,
        "cut_middle": cuts.middle if cuts else None,
        "cut_bottom": cuts.bottom if cuts else None,
        "cuts_by": draft.cuts_by,
        "seconds": draft.seconds,
        "told": json.dumps(sorted(draft.told)),
        "shown": draft.shown,
        "invalid_rule": draft.invalid_rule,
        "offered": draft.offered,
    }


def _read(row: Any, plates: tuple[str | None, ...]) -> JudgingClass:
    cut = (row.cut_top, row.cut_middle, row.cut_bottom)
    return JudgingClass(
        title=row.title,
        scenario=row.scenario,
        produce=row.produce,
        plates=plates,
        official=read_placing(row.official) if row.official else None,
        cuts=None if None in cut else Cuts(*cut),
        cuts_by=row.cuts_by,
        seconds=row.seconds,
        told=tuple(json.loads(row.told)),
        shown=row.shown,
        invalid_rule=row.invalid_rule,
        offered=row.offered,
        uid=row.uid,
        version=row.version,
        changed_at=row.changed_at,
        binned_at=row.binned_at,
    )


def _row(connection: Connection, uid: str) -> Any:
    row = connection.execute(select(ClassRow.id, ClassRow.version).where(ClassRow.uid == uid)).first()
    if row is None:
        raise not_found("class")
    return row


def _was_placed(connection: Connection, class_id: int) -> bool:
    started = (SessionRow.class_id == class_id, SessionRow.started_at.is_not(None))
    return connection.execute(select(SessionRow.id).where(*started).limit(1)).scalar() is not None


def _plates(connection: Connection, ids: Sequence[int]) -> dict[int, tuple[str | None, ...]]:
    found = connection.execute(
        select(ClassPlateRow.class_id, ClassPlateRow.number, InspectionRow.uid)
        .join(InspectionRow, InspectionRow.id == ClassPlateRow.inspection_id)
        .where(ClassPlateRow.class_id.in_(ids))
    )
    at = {(class_id, number): uid for class_id, number, uid in found}
    return {class_id: tuple(at.get((class_id, number)) for number in (1, 2, 3, 4)) for class_id in ids}


def _write_plates(connection: Connection, class_id: int, plates: Sequence[str | None]) -> None:
    connection.execute(delete(ClassPlateRow).where(ClassPlateRow.class_id == class_id))
    for number, uid in enumerate(plates, start=1):
        found = connection.execute(select(InspectionRow.id).where(InspectionRow.uid == uid)).scalar()
        if uid is not None and found is None:
            raise not_found("plate")
        values = {"class_id": class_id, "number": number, "inspection_id": found}
        connection.execute(insert(ClassPlateRow).values(**values))
