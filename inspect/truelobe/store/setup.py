"""What a team sets up once: measured prints, colour references, settings, rule sets."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from truelobe.messages import TruelobeError
from truelobe.store.base import Base, now
from truelobe.store.database import Database
from truelobe.store.models_setup import PrintRow, ReferenceRow, RuleSetRow, SettingRow
from truelobe.store.records import Body, NamedBody, Print, RuleSet
from truelobe.store.trouble import not_found


def as_text(body: Any) -> str:
    """Write JSON as the store keeps it: no NaN, characters as they are."""
    return json.dumps(body, ensure_ascii=False, allow_nan=False)


def replace_row(
    connection: Connection, row: type[Base], key: Mapping[str, Any], values: Mapping[str, Any]
) -> None:
    """Write a row under its key, whether or not it was there. Two writers at once: the later one stands."""
    where = [getattr(row, name) == value for name, value in key.items()]
    if connection.execute(update(row).where(*where).values(**values)).rowcount:
        return
    try:
        with connection.begin_nested():
            connection.execute(insert(row).values(**key, **values))
    except IntegrityError:  # somebody else wrote the same key first
        connection.execute(update(row).where(*where).values(**values))


class Prints:
    """Bar lengths by print number."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, made: Print) -> None:
        """Keep what was measured on a printout; measuring again replaces it."""
        values = {
            "edition": made.edition,
            "across_mm": made.across_mm,
            "down_mm": made.down_mm,
            "u_mm": made.u_mm,
            "note": made.note,
            "measured_at": made.measured_at or now(),
        }
        with self._database.write() as connection:
            replace_row(connection, PrintRow, {"number": made.number}, values)

    def get(self, number: int) -> Print | None:
        """Return a printout's lengths, or None when nobody has measured it."""
        return next((made for made in self.all() if made.number == number), None)

    def all(self) -> tuple[Print, ...]:
        """Return every measured printout, by number."""
        with self._database.read() as connection:
            rows = connection.execute(select(PrintRow.__table__).order_by(PrintRow.number)).mappings()
            return tuple(Print(**row) for row in rows)

    def remove(self, number: int) -> None:
        """Forget a printout."""
        with self._database.write() as connection:
            connection.execute(delete(PrintRow).where(PrintRow.number == number))


class References:
    """Colour reference sets by name."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, name: str, body: Body) -> None:
        """Keep a set of references under a name."""
        with self._database.write() as connection:
            values = {"body": as_text(body), "changed_at": now()}
            replace_row(connection, ReferenceRow, {"name": name}, values)

    def get(self, name: str) -> NamedBody | None:
        """Return one set, or None."""
        return next((found for found in self.all() if found.name == name), None)

    def all(self) -> tuple[NamedBody, ...]:
        """Return every set, by name."""
        with self._database.read() as connection:
            rows = connection.execute(select(ReferenceRow.__table__).order_by(ReferenceRow.name))
            return tuple(NamedBody(row.name, json.loads(row.body), row.changed_at) for row in rows)

    def remove(self, name: str) -> None:
        """Forget a set."""
        with self._database.write() as connection:
            connection.execute(delete(ReferenceRow).where(ReferenceRow.name == name))


class Settings:
    """Settings: a name and a JSON value each."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, name: str, default: Any = None) -> Any:
        """Return a setting, or the default where nobody has set it."""
        with self._database.read() as connection:
            text = connection.execute(select(SettingRow.value).where(SettingRow.name == name)).scalar()
        return default if text is None else json.loads(text)

    def put(self, name: str, value: Any) -> None:
        """Set a setting."""
        with self._database.write() as connection:
            replace_row(connection, SettingRow, {"name": name}, {"value": as_text(value), "changed_at": now()})

    def all(self) -> dict[str, Any]:
        """Return every setting somebody has set."""
        with self._database.read() as connection:
            rows = connection.execute(select(SettingRow.name, SettingRow.value).order_by(SettingRow.name))
            return {name: json.loads(value) for name, value in rows}


COPIES = "copies made"
MOST_COPIES = 500


def note_copy(settings: Settings, kind: str, name: str) -> None:
    """Remember that a copy of what people wrote leaves the store, to be named when somebody is removed.

    Parameters
    ----------
    kind : str
        ``"backup"``, ``"bundle"``.
    name : str
        Of the file, without its folder.
    """
    copies = settings.get(COPIES, [])
    settings.put(COPIES, [*copies, {"kind": kind, "name": name, "at": now().isoformat()}][-MOST_COPIES:])


class RuleSets:
    """Rule sets by name and edition. An edition that stands is never rewritten: records refer to it."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, name: str, edition: str, body: Body) -> None:
        """Keep a new edition. Keeping the same words again changes nothing.

        Raises
        ------
        TruelobeError
            ``edition-taken`` when other rules stand under this name and edition.
        """
        there = self._find(name, edition)
        if there is None:
            with self._database.write() as connection:
                connection.execute(
                    insert(RuleSetRow).values(name=name, edition=edition, body=as_text(body), kept_at=now())
                )
        elif there.body != json.loads(as_text(body)):
            raise TruelobeError(
                "edition-taken",
                f"Other rules already stand as {name}, edition {edition}; plates were judged by them.",
                "Give the changed rules a new edition.",
            )

    def _find(self, name: str, edition: str) -> RuleSet | None:
        return next((found for found in self.editions(name) if found.edition == edition), None)

    def get(self, name: str, edition: str | None = None) -> RuleSet:
        """Return one edition, the newest by default.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        editions = self.editions(name)
        found = self._find(name, edition) if edition else (editions[-1] if editions else None)
        if found is None:
            raise not_found("rule set")
        return found

    def editions(self, name: str) -> tuple[RuleSet, ...]:
        """Return every edition of one rule set, oldest first."""
        return tuple(found for found in self.all() if found.name == name)

    def all(self) -> tuple[RuleSet, ...]:
        """Return every edition of every rule set, by name, oldest first."""
        with self._database.read() as connection:
            rows = connection.execute(select(RuleSetRow.__table__).order_by(RuleSetRow.name, RuleSetRow.id))
            return tuple(RuleSet(row.name, row.edition, json.loads(row.body), row.kept_at) for row in rows)
