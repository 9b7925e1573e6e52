"""What all tables share: one metadata, times in UTC, public identifiers.

A room that needs tables of its own puts them in `store/models_<topic>.py` as subclasses of `Base`, imports that
module in `store/models.py`, and adds one revision to `store/migrations/versions/`.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

from sqlalchemy import DateTime, MetaData
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase
from sqlalchemy.types import TypeDecorator

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """The parent of every table. Constraints get names, so that later revisions can change them."""

    metadata = MetaData(naming_convention=NAMES)


class UTCDateTime(TypeDecorator[datetime]):
    """A moment in time: written as UTC, read back with its zone (SQLite itself forgets zones)."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any zone into UTC; a time without a zone is a programming mistake."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time in the store has a zone")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Attach the zone again."""
        return None if value is None else value.replace(tzinfo=UTC)


def now() -> datetime:
    """Return this moment, in UTC."""
    return datetime.now(UTC)


def new_uid() -> str:
    """Return a fresh public identifier: 32 hexadecimal digits, random (RFC 9562, version 4)."""
    return uuid.uuid4().hex
