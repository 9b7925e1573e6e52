"""For each pair of plates, the facts that speak for either one, and whether the difference is real.

Measured facts come from measurement documents, the others from what hand, eye and nose recorded. The official
placing belongs to a person: nothing here orders plates, it only says what a pair's plates differ in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from truelobe.figures import Figure
from truelobe.grading.case import Case
from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.vocabulary import FACTS, NOT_CHECKED, Fact, sides
from truelobe.judging.contrast import Term, contrast, is_real
from truelobe.units import inch_fraction, percent

TRAITS = ("size", "uniformity", "color", "shape", "blemishes", "condition")
LEVEL = 1e-9
#: What a picture can't show: the hand feels it, or it lies under the calyx.
FELT = frozenset({"firmness", "weight", "decay_calyx"})
_TRAIT_OF_WORD = {
    "shape": "shape",
    "maturity": "color",
    "type": "uniformity",
    "stem_trim": "uniformity",
    "calyx": "blemishes",
    "stem": "blemishes",
}


@dataclass(frozen=True)
class Plate:
    """What is known about one plate of a class.

    Attributes
    ----------
    number : int
        In the class, 1 to 4.
    document : mapping or None
        Its measurement document, None where nobody measured it.
    hand : HandFacts
    camera : str
        Make and model; plates with the same words share the camera's errors. Empty if unknown.
    pictured : bool
        Whether there is a photo to look at.
    """

    number: int
    document: Mapping[str, Any] | None = None
    hand: HandFacts = field(default_factory=HandFacts)
    camera: str = ""
    pictured: bool = False

    @property
    def measured(self) -> bool:
        """Whether its figures are known."""
        return self.document is not None and bool(self.document["peppers"])

    @property
    def cases(self) -> tuple[Case, ...]:
        """Its measured peppers."""
        return tuple(Case(pepper, self.hand) for pepper in (self.document or {"peppers": ()})["peppers"])

    @property
    def peppers(self) -> tuple[int, ...]:
        """Numbers of its peppers, as measured or as recorded by hand."""
        return tuple(c.number for c in self.cases) or tuple(sorted({e.pepper for e in self.hand.entries}))


@dataclass(frozen=True)
class PairFact:
    """One thing that two plates differ in, or were compared in.

    Attributes
    ----------
    trait : str
        One of `TRAITS`.
    name : str
        What exactly: ``"diameter"``, or a fact of the hand vocabulary.
    favours : int or None
        The plate it speaks for; None where they are level or can't be compared.
    real : bool or None
        Whether the difference is larger than its uncertainty; None where that can't be told.
    seen : bool
        Whether somebody who only looks at the pictures can see it.
    says : str
        In words, with both plates' figures.
    difference : Figure or None
        Plate of the lower number minus the other, for measured facts: mm, or a fraction.
    """

    trait: str
    name: str
    favours: int | None
    real: bool | None
    seen: bool
    says: str
    difference: Figure | None = None


@dataclass(frozen=True)
class _Measured:
    trait: str
    name: str
    figure: Callable[[Case], Figure | None]
    range_: bool
    lower_is_better: bool
    better: str
    write: Callable[[float], str]


def _mm(value: float) -> str:
    inches = inch_fraction(value)
    return f"{value:.0f} mm" if inches == "0 in" else f"{value:.0f} mm ({inches})"


def _shape(name: str) -> Callable[[Case], Figure | None]:
    def read(case: Case) -> Figure | None:
        written = (case.pepper.get("shape") or {}).get(name)
        return Figure.from_document(written) if written else None

    return read


def _coverage(case: Case) -> Figure | None:
    return case.figure("not_fully_coloured")


_MEASURED = (
    _Measured("size", "diameter", lambda c: c.size("diameter")[0], False, False, "larger across", _mm),
    _Measured("size", "length", lambda c: c.size("length")[0], False, False, "longer", _mm),
    _Measured("uniformity", "width range", lambda c: c.size("diameter")[0], True, True, "more even in width", _mm),
    _Measured("uniformity", "length range", lambda c: c.size("length")[0], True, True, "more even in length", _mm),
    _Measured("uniformity", "color range", _coverage, True, True, "more even in color", percent),
    _Measured("color", "not fully colored", _coverage, False, True, "more fully colored", percent),
    _Measured("shape", "asymmetry", _shape("asymmetry"), False, True, "more alike left and right", percent),
    _Measured("shape", "bend", _shape("bend"), False, True, "straighter", percent),
)


def measured_words() -> dict[str, str]:
    """Return for each measured thing that plates are compared in the words that follow "this plate is"."""
    return {what.name: what.better for what in _MEASURED}


def pair_facts(first: Plate, second: Plate) -> tuple[PairFact, ...]:
    """Return what two plates were compared in, in the order of `TRAITS`.

    Larger speaks for a plate, since shows ask for large peppers of their kind (Iowa State University Extension,
    4-H exhibit notes on peppers: large, firm, heavy, uniform); evenness, fuller color, straight and even shape,
    fewer and smaller defects speak for it too. What a contest wants otherwise is the coach's to weigh.
    """
    first, second = sorted((first, second), key=lambda plate: plate.number)
    found = [fact for m in _MEASURED if (fact := _measured(m, first, second)) is not None]
    found += [fact for f in FACTS.values() if (fact := _by_hand(f, first, second)) is not None]
    return tuple(sorted(found, key=lambda fact: TRAITS.index(fact.trait)))


def leans_against(facts: Sequence[PairFact], better: int) -> bool:
    """Tell whether every real difference of a pair speaks against the plate placed higher.

    Such a pair is for the coach to look at again; it may be right, since a person saw more than was recorded.
    """
    sides_taken = {fact.favours for fact in facts if fact.real}
    return bool(sides_taken) and better not in sides_taken


def cannot_be_told(facts: Sequence[PairFact], told: Collection[str]) -> tuple[PairFact, ...]:
    """Return a pair's real differences when a student neither sees nor is told any of them, else nothing."""
    real = tuple(fact for fact in facts if fact.real)
    return () if any(fact.seen or fact.name in told for fact in real) else real


