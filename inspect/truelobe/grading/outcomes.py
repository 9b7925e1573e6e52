"""One requirement held against one pepper: met, missed, too close, or why nothing can be said.

A number decides with its probability (`decisions`). A word recorded by hand decides as it stands. What was not
looked at, not seen, or not entered in the rules is never a pass.
"""

from __future__ import annotations

from dataclasses import replace

from truelobe.figures import Figure
from truelobe.grading.case import Case, RuleOutcome, length_words
from truelobe.grading.colour_rules import colour_any, colour_area
from truelobe.grading.decisions import Limit, decide
from truelobe.grading.ladder import ladder
from truelobe.grading.rule_set import Requirement, RuleSet
from truelobe.grading.vocabulary import FACTS, NONE, NOT_CHECKED, sides


def evaluate(case: Case, needed: Requirement, grade: str, rules: RuleSet) -> RuleOutcome:
    """Hold one requirement against one pepper."""
    judge = {
        "size": _size,
        "word": _word,
        "free": _free,
        "ladder": ladder,
        "colour_any": colour_any,
        "colour_area": colour_area,
    }[needed.kind]
    outcome = judge(case, needed, RuleOutcome(grade, needed.kind, needed.fact, "", "not checked"), rules)
    side = "condition" if needed.kind.startswith("colour") else sides(case.moved).get(needed.fact)
    if needed.kind == "size":
        side = "quality"
    return replace(outcome, side=side, note=outcome.note or needed.note)


def _size(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    quantity = needed.fact
    if needed.none_set:
        return replace(blank, label=f"no smallest {quantity} set", outcome="not applicable", by="rule")
    value, label = needed.value, f"smallest {quantity}"
    if needed.by_type:
        if case.pepper_type is None or case.pepper_type not in needed.by_type:
            kinds = ", ".join(needed.by_type)
            return replace(blank, label=label, says=f"type of pepper not chosen ({kinds})")
        value = needed.by_type[case.pepper_type]
    if value is None:
        return replace(blank, label=label, outcome="limit not entered", says=f"smallest {quantity} not entered")
    label = f"{quantity} at least {length_words(value)}"
    elsewhere = rules.diameter_at in ("stalk end", "shoulder")
    if quantity == "diameter" and elsewhere and case.pepper_type != "flat":
        return _size_at_stalk(case, needed, value, replace(blank, label=f"{label}, at the {rules.diameter_at}"))
    figure, by = case.size(quantity)
    said = _against(figure, value, quantity, case.level, replace(blank, label=label, by=by))
    if said.outcome == "not seen" and case.pepper.get("doubtful"):
        why = "the photo's edge cuts it off" if case.pepper.get("cut_off") else "its outline is doubtful"
        return replace(said, says=f"{quantity} not seen: {why}")
    return said if by == "hand" else _with_other_axis(case, value, quantity, said)


def _against(figure: Figure | None, value: float, quantity: str, level: float, blank: RuleOutcome) -> RuleOutcome:
    decision = decide(figure, Limit("", "length", value, "mm", "at least"), level=level)
    said = replace(blank, outcome=decision.outcome, probability=decision.probability_met)
    if figure is None:
        return replace(said, by="nobody", says=f"{quantity} not seen")
    if decision.outcome == "missed":
        return replace(said, says=f"{quantity} is {_gap(value - figure.value)} short of {length_words(value)}")
    if decision.outcome == "too close":
        return replace(said, says=f"{quantity} is too close to {length_words(value)} to call")
    return said


def _gap(mm: float) -> str:
    return f"{mm:.0f} mm" if mm >= 1.95 else f"{max(mm, 0.1):.1f} mm"


def _with_other_axis(case: Case, value: float, quantity: str, said: RuleOutcome) -> RuleOutcome:
    """Where the stem end is unsure both readings must say the same."""
    other = (case.pepper.get("other_reading") or {}).get(f"{quantity}_mm")
    if not other or said.outcome == "not seen":
        return said
    second = _against(Figure.from_document(other), value, quantity, case.level, said)
    if second.outcome == said.outcome:
        return said if (said.probability or 0) <= (second.probability or 0) else second
    says = f"{quantity} depends on which end is the stem end: mark it"
    worse = min(said.probability or 0, second.probability or 0)
    return replace(said, outcome="too close", says=says, probability=worse)


def _size_at_stalk(case: Case, needed: Requirement, value: float, blank: RuleOutcome) -> RuleOutcome:
    """The stalk end is never wider than the greatest diameter: a photo can prove too small, not large enough."""
    by_hand = case.hand.figure(case.number, "stalk_diameter", until=case.until)
    if by_hand is not None:
        return _against(by_hand, value, "diameter at the stalk end", case.level, replace(blank, by="hand"))
    figure, by = case.size("diameter")
    widest = _against(figure, value, "diameter", case.level, replace(blank, by=by))
    if widest.outcome == "missed":
        return widest
    return replace(blank, says="diameter at the stalk end not measured by hand")


def _word(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    fact = FACTS[needed.fact]
    word, day = case.word(needed.fact)
    asked = needed.as_written or " or ".join(needed.accepts)
    said = replace(blank, label=f"{fact.label.lower()}: {asked}", on=day)
    if word not in (NOT_CHECKED, *needed.accepts):
        return replace(said, outcome="missed", by="hand", says=f"{fact.label.lower()} is {word}")
    others = [(name, case.word(name)[0]) for name in needed.needs_none]
    found = [FACTS[name].label.lower() for name, other in others if other not in (NONE, NOT_CHECKED)]
    if found:
        return replace(said, outcome="missed", by="hand", says=f"{found[0]}, so not {needed.accepts[0]}")
    unknown = [fact.label.lower()] if word == NOT_CHECKED else []
    unknown += [FACTS[name].label.lower() for name, other in others if other == NOT_CHECKED]
    if unknown:
        return replace(said, says=f"{unknown[0]} not checked")
    return replace(said, outcome="met", by="hand")


def _free(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    fact = FACTS[needed.fact]
    word, day = case.word(needed.fact)
    said = replace(blank, label=f"free from {fact.label.lower()}", on=day)
    if word == NOT_CHECKED:
        return replace(said, says=f"{fact.label.lower()} not checked")
    if word == NONE:
        return replace(said, outcome="met", by="coach's eye")
    return replace(said, outcome="missed", by="coach's eye", says=f"{fact.label.lower()} found; none is allowed")
