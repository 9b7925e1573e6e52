"""The coach's passphrase: asked for once the coach's own pages are opened to other devices.

Kept as its argon2id hash (RFC 9106) among the store's settings. Guessing is slowed for everybody together.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from argon2.exceptions import VerifyMismatchError

from truelobe.judging.roster import FIRST_WAIT, FREE_TRIES, HASHER, LONGEST_WAIT
from truelobe.messages import TruelobeError
from truelobe.store import Store
from truelobe.store.base import now

SHORTEST = 12
RISK = "Plain http: others on the network could read what is sent, this passphrase too. Use a network you know."
_HASH, _FAILED = "coach passphrase", "coach passphrase failed"


class Passphrase:
    """The passphrase of a store."""

    def __init__(self, store: Store) -> None:
        self._settings = store.settings

    @property
    def known(self) -> bool:
        """Whether one was set."""
        return self._settings.get(_HASH) is not None

    def set(self, words: str) -> None:
        """Set or change it.

        Raises
        ------
        TruelobeError
            ``passphrase-short``.
        """
        if len(_plain(words)) < SHORTEST:
            raise TruelobeError(
                "passphrase-short",
                f"A passphrase has {SHORTEST} letters at least.",
                "Take four words that don't belong together.",
            )
        self._settings.put(_HASH, HASHER.hash(_plain(words)))
        self._settings.put(_FAILED, None)

    def check(self, words: str, at: datetime | None = None) -> None:
        """Let the right passphrase pass.

        Raises
        ------
        TruelobeError
            ``passphrase-missing``, ``passphrase-wrong``; ``passphrase-wait`` after several wrong ones.
        """
        at, kept = at or now(), self._settings.get(_HASH)
        if kept is None:
            raise TruelobeError(
                "passphrase-missing",
                "The coach's pages are open to other devices, and no passphrase is set.",
                "Close them and start again with: truelobe open --to-network.",
            )
        failed, until = self._settings.get(_FAILED) or (0, None)
        if until and at < datetime.fromisoformat(until):
            raise TruelobeError("passphrase-wait", "Too many wrong passphrases.", "Wait some minutes.")
        try:
            HASHER.verify(kept, _plain(words))
        except VerifyMismatchError:
            self._miss(int(failed) + 1, at)
            raise TruelobeError("passphrase-wrong", "That is not the passphrase.", "Type it again.") from None
        self._settings.put(_FAILED, None)

    def _miss(self, failed: int, at: datetime) -> None:
        over = failed - FREE_TRIES
        wait = min(FIRST_WAIT * 2 ** min(over, 12), LONGEST_WAIT) if over >= 0 else timedelta(0)
        self._settings.put(_FAILED, [failed, (at + wait).isoformat() if wait else None])


def _plain(words: str) -> str:
    return " ".join(words.split())
