"""Full text through each database's own search, behind two functions: `index` and `matching`.

SQLite: an FTS5 table. PostgreSQL: a `tsvector` column with a GIN index, configuration ``simple`` (no stemming, so
that both databases find the same plates). A plate matches when it holds every word; a word matches from its start.
"""

from __future__ import annotations

import re
import unicodedata

from sqlalchemy import Connection, Select, column, func, select, table, text

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
    query = " & ".join(f"'{word}':*" for word in words)
    return select(WORDS.c.rowid).where(WORDS.c.body.op("@@")(func.to_tsquery("simple", query)))
