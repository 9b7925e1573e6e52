"""Work not finished: a row written at each change, so that leaving, reloading and coming back lose nothing."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, RowMapping, delete, func, insert, select, update

from truelobe.store.base import new_uid, now
from truelobe.store.database import Database
from truelobe.store.models_setup import DraftRow, DraftUploadRow
from truelobe.store.records import Body, Draft, Upload
from truelobe.store.setup import as_text
from truelobe.store.shelf import FolderShelf
from truelobe.store.trouble import changed_meanwhile, not_found

_NEWEST_FIRST = (DraftRow.changed_at.desc(), DraftRow.id.desc())


class Drafts:
    """Drafts of any kind, with the files they work on."""

    def __init__(self, database: Database, uploads: FolderShelf) -> None:
        self._database = database
        self._uploads = uploads

    def start(self, kind: str, body: Body, *, who: str = "", uploads: Sequence[tuple[str, bytes]] = ()) -> Draft:
        """Start a draft; its files are durable before the row is.

        Parameters
        ----------
        kind : str
            ``"inspection"``, ``"class"`` ...
        body : Mapping
            JSON.
        who : str
            Nickname.
        uploads : sequence of (name, bytes)
            Files as they were handed in.
        """
        uid, started = new_uid(), now()
        values = {"uid": uid, "kind": kind, "who": who, "body": as_text(body)}
        with self._database.write("adding") as connection:
            draft = connection.execute(
                insert(DraftRow).values(**values, version=1, started_at=started, changed_at=started)
            ).inserted_primary_key
            assert draft is not None
            shas = self._add(connection, draft[0], 0, uploads)
        self._settled(shas)
        return self.get(uid)

    def add_uploads(self, uid: str, uploads: Sequence[tuple[str, bytes]]) -> Draft:
        """Add files to a draft."""
        with self._database.write("adding") as connection:
            draft = _id(connection, uid)
            there = connection.execute(
                select(func.count()).where(DraftUploadRow.draft_id == draft).select_from(DraftUploadRow)
            ).scalar_one()
            shas = self._add(connection, draft, there, uploads)
        self._settled(shas)
        return self.get(uid)

    def _add(
        self, connection: Connection, draft: int, first: int, uploads: Sequence[tuple[str, bytes]]
    ) -> list[str]:
        shas = [self._uploads.put(data) for _, data in uploads]
        for position, ((name, _), sha256) in enumerate(zip(uploads, shas, strict=True), start=first):
            row = {"draft_id": draft, "position": position, "sha256": sha256, "name": name}
            connection.execute(insert(DraftUploadRow).values(**row))
        return shas

    def _settled(self, shas: Iterable[str]) -> None:
        for sha256 in shas:
            self._uploads.unmark(sha256)

    def write(self, uid: str, version: int, body: Body) -> Draft:
        """Write a draft's newest state.

        Raises
        ------
        TruelobeError
            ``changed-meanwhile`` when another window wrote it since `version`; ``not-found`` when it is gone.
        """
        with self._database.write() as connection:
            draft = _id(connection, uid)
            done = connection.execute(
                update(DraftRow)
                .where(DraftRow.id == draft, DraftRow.version == version)
                .values(body=as_text(body), version=version + 1, changed_at=now())
            )
            if not done.rowcount:
                raise changed_meanwhile("draft")
        return self.get(uid)

    def get(self, uid: str) -> Draft:
        """Return a draft as it stands.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        found = self._select(DraftRow.uid == uid)
        if not found:
            raise not_found("draft")
        return found[0]

    def all(self, kind: str | None = None) -> tuple[Draft, ...]:
        """Return drafts, the one changed last first."""
        return self._select(*(() if kind is None else (DraftRow.kind == kind,)))

    def versions(self, kind: str) -> dict[str, int]:
        """Return the drafts' versions by identifier, the one changed last first; no body is read for it."""
        wanted = select(DraftRow.uid, DraftRow.version).where(DraftRow.kind == kind).order_by(*_NEWEST_FIRST)
        with self._database.read() as connection:
            return {row.uid: row.version for row in connection.execute(wanted)}

    def some(self, uids: Collection[str]) -> tuple[Draft, ...]:
        """Return those of some drafts that are still there, the one changed last first."""
        return self._select(DraftRow.uid.in_(uids)) if uids else ()

    def _select(self, *where: Any) -> tuple[Draft, ...]:
        with self._database.read() as connection:
            rows = connection.execute(select(DraftRow.__table__).where(*where).order_by(*_NEWEST_FIRST)).all()
            files = connection.execute(
                select(DraftUploadRow.__table__)
                .where(DraftUploadRow.draft_id.in_([row.id for row in rows]))
                .order_by(DraftUploadRow.position)
            ).all()
        uploads: dict[int, list[Upload]] = {}
        for file in files:
            uploads.setdefault(file.draft_id, []).append(Upload(file.sha256, file.name))
        return tuple(_draft(row._mapping, uploads.get(row.id, [])) for row in rows)

    def upload(self, sha256: str) -> Path:
        """Return where an uploaded file lies. It is there as long as a draft names it.

        Raises
        ------
        TruelobeError
            ``photo-missing``.
        """
        if not self._uploads.has(sha256):
            self._uploads.read(sha256)
        return self._uploads.path(sha256)

    def finish(self, uid: str) -> None:
        """Take a draft away, with the files that no other draft works on. A draft already gone is fine."""
        with self._database.write("removing") as connection:
            of_uid = DraftRow.uid == uid
            shas = set(connection.execute(select(DraftUploadRow.sha256).join(DraftRow).where(of_uid)).scalars())
            for sha256 in shas:
                self._uploads.mark(sha256)
            connection.execute(delete(DraftRow).where(of_uid))
        self.sweep(shas)

    def sweep(self, shas: Iterable[str]) -> None:
        """Remove those of the marked files that no draft works on; take the mark off the others."""
        names = sorted(shas)
        if not names:
            return
        with self._database.write("removing") as connection:
            used = set(connection.execute(select(DraftUploadRow.sha256)).scalars())
            for sha256 in names:
                if sha256 not in used:
                    self._uploads.remove(sha256)
                self._uploads.unmark(sha256)


def _id(connection: Connection, uid: str) -> int:
    found = connection.execute(select(DraftRow.id).where(DraftRow.uid == uid)).scalar()
    if found is None:
        raise not_found("draft")
    return found


def _draft(row: RowMapping, uploads: Sequence[Upload]) -> Draft:
    changed: datetime = row["changed_at"]
    return Draft(
        uid=row["uid"],
        version=row["version"],
        kind=row["kind"],
        who=row["who"],
        body=json.loads(row["body"]),
        started_at=row["started_at"],
        changed_at=changed,
        uploads=tuple(uploads),
    )
