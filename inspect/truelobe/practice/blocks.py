"""Blocks of pictures and their answers in the store: begun, interrupted, resumed; each answer kept at once."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.exc import IntegrityError

from truelobe.messages import TruelobeError
from truelobe.practice.choosing import Given, near_house_rule, next_picture, probe_lists
from truelobe.practice.pictures import HOUSE_PERCENT, Picture, pictures
from truelobe.practice.progress import PROBES
from truelobe.practice.shelf import PictureShelf, made_pictures
from truelobe.store import Store
from truelobe.store.base import new_uid, now
from truelobe.store.models_judging import StudentRow
from truelobe.store.models_practice import DrillAnswerRow, DrillBlockRow
from truelobe.store.trouble import not_found

Kind = Literal["percent", "threshold", "size", "limit", "side"]
Role = Literal["practice", "before", "after"]
BLOCK = 10
UNDER, CLOSE, OVER = 0.0, 0.5, 1.0
LIMIT_MM = 63.5
"""2-1/2 inches: least diameter of the two upper U.S. grades of sweet peppers."""
CLOSE_POINTS, CLOSE_MM = 2.0, 2.0
BARE = "bare"
"""The focus of a size drill without a familiar object for scale."""


@dataclass(frozen=True)
class Answer:
    """One answer with the truth behind it; percent for color, millimetres for size, 0 / 0.5 / 1 for calls."""

    picture: str
    colour: str
    truth: float
    answer: float
    second_truth: float | None
    second_answer: float | None
    at: datetime
    kind: str = ""
    role: str = ""
    round_number: int = 1


@dataclass(frozen=True)
class Block:
    """A block as a page shows it. `showing` is the picture to answer now; None when all are answered."""

    uid: str
    student: str
    kind: Kind
    role: Role
    round_number: int
    focus: str
    length: int
    answers: tuple[Answer, ...]
    showing: Picture | None


class Blocks:
    """The blocks of a store."""

    def __init__(self, store: Store) -> None:
        self._database = store.database
        self.shelf = PictureShelf(store)

    def open(self, student: str, kind: Kind, role: Role = "practice", focus: str = "") -> Block:
        """Return the unfinished block of this sort, or begin one.

        Raises
        ------
        TruelobeError
            ``not-found`` for an unknown student.
        """
        round_number = self._round(student, role)
        with self._database.write() as connection:
            who = _student(connection, student)
            same = (DrillBlockRow.student_id == who, DrillBlockRow.kind == kind, DrillBlockRow.role == role)
            rows = connection.execute(select(DrillBlockRow.__table__).where(*same, DrillBlockRow.focus == focus))
            found = [
                r.uid for r in rows if r.round_number == round_number and _answered(connection, r.id) < r.length
            ]
            if found:
                uid = str(found[-1])
            else:
                uid = new_uid()
                chosen = _probes(student, role, round_number) if role != "practice" else ()
                values: dict[str, Any] = {"uid": uid, "student_id": who, "kind": kind, "role": role}
                values |= {"round_number": round_number, "focus": focus, "length": len(chosen) or BLOCK}
                values |= {"pictures": json.dumps(chosen), "begun_at": now()}
                connection.execute(insert(DrillBlockRow).values(**values))
        return self.get(uid)

    def _round(self, student: str, role: Role) -> int:
        """Which round this is: a new one begins with a probe after the last round's second probe is done."""
        rounds = self.probes(student)
        full = [n for n, (_, after) in rounds.items() if len(after) >= PROBES]
        last = max(rounds, default=1)
        return last + 1 if last in full and role == "before" else last

    def get(self, uid: str) -> Block:
        """Return a block as it stands.

        Raises
        ------
        TruelobeError
            ``not-found``.
        """
        with self._database.read() as connection:
            row = connection.execute(select(DrillBlockRow.__table__).where(DrillBlockRow.uid == uid)).first()
            if row is None:
                raise not_found("block")
            student = connection.execute(
                select(StudentRow.uid).where(StudentRow.id == row.student_id)
            ).scalar_one()
            given = _answers(connection, DrillAnswerRow.block_id == row.id)
        showing = None if len(given) >= row.length else self._showing(student, row, len(given))
        return Block(
            uid, student, row.kind, row.role, row.round_number, row.focus, row.length, tuple(given), showing
        )

    def _showing(self, student: str, row: Any, position: int) -> Picture:
        """Return the picture at a position: the one that was shown before, else a fresh choice, which is kept.

        What was shown stays, whatever joins or leaves the gallery meanwhile, so that an answer is held against the
        picture it was given to. Only a picture that may no longer be shown is replaced.
        """
        listed = json.loads(row.pictures)
        gone: list[str] = []
        if position < len(listed):
            with suppress(TruelobeError):
                return self.shelf.find(listed[position])
            gone = [listed[position]]
        while True:
            chosen = self._next(student, row, gone)
            try:
                picture = self.shelf.find(chosen.id)
            except TruelobeError:  # opened to a class, changed or thrown away between the two looks
                gone.append(chosen.id)
                continue
            listed[position : position + 1] = [chosen.id]
            return picture if self._note(row, listed) else self._shown_elsewhere(row, position)

    def _note(self, row: Any, listed: list[str]) -> bool:
        """Keep what is shown; False where another window was quicker."""
        same = (DrillBlockRow.id == row.id, DrillBlockRow.pictures == row.pictures)
        with self._database.write() as connection:
            changed = connection.execute(update(DrillBlockRow).where(*same).values(pictures=json.dumps(listed)))
        return bool(changed.rowcount)

    def _shown_elsewhere(self, row: Any, position: int) -> Picture:
        with self._database.read() as connection:
            text = connection.execute(
                select(DrillBlockRow.pictures).where(DrillBlockRow.id == row.id)
            ).scalar_one()
        return self.shelf.find(json.loads(text)[position])

    def _next(self, student: str, row: Any, gone: Sequence[str]) -> Picture:
        earlier = [a for a in self.of(student, row.kind) if a.role == "practice"]
        before, after = _lists(student, row.round_number)
        done = {a.picture for pair in self.probes(student).values() for side in pair for a in side}
        reserved = {*before, *after} - done
        pool = {name: one for name, one in self.shelf.pool(row.kind).items() if name not in gone}
        focus = row.focus

        def wanted(picture: Picture) -> bool:
            if focus == "own" and not picture.own:
                return False
            if row.kind == "side" and picture.side not in pool:
                return False
            if row.kind == "threshold" and not near_house_rule(picture):
                return False
            return focus in ("", "own", BARE, picture.colour) or (focus == "small" and 0 < picture.percent() < 10)

        past = [Given(a.picture, error_of(a)) for a in earlier]
        return next_picture(pool, past, _seed(student), reserved=reserved, wanted=wanted)

    def answer(
        self, uid: str, position: int, value: float, second: float | None = None, *, picture: str | None = None
    ) -> Answer:
        """Keep an answer to the picture at a position; sent twice, the first one stays.

        Parameters
        ----------
        value, second : float
            Percent, millimetres, or 0 / 0.5 / 1.
        picture : str, optional
            The id of the picture that was looked at; another one there now is an error.

        Raises
        ------
        TruelobeError
            ``answer-invalid``, ``not-found``.
        """
        block = self.get(uid)
        if position < len(block.answers):
            return block.answers[position]
        if block.showing is None or position != len(block.answers) or not _possible(block.kind, value, second):
            raise TruelobeError("answer-invalid", "This can't be kept as an answer.", "Answer once more.")
        if picture not in (None, block.showing.id):
            raise TruelobeError("picture-gone", "That picture is no longer shown.", "Answer the one shown now.")
        truth, second_truth = truth_of(block.kind, block.showing)
        values: dict[str, Any] = {"position": position, "picture": block.showing.id, "truth": truth}
        values |= {"colour": block.showing.colour, "answer": value, "second_truth": second_truth}
        values |= {"second_answer": second, "at": now()}
        try:
            with self._database.write() as connection:
                found = select(DrillBlockRow.id, DrillBlockRow.student_id).where(DrillBlockRow.uid == uid)
                row = connection.execute(found).one()
                connection.execute(insert(DrillAnswerRow).values(**values, block_id=row[0], student_id=row[1]))
        except IntegrityError:  # a second window was quicker; its answer stays
            return self.get(uid).answers[position]
        return self.get(uid).answers[position]

    def of(self, student: str, kind: str | None = None) -> tuple[Answer, ...]:
        """Return a student's answers, oldest first."""
        with self._database.read() as connection:
            who = _student(connection, student)
            where = [DrillAnswerRow.student_id == who]
            where += [DrillBlockRow.kind == kind] if kind else []
            return tuple(_answers(connection, *where))

    def probes(self, student: str) -> dict[int, tuple[list[Answer], list[Answer]]]:
        """Return the probe answers by round: before and after, in the order of their pairs."""
        found: dict[int, tuple[list[Answer], list[Answer]]] = {}
        for answer in self.of(student, "percent"):
            if answer.role != "practice":
                found.setdefault(answer.round_number, ([], []))[int(answer.role == "after")].append(answer)
        return found


