"""Take a bundle's plates in: all that was chosen, or nothing.

Photos are unpacked beside the shelf first. One transaction then moves them to their places and writes every row;
when anything goes wrong before its commit, the rows were never there and the files go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, delete, func, insert, select, update

from truelobe.gallery.bundle import Bundle, open_bundle
from truelobe.gallery.written import as_copy, differing, nameless
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import now
from truelobe.store.models_gallery import HistoryRow, InspectionPhotoRow, InspectionRow, WallItemRow, WallRow
from truelobe.store.plates import insert_measurement, read_record, write_hand_facts, write_photos, write_record
from truelobe.store.records import PlateRecord
from truelobe.store.setup import as_text
from truelobe.store.state import apply_state, read_state
from truelobe.store.trouble import said_plainly

Choice = Literal["keep mine", "take theirs", "keep both"]


@dataclass(frozen=True)
class Conflict:
    """A plate that stands differently here and in the bundle."""

    uid: str
    title_here: str
    title_there: str
    parts: tuple[str, ...]


@dataclass(frozen=True)
class Plan:
    """What an import would do: how many plates are new, how many are here already, and which need a choice."""

    new: int
    same: int
    conflicts: tuple[Conflict, ...]


@dataclass(frozen=True)
class Imported:
    """What an import did."""

    new: int = 0
    same: int = 0
    kept_mine: int = 0
    took_theirs: int = 0
    kept_both: int = 0


def plan_import(store: Store, path: Path) -> Plan:
    """Check a bundle and say what importing it would do. Changes nothing.

    Raises
    ------
    TruelobeError
        ``bundle-refused``, ``bundle-newer``, ``file-missing``.
    """
    new = same = 0
    conflicts = []
    with open_bundle(path) as bundle, store.database.read() as connection:
        for theirs in bundle.plates():
            mine = _mine(connection, theirs.uid, bundle)
            parts = () if mine is None else differing(mine[1], theirs)
            new += mine is None
            same += mine is not None and not parts
            if mine is not None and parts:
                here, there = mine[1].state["title"], theirs.state["title"]
                conflicts.append(Conflict(theirs.uid, str(here), str(there), parts))
    return Plan(new, same, tuple(conflicts))


def import_bundle(
    store: Store,
    path: Path,
    choices: Mapping[str, Choice] | None = None,
    default: Choice | None = None,
    who: str = "",
) -> Imported:
    """Take a bundle in. Importing the same bundle again changes nothing.

    Parameters
    ----------
    choices : Mapping of uid to {"keep mine", "take theirs", "keep both"}, optional
        For plates that stand differently here.
    default : choice, optional
        For conflicts that `choices` does not name.
    who : str
        Whom the history names.

    Raises
    ------
    TruelobeError
        ``bundle-refused``, ``bundle-newer``, ``conflict-open`` (a conflict without a choice), ``disk-full`` ...;
        the gallery is then as it was.
    """
    try:
        with open_bundle(path) as bundle, store.workspace() as folder:
            staged = _stage(store, bundle, folder)
            with store.database.write("adding") as connection:
                shelved = _shelve(store, bundle, staged)
                importer = _Importer(connection, bundle, choices or {}, default, who)
                done = importer.run()
            for sha256 in shelved:
                store.shelf.unmark(sha256)
    except BaseException:
        store.settle()
        raise
    return done


def _stage(store: Store, bundle: Bundle, folder: Path) -> dict[str, Path]:
    """Unpack the photos that are not on the shelf."""
    staged: dict[str, Path] = {}
    with said_plainly():
        for record in bundle.plates():
            for photo in record.photos:
                wanted = (photo.sha256, photo.thumbnail_sha256)
                if not all(sha256 in staged or store.shelf.has(sha256) for sha256 in wanted):
                    staged |= {sha256: file for file, sha256 in bundle.unpack(photo, folder)}
    return staged


def _shelve(store: Store, bundle: Bundle, staged: Mapping[str, Path]) -> list[str]:
    """Put staged photos on the shelf, inside the transaction, and those that left it meanwhile."""
    store.shelf.take([(file, sha256) for sha256, file in staged.items()])
    shelved = list(staged)
    for record in bundle.plates():
        for photo in record.photos:
            for sha256 in (photo.sha256, photo.thumbnail_sha256):
                if not store.shelf.has(sha256):
                    store.shelf.put(bundle.read(photo, sha256))
                    shelved.append(sha256)
    return shelved


def _mine(connection: Connection, uid: str, bundle: Bundle) -> tuple[int, PlateRecord] | None:
    inspection_id = connection.execute(select(InspectionRow.id).where(InspectionRow.uid == uid)).scalar()
    if inspection_id is None:
        return None
    record = read_record(connection, inspection_id)
    return inspection_id, nameless(record) if bundle.manifest["names"] == "left out" else record


class _Importer:
    """One import's run through a bundle, inside a transaction."""

    def __init__(
        self,
        connection: Connection,
        bundle: Bundle,
        choices: Mapping[str, Choice],
        default: Choice | None,
        who: str,
    ) -> None:
        self._connection = connection
        self._bundle = bundle
        self._choices = choices
        self._default = default
        self._who = who
        self._done: dict[str, int] = dict.fromkeys(Imported.__dataclass_fields__, 0)

    def run(self) -> Imported:
        for theirs in self._bundle.plates():
            self._done[self._take(theirs)] += 1
        for wall in self._bundle.walls:
            _hang(self._connection, wall)
        return Imported(**self._done)

    def _take(self, theirs: PlateRecord) -> str:
        mine = _mine(self._connection, theirs.uid, self._bundle)
        if mine is None:
            self._write(theirs)
            return "new"
        if not differing(mine[1], theirs):
            return "same"
        choice = self._choices.get(theirs.uid, self._default)
        if choice is None:
            raise TruelobeError(
                "conflict-open",
                "Some plates stand differently here and in the bundle, so nothing was changed yet.",
                "Choose for each: keep mine, take theirs, or keep both.",
            )
        if choice == "keep mine":
            return "kept_mine"
        if choice == "keep both":
            copy = as_copy(theirs)
            if _mine(self._connection, copy.uid, self._bundle) is None:
                self._write(copy)
            return "kept_both"
        self._merge(mine[0], mine[1], theirs)
        return "took_theirs"

    def _write(self, record: PlateRecord) -> None:
        inspection_id = write_record(self._connection, record)
        self._remember(inspection_id, 1, {}, {})

    def _merge(self, inspection_id: int, mine: PlateRecord, theirs: PlateRecord) -> None:
        """Let theirs stand; measurements and hand facts add up, and undo brings the state before back."""
        connection, plate = self._connection, InspectionRow.id == inspection_id
        there = {made.uid for made, _ in mine.measurements}
        for made, text in theirs.measurements:
            if made.uid not in there:
                insert_measurement(connection, inspection_id, made, text)
        known = set(map(repr, mine.hand_facts))
        for facts in theirs.hand_facts:
            if repr(facts) not in known:
                write_hand_facts(connection, inspection_id, facts)
        if [photo.sha256 for photo in mine.photos] != [photo.sha256 for photo in theirs.photos]:
            connection.execute(delete(InspectionPhotoRow).where(InspectionPhotoRow.inspection_id == inspection_id))
            write_photos(connection, inspection_id, theirs.photos)
        before = read_state(connection, inspection_id)
        left_out = {"who"} if self._bundle.manifest["names"] == "left out" else set()
        changes = {
            name: value for name, value in theirs.state.items() if value != before[name] and name not in left_out
        }
        apply_state(connection, inspection_id, changes)
        connection.execute(
            update(InspectionRow).where(plate).values(version=InspectionRow.version + 1, changed_at=now())
        )
        version = connection.execute(select(InspectionRow.version).where(plate)).scalar_one()
        self._remember(inspection_id, version, {name: before[name] for name in changes}, changes)

    def _remember(self, inspection_id: int, version: int, before: Any, after: Any) -> None:
        self._connection.execute(
            insert(HistoryRow).values(
                inspection_id=inspection_id,
                version=version,
                at=now(),
                who=self._who,
                action="imported",
                before=as_text(before),
                after=as_text(after),
                undone=False,
            )
        )


def _hang(connection: Connection, wall: Mapping[str, Any]) -> None:
    """Make a wall that is not here; on one that is, hang the plates that are missing, after the others."""
    wall_id = connection.execute(select(WallRow.id).where(WallRow.uid == wall["uid"])).scalar()
    if wall_id is None:
        last = connection.execute(select(func.max(WallRow.position))).scalar() or 0
        values = {"uid": wall["uid"], "title": wall["title"], "note": wall["note"], "position": last + 1}
        made = connection.execute(insert(WallRow).values(version=1, **values)).inserted_primary_key
        assert made is not None
        wall_id = int(made[0])
    hanging = connection.execute(
        select(InspectionRow.uid, WallItemRow.position)
        .join(WallItemRow, WallItemRow.inspection_id == InspectionRow.id)
        .where(WallItemRow.wall_id == wall_id)
    ).all()
    there = {row.uid for row in hanging}
    position = max((row.position for row in hanging), default=-1)
    for uid in dict.fromkeys(wall["plates"]):
        if uid not in there:
            position += 1
            plate = select(InspectionRow.id).where(InspectionRow.uid == uid).scalar_subquery()
            connection.execute(insert(WallItemRow).values(wall_id=wall_id, inspection_id=plate, position=position))
