"""What a full disk, a locked folder or a lost server means to the person at the table."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, OperationalError

from truelobe.messages import TruelobeError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_SHUT = {errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOTDIR, errno.EEXIST}
_SAYINGS = (
    ("disk is full", "full"),
    ("readonly database", "shut"),
    ("unable to open database file", "shut"),
    ("disk i/o error", "disk"),
    ("database is locked", "busy"),
    ("could not extend file", "full"),
    ("no space left", "full"),
    ("file is not a database", "damaged"),
    ("malformed", "damaged"),
)
_WORDS = {
    "full": ("disk-full", "The disk is full, so nothing was changed.", "Make room on the disk, then try again."),
    "shut": (
        "folder-read-only",
        "The gallery's folder can't be written to, so nothing was changed.",
        "Allow writing to the folder, or set TRUELOBE_HOME to another one.",
    ),
    "busy": (
        "store-busy",
        "Others kept the gallery busy for half a minute, so nothing was changed.",
        "Try again in a moment.",
    ),
    "disk": ("disk-failing", "The disk did not answer, so nothing was changed.", "Check the disk and its cable."),
    "damaged": (
        "store-damaged",
        "The gallery's database file is damaged.",
        "Restore the last backup: truelobe gallery restore.",
    ),
    "lost": (
        "database-unreachable",
        "The database server does not answer.",
        "Check that it runs and that the address in TRUELOBE_DATABASE is right, then try again.",
    ),
}


def _plain(kind: str) -> TruelobeError:
    return TruelobeError(*_WORDS[kind])


def changed_meanwhile(what: str) -> TruelobeError:
    """Return the error for a record that somebody else changed first; nothing was overwritten."""
    return TruelobeError(
        "changed-meanwhile",
        f"Somebody changed this {what} while you were editing it. Your change was not written.",
        "Look at how it stands now, then make your change again.",
    )


def not_found(what: str) -> TruelobeError:
    """Return the error for a record that is not there (any more)."""
    return TruelobeError("not-found", f"This {what} is not in the gallery.", "Go back and look for it again.")


@contextmanager
def said_plainly() -> Iterator[None]:
    """Turn what disks and databases raise into messages a person can act on; other mistakes pass unchanged.

    Raises
    ------
    TruelobeError
        ``disk-full``, ``folder-read-only``, ``store-busy``, ``disk-failing``, ``store-damaged`` or
        ``database-unreachable``.
    """
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise _plain("full") from error
        if error.errno in _SHUT:
            raise _plain("shut") from error
        raise
    except DBAPIError as error:
        said = str(error.orig).lower()
        for words, kind in _SAYINGS:
            if words in said:
                raise _plain(kind) from error
        if error.connection_invalidated or (isinstance(error, OperationalError) and "connect" in said):
            raise _plain("lost") from error
        raise