def _possible(kind: str, value: float, second: float | None) -> bool:
    if kind == "size":
        return 10 <= value <= 400 and second is not None and 10 <= second <= 400
    return value in (UNDER, CLOSE, OVER) if kind in ("threshold", "limit") else 0 <= value <= 100


def truth_of(kind: str, picture: Picture) -> tuple[float, float | None]:
    """Return what a drill asks of a picture, and the second truth where it asks two."""
    percent = picture.percent()
    if kind == "percent":
        return percent, None
    if kind == "threshold":
        return percent, _call(percent, HOUSE_PERCENT, max(CLOSE_POINTS, picture.give_or_take))
    if kind == "size":
        return picture.width_seen_mm, picture.length_mm
    if kind == "limit":
        return picture.diameter_mm, _call(picture.diameter_mm, LIMIT_MM, CLOSE_MM)
    return pictures()[picture.side].percent() if picture.side else percent, percent


def _call(value: float, limit: float, room: float) -> float:
    return CLOSE if abs(value - limit) < room else float(value >= limit)


def error_of(answer: Answer) -> float:
    """Return how wrong an answer is, in points or as many: a wrong call counts 15, a needless "too close" 7."""
    if answer.kind in ("threshold", "limit"):
        right = CLOSE if answer.second_truth is None else answer.second_truth
        return 15 * abs(answer.answer - right) if right != CLOSE else 7 * abs(answer.answer - right)
    return abs(answer.answer - answer.truth)


def _student(connection: Connection, uid: str) -> int:
    found = connection.execute(select(StudentRow.id).where(StudentRow.uid == uid)).scalar()
    if found is None:
        raise not_found("student")
    return int(found)


def _answered(connection: Connection, block: int) -> int:
    rows = connection.execute(select(DrillAnswerRow.id).where(DrillAnswerRow.block_id == block))
    return len(rows.all())


def _answers(connection: Connection, *where: Any) -> list[Answer]:
    rows = connection.execute(
        select(DrillAnswerRow.__table__, DrillBlockRow.kind, DrillBlockRow.role, DrillBlockRow.round_number)
        .join(DrillBlockRow, DrillBlockRow.id == DrillAnswerRow.block_id)
        .where(*where)
        .order_by(DrillAnswerRow.id)
    )
    names = Answer.__dataclass_fields__
    return [Answer(**{n: getattr(row, n) for n in names}) for row in rows]


def _seed(student: str) -> int:
    return int(student[:12], 16)


def _lists(student: str, round_number: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return probe_lists(made_pictures(), _seed(student) + round_number, PROBES)


def _probes(student: str, role: Role, round_number: int) -> tuple[str, ...]:
    before, after = _lists(student, round_number)
    return before if role == "before" else after
