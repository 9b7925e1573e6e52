"""Full text through each database's own search, behind two functions: `index` and `matching`.

SQLite: an FTS5 table. PostgreSQL: a `tsvector` column with a GIN index, configuration ``simple`` (no stemming, so
that both databases find the same plates). A plate matches when it holds every word; a word matches from its start.
"""

from __future__ import annotations

import re
import unicodedata

from sqlalchemy import (
    Boolean,
    ColumnElement,
    Connection,
    Select,
    SQLColumnExpression,
    column,
    func,
    select,
    table,
    text,
)

WORDS = table("words", column("rowid"), column("body"))
_TOKEN = re.compile(r"\w+", re.UNICODE)


def tokens(written: str) -> list[str]:
    """Split into words as both databases see them: letters without accents, lower case.

    >>> tokens("Jalapeño, 2nd plate")
    ['jalapeno', '2nd', 'plate']
    """
    plain = unicodedata.normalize("NFKD", written.casefold())
    bare = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return [part for word in _TOKEN.findall(bare) for part in word.split("_") if part]


def index(connection: Connection, inspection_id: int, written: str) -> None:
    """Remember the words of a plate, in place of those remembered before."""
    body = " ".join(tokens(written))
    connection.execute(text("DELETE FROM words WHERE rowid = :id"), {"id": inspection_id})
    value = ":body" if connection.dialect.name == "sqlite" else "to_tsvector('simple', :body)"
    connection.execute(
        text(f"INSERT INTO words (rowid, body) VALUES (:id, {value})"), {"id": inspection_id, "body": body}
    )


def forget(connection: Connection, inspection_id: int) -> None:
    """Forget the words of a plate."""
    connection.execute(text("DELETE FROM words WHERE rowid = :id"), {"id": inspection_id})


def matching(dialect: str, asked: str) -> Select[int] | None:
    """Return a selection of the ids of plates that hold every word asked for; None when nothing was asked.

    Whatever is typed is only ever words: quotes, stars and operators of either database mean nothing here.
    """
    words = tokens(asked)
    if not words:
        return None
    if dialect == "sqlite":
        query = " ".join(f'"{word}"*' for word in words)
        return select(WORDS.c.rowid).where(text("words MATCH :asked").bindparams(asked=query))
    return select(WORDS.c.rowid).where(_holds(words))


def holding(dialect: str, asked: str, inspection_id: SQLColumnExpression[int]) -> ColumnElement[bool] | None:
    """Return whether one plate holds every word asked for; None when nothing was asked.

    PostgreSQL guesses far too low how many plates hold several words, and would fetch them all first; a question
    about one plate leaves it no such choice. SQLite lists the ids, which it does fast.
    """
    found = matching(dialect, asked)
    if found is None:
        return None
    if dialect == "sqlite":
        return inspection_id.in_(found)
    held = select(_holds(tokens(asked))).where(WORDS.c.rowid == inspection_id)
    return held.correlate_except(WORDS).scalar_subquery()


def _holds(words: list[str]) -> ColumnElement[bool]:
    query = " & ".join(f"'{word}':*" for word in words)
    return WORDS.c.body.op("@@", return_type=Boolean())(func.to_tsquery("simple", query))
