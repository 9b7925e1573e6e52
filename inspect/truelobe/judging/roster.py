"""The coach's roster: nicknames, each student's own word, and the devices they are known on.

No real name, address or date of birth is asked for. A word is kept as its argon2id hash (RFC 9106); the coach
prints it once. A device is known by a random token whose SHA-256 alone is kept.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError
from sqlalchemy import Connection, Row, delete, func, insert, select, update

from truelobe.judging.slip_words import new_word, plain_word
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import new_uid, now
from truelobe.store.models_judging import SheetRow, StudentRow, TokenRow
from truelobe.store.trouble import not_found

#: RFC 9106, second recommended option, with less memory (19 MiB, two passes: OWASP's floor), since thirty phones
#: may knock at once on one laptop and the words are guarded by waiting times besides.
HASHER = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
FREE_TRIES = 4
FIRST_WAIT = timedelta(seconds=15)
LONGEST_WAIT = timedelta(minutes=10)
MOST_STUDENTS = 200


@dataclass(frozen=True)
class Student:
    """A nickname on the roster."""

    uid: str
    nickname: str
    joined_at: datetime
    devices: int = 0


class Roster:
    """The students of a store."""

    def __init__(self, store: Store) -> None:
        self._database = store.database

    def add(self, nickname: str) -> tuple[Student, str]:
        """Add a nickname; return the student and the word for the slip, which is never shown again.

        Raises
        ------
        TruelobeError
            ``nickname-invalid``, ``nickname-taken``, ``roster-full``.
        """
        word, uid = new_word(), new_uid()
        values = {"uid": uid, "nickname": _nickname(nickname), "word_hash": HASHER.hash(plain_word(word))}
        with self._database.write() as connection:
            if connection.execute(select(func.count()).select_from(StudentRow)).scalar_one() >= MOST_STUDENTS:
                raise TruelobeError("roster-full", "The roster is full.", "Remove those who have left.")
            _taken(connection, values["nickname"], None)
            connection.execute(insert(StudentRow).values(**values, joined_at=now()))
        return self.get(uid), word

    def new_word(self, uid: str) -> str:
        """Give a student a new word; devices known so far have to give it once."""
        word = new_word()
        with self._database.write() as connection:
            row = _row(connection, uid)
            values = {"word_hash": HASHER.hash(plain_word(word)), "failed": 0, "shut_until": None}
            connection.execute(update(StudentRow).where(StudentRow.id == row.id).values(**values))
            connection.execute(delete(TokenRow).where(TokenRow.student_id == row.id))
        return word

    def rename(self, uid: str, nickname: str) -> Student:
        """Change a nickname."""
        clean = _nickname(nickname)
        with self._database.write() as connection:
            row = _row(connection, uid)
            _taken(connection, clean, row.id)
            connection.execute(update(StudentRow).where(StudentRow.id == row.id).values(nickname=clean))
        return self.get(uid)

    def all(self) -> tuple[Student, ...]:
        """Return the roster, by nickname."""
        return self._select()

    def get(self, uid: str) -> Student:
        """Return a student.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        found = self._select(StudentRow.uid == uid)
        if not found:
            raise not_found("student")
        return found[0]

    def _select(self, *where: Any) -> tuple[Student, ...]:
        devices = select(func.count()).where(TokenRow.student_id == StudentRow.id).scalar_subquery()
        columns = (StudentRow.uid, StudentRow.nickname, StudentRow.joined_at, devices.label("devices"))
        with self._database.read() as connection:
            rows = connection.execute(select(*columns).where(*where).order_by(func.lower(StudentRow.nickname)))
            return tuple(Student(*row) for row in rows)

    def let_in(self, uid: str, word: str, at: datetime | None = None) -> str:
        """Check a student's word and return a token for the device.

        Raises
        ------
        TruelobeError
            ``word-wrong``; ``word-wait`` after several wrong ones, longer each time; ``not-found``.
        """
        at = at or now()
        with self._database.read() as connection:
            row = _row(connection, uid)
        if row.shut_until is not None and at < row.shut_until:
            raise _wait(row.shut_until - at)
        if not _matches(row.word_hash, word):
            self._count_a_miss(uid, at)
            raise TruelobeError("word-wrong", "That is not the word on your slip.", "Look at it and try again.")
        token = secrets.token_urlsafe(32)
        with self._database.write() as connection:
            free = {"failed": 0, "shut_until": None}
            connection.execute(update(StudentRow).where(StudentRow.id == row.id).values(**free))
            values = {"digest": _digest(token), "student_id": row.id, "made_at": at}
            connection.execute(insert(TokenRow).values(**values))
        return token

    def _count_a_miss(self, uid: str, at: datetime) -> None:
        with self._database.write() as connection:
            row = _row(connection, uid)
            failed = row.failed + 1
            over = failed - FREE_TRIES
            shut = at + min(FIRST_WAIT * 2 ** min(over, 12), LONGEST_WAIT) if over >= 0 else None
            values = {"failed": failed, "shut_until": shut}
            connection.execute(update(StudentRow).where(StudentRow.id == row.id).values(**values))

    def forgive(self, uid: str) -> None:
        """End a waiting time, when the coach stands beside the student."""
        with self._database.write() as connection:
            row = _row(connection, uid)
            free = {"failed": 0, "shut_until": None}
            connection.execute(update(StudentRow).where(StudentRow.id == row.id).values(**free))

    def known(self, token: str) -> Student | None:
        """Return whose device holds this token, or None."""
        with self._database.read() as connection:
            row = connection.execute(
                select(StudentRow.uid, StudentRow.nickname, StudentRow.joined_at)
                .join(TokenRow, TokenRow.student_id == StudentRow.id)
                .where(TokenRow.digest == _digest(token))
            ).first()
        return None if row is None else Student(*row)

    def hand_on(self, token: str) -> None:
        """Forget a device, so that the next student can take it."""
        with self._database.write() as connection:
            connection.execute(delete(TokenRow).where(TokenRow.digest == _digest(token)))

    def merge(self, keep: str, double: str) -> None:
        """Join a student who stands on the roster twice; of two sheets of one session the later one stays.

        Raises
        ------
        TruelobeError
            ``same-student``, ``not-found``.
        """
        if keep == double:
            raise TruelobeError("same-student", "These are one and the same entry.", "Choose two nicknames.")
        with self._database.write() as connection:
            kept, gone = _row(connection, keep).id, _row(connection, double).id
            _join_sheets(connection, kept, gone)
            for table in joined_tables():
                connection.execute(update(table).where(table.c.student_id == gone).values(student_id=kept))
            connection.execute(delete(StudentRow).where(StudentRow.id == gone))


