"""The defect ladder: injury, damage, serious damage, by a marked area where a number is entered, else by eye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from truelobe.figures import Figure
from truelobe.grading.blemish import Blemish, smooth_skin_mm2, together
from truelobe.grading.case import Case, RuleOutcome, length_words
from truelobe.grading.rule_set import LadderLimit, Requirement, RuleSet
from truelobe.grading.vocabulary import FACTS, LADDER, NONE, NOT_CHECKED
from truelobe.units import percent


def ladder(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    """A marked area decides where a number is entered; the coach's word decides the rest of the skin."""
    fact = FACTS[needed.fact]
    name = fact.label.lower()
    word, day = case.word(needed.fact)
    said = replace(blank, label=f"{name}: free from {needed.free_from}", on=day)
    entered = [limit for limit in rules.limits(needed.fact, needed.free_from) if limit.value is not None]
    areas = [_area_outcome(case, limit, replace(said, by="marked area", basis="seen")) for limit in entered]
    for worst in ("missed", "too close"):
        for area in areas:
            if area is not None and area.outcome == worst:
                return area
    if word == NOT_CHECKED:
        return replace(said, says=f"{name} not checked")
    if needed.free_from in LADDER and LADDER.index(word) >= LADDER.index(needed.free_from):
        return replace(said, outcome="missed", by="coach's eye", says=f"{name}: {_level(word)}")
    if needed.free_from not in LADDER and word != NONE and not any(areas):
        return replace(said, says=f"{name} found: mark it on the picture")
    probabilities = [a.probability for a in areas if a is not None and a.probability is not None]
    if probabilities:
        return replace(said, outcome="met", by="marked area", basis="seen", probability=min(probabilities))
    return replace(said, outcome="met", by="coach's eye")


def _level(word: str) -> str:
    return "slight" if word == "slight" else f"{word} by the coach's eye"


def _scaled_limit(case: Case, limit: LadderLimit) -> float | None:
    """Return the number for a pepper of this size, or None where its size was not seen."""
    if limit.value is None or limit.scaled == "none" or limit.reference_mm is None:
        return limit.value
    diameter, length = case.size("diameter")[0], case.size("length")[0]
    if diameter is None or length is None:
        return limit.value if limit.scaled == "larger only" else None
    ratio = smooth_skin_mm2(diameter.value, length.value) / smooth_skin_mm2(*limit.reference_mm)
    ratio = max(ratio, 1.0) if limit.scaled == "larger only" else ratio
    # A circle's diameter grows with the root of its area.
    return limit.value * (ratio**0.5 if limit.measure == "largest single" else ratio)


def _area_outcome(case: Case, limit: LadderLimit, said: RuleOutcome) -> RuleOutcome | None:
    """Hold the marked areas of one defect against one number; None where nothing was marked."""
    marks = [b for b in case.blemishes if b.fact == limit.fact]
    value = _scaled_limit(case, limit)
    if not marks or value is None or limit.measure == "total length":
        return None
    name, figure = FACTS[limit.fact].label.lower(), None
    if limit.measure == "total area":
        figure, text = together(marks, limit.fact), f"{value:.0f} mm2"
    elif limit.measure == "largest single":
        figure, text = max((b.circle_mm for b in marks), key=lambda f: f.value), length_words(round(value, 1))
    else:
        figure, text = _share_of_surface(case, marks, limit.fact), percent(value)
    if figure is None:
        return replace(said, outcome="not seen", says=f"{name}: its share of the skin is not known")
    # A text that says "more than" lets a mark of exactly the limit pass.
    probability = figure.probability_below(value)
    if probability >= case.level:
        return replace(said, outcome="met", probability=probability)
    said = replace(said, probability=probability)
    if probability <= 1 - case.level:
        return replace(said, outcome="missed", says=f"{name}: marked area is over {text}")
    return replace(said, outcome="too close", says=f"{name}: marked area is too close to {text}")


def _share_of_surface(case: Case, marks: Sequence[Blemish], fact: str) -> Figure | None:
    """Return the share of the whole skin, taken as a smooth body (lobed fruit have more, so this errs high)."""
    area, diameter, length = together(marks, fact), case.size("diameter")[0], case.size("length")[0]
    if area is None or diameter is None or length is None:
        return None
    whole = smooth_skin_mm2(diameter.value, length.value)
    return Figure(
        area.value / whole, area.standard_uncertainty / whole, tuple(q / whole for q in area.quantiles), ()
    )