def _terms(plate: Plate, figures: Mapping[int, Figure], weights: Mapping[int, float]) -> tuple[Term, ...]:
    assert plate.document is not None
    photo = plate.document["photo"]["sha256"] or ("plate", plate.number)
    card = plate.document["made_by"].get("card") or {}
    number = card.get("print_number")
    print_ = (card.get("edition"), number) if number is not None else ("photo", photo)
    camera = plate.camera or ("photo", photo)
    return tuple(
        Term(weight, figures[n], (plate.number, n), photo, print_, camera) for n, weight in weights.items()
    )


def _weights(figures: Mapping[int, Figure], range_: bool) -> dict[int, float]:
    if not range_:
        return dict.fromkeys(figures, 1 / len(figures))
    largest, smallest = (pick(figures, key=lambda n: figures[n].value) for pick in (max, min))
    return {largest: 1.0, smallest: -1.0} if largest != smallest else {}


def _measured(what: _Measured, first: Plate, second: Plate) -> PairFact | None:
    if not (first.measured and second.measured):
        return None
    figures = [
        {c.number: f for c in plate.cases if (f := what.figure(c)) is not None} for plate in (first, second)
    ]
    if min(len(f) for f in figures) < (2 if what.range_ else 1):
        return None
    weights = [_weights(f, what.range_) for f in figures]
    terms = [_terms(p, f, w) for p, f, w in zip((first, second), figures, weights, strict=True)]
    values = [contrast(t).value for t in terms]
    minus = tuple(Term(-t.weight, t.figure, t.pepper, t.photo, t.print_, t.camera) for t in terms[1])
    difference = contrast((*terms[0], *minus))
    real = is_real(difference)
    first_wins = (difference.value < 0) == what.lower_is_better
    winner, loser = (0, 1) if first_wins else (1, 0)
    plates = (first.number, second.number)
    level = abs(difference.value) < LEVEL
    apart = what.write(abs(difference.value)) if what.write is _mm else _points(abs(difference.value))
    give = what.write(difference.half_width) if what.write is _mm else _points(difference.half_width)
    measure = "largest less smallest" if what.range_ else "on average"
    says = (
        f"Plate {plates[winner]} {'is' if real else 'may be'} {what.better}: {what.write(values[winner])} against "
        f"{what.write(values[loser])} {measure}; {apart} apart, give or take {give}."
    )
    if level:
        says = f"Plates {plates[0]} and {plates[1]} are level in {what.name}: {what.write(values[0])} {measure}."
    return PairFact(
        what.trait,
        what.name,
        None if level else plates[winner],
        real,
        first.pictured and second.pictured,
        says,
        difference,
    )


def _points(value: float) -> str:
    return f"{100 * value:.0f} points" if value >= 0.02 else f"{100 * value:.1f} points"


def _by_hand(fact: Fact, first: Plate, second: Plate) -> PairFact | None:
    if fact.kind == "number":
        return _lobes(fact, first, second) if fact.name == "lobes" else None
    words = [[str(p.hand.value(n, fact.name)) for n in p.peppers] for p in (first, second)]
    checked = [[w for w in those if w != NOT_CHECKED] for those in words]
    if not any(checked):
        return None
    says = f"{fact.label}: " + "; ".join(
        f"plate {p.number}: {_tally(w)}" for p, w in zip((first, second), words, strict=True)
    )
    seen = fact.name not in FELT and first.pictured and second.pictured
    trait = _TRAIT_OF_WORD.get(fact.name) or _trait_of_defect(fact)
    if [len(c) for c in checked] != [len(w) for w in words] or not all(words):
        return PairFact(trait, fact.name, None, None, seen, f"{says}. Not checked on every pepper.")
    steps = [sum(fact.words.index(w) for w in those) / len(those) for those in checked]
    favours = None if steps[0] == steps[1] else (first, second)[steps[1] < steps[0]].number
    return PairFact(trait, fact.name, favours, favours is not None, seen, f"{says}.")


def _trait_of_defect(fact: Fact) -> str:
    return "condition" if sides().get(fact.name) == "condition" else "blemishes"


def _tally(words: Sequence[str]) -> str:
    return ", ".join(f"{n} {word}" for word, n in Counter(words).most_common()) or "nothing recorded"


def _lobes(fact: Fact, first: Plate, second: Plate) -> PairFact | None:
    """Compare how many peppers differ from the plate's commonest number of lobes."""
    counts = [[p.hand.value(n, "lobes") for n in p.peppers] for p in (first, second)]
    if not all(counts) or any(NOT_CHECKED in those for those in counts):
        return None
    odd = [1 - Counter(those).most_common(1)[0][1] / len(those) for those in counts]
    favours = None if odd[0] == odd[1] else (first, second)[odd[1] < odd[0]].number
    says = "; ".join(
        f"plate {p.number}: {', '.join(f'{float(n):.0f}' for n in those)}"
        for p, those in zip((first, second), counts, strict=True)
    )
    seen = first.pictured and second.pictured
    return PairFact("uniformity", fact.name, favours, favours is not None, seen, f"Lobes: {says}.")