def joined_tables() -> Sequence[Any]:
    """Return every table whose rows belong to a student by number, sheets apart; new ones join by themselves."""
    tables = StudentRow.metadata.sorted_tables
    return [t for t in tables if "student_id" in t.c and t.name != SheetRow.__tablename__]


def _join_sheets(connection: Connection, kept: int, gone: int) -> None:
    sheets = select(SheetRow.id, SheetRow.session_id, SheetRow.changed_at, SheetRow.student_id)
    mine = {row.session_id: row for row in connection.execute(sheets.where(SheetRow.student_id == kept))}
    for row in connection.execute(sheets.where(SheetRow.student_id == gone)).all():
        other = mine.get(row.session_id)
        if other is not None:
            earlier = min((row, other), key=lambda sheet: sheet.changed_at)
            connection.execute(delete(SheetRow).where(SheetRow.id == earlier.id))
    connection.execute(update(SheetRow).where(SheetRow.student_id == gone).values(student_id=kept))


def _matches(word_hash: str, word: str) -> bool:
    try:
        return HASHER.verify(word_hash, plain_word(word))
    except VerifyMismatchError:
        return False


def _wait(left: timedelta) -> TruelobeError:
    seconds = max(1, round(left.total_seconds()))
    told = f"{seconds} seconds" if seconds < 90 else f"{round(seconds / 60)} minutes"
    return TruelobeError(
        "word-wait", f"Too many wrong words. Wait {told}.", "Or ask your coach, who can let you in at once."
    )


def _nickname(typed: str) -> str:
    clean = " ".join(typed.replace("\0", "").split())
    if not 1 <= len(clean) <= 40 or "@" in clean:
        raise TruelobeError(
            "nickname-invalid", "A nickname has 1 to 40 letters.", "Type a nickname, no full name and no address."
        )
    return clean


def _taken(connection: Connection, nickname: str, own: int | None) -> None:
    same = select(StudentRow.id).where(func.lower(StudentRow.nickname) == nickname.lower())
    found = connection.execute(same).scalar()
    if found is not None and found != own:
        raise TruelobeError(
            "nickname-taken", f"“{nickname}” stands on the roster already.", "Choose another nickname."
        )


def _row(connection: Connection, uid: str) -> Row[Any]:
    row = connection.execute(select(StudentRow.__table__).where(StudentRow.uid == uid)).first()
    if row is None:
        raise not_found("student")
    return row


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
