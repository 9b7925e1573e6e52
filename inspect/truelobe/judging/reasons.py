"""Reasons for a placing, pair by pair, and what the facts say of each.

A *reason* says in what the plate placed higher is better than its neighbor; a *grant* admits in what the lower one
is. What is said is held against the facts of the pair, which say nothing of terms, order and delivery: those are
for a person to judge. Nothing here gives points.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

from truelobe.grading.vocabulary import FACTS, Fact
from truelobe.judging.facts import PairFact, measured_words

Verdict = Literal["borne out", "the other way", "too close", "not known"]

_SAID_OTHERWISE: Mapping[str, str] = {
    "firmness": "firmer",
    "freshness": "fresher",
    "cleanness": "cleaner",
    "shape": "better shaped",
    "maturity": "more mature",
    "type": "more of one type",
    "calyx": "better in the calyx",
    "stem": "better in the stem",
    "stem_trim": "better trimmed at the stem",
    "crushed": "less crushed",
    "broken": "less broken",
    "shriveled": "less shriveled",
    "wilted": "less wilted",
    "bruised": "less bruised",
    "pitted": "less pitted",
    "discoloration": "freer of discoloration",
    "other": "freer of other defects",
    "together": "freer of defects altogether",
    "lobes": "more alike in lobes",
}


def _words(fact: Fact) -> str:
    return _SAID_OTHERWISE.get(fact.name) or f"freer of {fact.label.lower()}"


#: What can be said of a plate, by the fact's name: words that follow "this plate is".
ADVANTAGES: Mapping[str, str] = measured_words() | {
    fact.name: _words(fact) for fact in FACTS.values() if fact.kind != "number" or fact.name == "lobes"
}


@dataclass(frozen=True)
class PairReasons:
    """What is said of two neighbors in a placing.

    Attributes
    ----------
    better, worse : int
        The plate placed higher and the one below it.
    reasons, grants : tuple of str
        Names of `ADVANTAGES` that speak for the higher, and for the lower plate.
    """

    better: int
    worse: int
    reasons: tuple[str, ...] = ()
    grants: tuple[str, ...] = ()

    def said(self) -> Iterator[tuple[str, int]]:
        """Yield what is said, and of which plate."""
        yield from ((name, self.better) for name in self.reasons)
        yield from ((name, self.worse) for name in self.grants)


@dataclass(frozen=True)
class Reasons:
    """What a student says for a whole placing.

    Attributes
    ----------
    pairs : tuple of PairReasons
        From the top pair down.
    held : bool
        Whether they have been held against the facts.
    """

    pairs: tuple[PairReasons, ...]
    held: bool = False

    @classmethod
    def none_yet(cls, placing: str) -> Reasons:
        """Return the empty reasons of a placing, best plate first."""
        return cls(tuple(PairReasons(int(a), int(b)) for a, b in pairwise(placing)))

    @property
    def placing(self) -> str:
        """The placing that they are given for, best plate first."""
        return str(self.pairs[0].better) + "".join(str(pair.worse) for pair in self.pairs)

    @property
    def empty(self) -> bool:
        """Whether nothing is said yet."""
        return not any(pair.reasons or pair.grants for pair in self.pairs)

    def with_pair(self, n: int, reasons: Sequence[str], grants: Sequence[str]) -> Reasons:
        """Return these with other words for one pair; they are to be held against the facts again."""
        changed = replace(self.pairs[n], reasons=tuple(reasons), grants=tuple(grants))
        return Reasons((*self.pairs[:n], changed, *self.pairs[n + 1 :]))

    def document(self) -> dict[str, Any]:
        """Return what the store keeps."""
        pairs = [{"reasons": list(pair.reasons), "grants": list(pair.grants)} for pair in self.pairs]
        return {"placing": self.placing, "pairs": pairs, "held": self.held}

    @classmethod
    def from_document(cls, written: Mapping[str, Any]) -> Reasons:
        """Read kept reasons back; words that are no longer known are left out."""
        pairs = tuple(
            replace(pair, reasons=_known(said["reasons"]), grants=_known(said["grants"]))
            for pair, said in zip(cls.none_yet(written["placing"]).pairs, written["pairs"], strict=True)
        )
        return cls(pairs, bool(written["held"]))


def _known(names: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in names if name in ADVANTAGES)


@dataclass(frozen=True)
class Held:
    """One thing said, and what the facts say of it.

    Attributes
    ----------
    name : str
    plate : int
        The plate it is said for.
    verdict : {"borne out", "the other way", "too close", "not known"}
    says : str
        The fact in words; empty where nobody measured or checked it.
    """

    name: str
    plate: int
    verdict: Verdict
    says: str


def hold(pair: PairReasons, facts: Sequence[PairFact]) -> tuple[Held, ...]:
    """Hold what is said of a pair against its facts, as `pair_facts` gives them."""
    known = {fact.name: fact for fact in facts}
    return tuple(_held(name, plate, known.get(name)) for name, plate in pair.said())


def _held(name: str, plate: int, fact: PairFact | None) -> Held:
    if fact is None or (fact.real is None and fact.favours is None):
        return Held(name, plate, "not known", "" if fact is None else fact.says)
    if not fact.real:
        return Held(name, plate, "too close", fact.says)
    return Held(name, plate, "borne out" if fact.favours == plate else "the other way", fact.says)


def unsaid(pair: PairReasons, facts: Sequence[PairFact]) -> tuple[PairFact, ...]:
    """Return the real differences of a pair that nobody spoke of."""
    spoken = {name for name, _ in pair.said()}
    return tuple(fact for fact in facts if fact.real and fact.name not in spoken)


def spoken(reasons: Reasons, produce: str = "") -> tuple[str, ...]:
    """Return the reasons as they are said aloud, a sentence or two for each pair."""
    what = f"this class of {produce[:1].lower()}{produce[1:]}" if produce else "this class"
    lines = [f"I place {what} {'-'.join(reasons.placing)}."]
    for pair in reasons.pairs:
        opening = f"I place {pair.better} over {pair.worse}"
        because = f" because {pair.better} is {_listed(pair.reasons)}" if pair.reasons else ""
        grant = f" I grant that {pair.worse} is {_listed(pair.grants)}." if pair.grants else ""
        lines.append(f"{opening}{because}.{grant}")
    return tuple(lines)


def _listed(names: Sequence[str]) -> str:
    *others, last = (ADVANTAGES[name] for name in names)
    return f"{', '.join(others)} and {last}" if others else last
