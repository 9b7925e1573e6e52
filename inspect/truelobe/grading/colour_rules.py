"""Two colour rules, told apart: any amount of the declared colour, and how much of the skin is not fully coloured.

The first is the U.S. standard's (any amount, on 90 percent of the peppers of a lot). The second is a house rule,
*common practice, no published source*. One photo speaks for the side seen.
"""

from __future__ import annotations

from dataclasses import replace

from truelobe.figures import Figure
from truelobe.grading.case import Case, RuleOutcome
from truelobe.grading.decisions import Basis, Limit, Outcome, decide
from truelobe.grading.rule_set import Requirement, RuleSet
from truelobe.units import percent

#: The least share of skin that counts as "any amount" in a photo: below it, edge and light could make it up.
ANY_AMOUNT = 0.02


def colour_any(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    """Any amount of the declared colour: once seen it holds for the whole pepper; unseen, it may be behind."""
    declared, colour = case.declared_colour, case.pepper.get("colour")
    said = replace(blank, label=f"shows any amount of {declared or 'the color named'}", by="photo")
    if declared is None:
        return replace(said, by="nobody", says="color of the plate not declared")
    if declared == "mixed":
        return replace(said, label="no color named (mixed)", outcome="not applicable", by="rule")
    if colour is None:
        return replace(said, by="nobody", says="color not checked")
    uncoloured = case.figure("whole_skin_not_fully_coloured") or case.figure("not_fully_coloured")
    if declared == "green" or colour not in (declared, "green"):
        return _other_colour(case, declared, str(colour), uncoloured, said)
    if uncoloured is None:
        return replace(said, by="nobody", says="color not checked")
    if colour != declared:
        return replace(said, outcome="not seen", says=f"no {declared} seen on this side: turn it")
    shows = uncoloured.probability_below(1 - ANY_AMOUNT)
    if shows >= case.level:
        return replace(said, outcome="met", basis="whole", probability=shows)
    if case.whole_seen:
        outcome: Outcome = "missed" if shows <= 1 - case.level else "too close"
        return replace(said, outcome=outcome, basis="whole", probability=shows, says=f"no {declared} found on it")
    return replace(
        said, outcome="not seen", basis="seen", says=f"no {declared} seen for certain on this side: turn it"
    )


def _other_colour(
    case: Case, declared: str, colour: str, uncoloured: Figure | None, said: RuleOutcome
) -> RuleOutcome:
    if colour == declared:
        return replace(said, outcome="met", basis="seen")
    ripe = uncoloured is not None and uncoloured.probability_below(0.5) >= case.level
    if ripe:
        says = f"a {colour} pepper on a plate called {declared}"
        return replace(said, outcome="missed", basis="seen", says=says)
    says = f"between {declared} and {colour}: the coach decides"
    return replace(said, outcome="too close", basis="seen", says=says)


def colour_area(case: Case, needed: Requirement, blank: RuleOutcome, rules: RuleSet) -> RuleOutcome:
    """The house rule: less than so much of the skin is not fully coloured. Exactly so much counts as over."""
    if needed.value is None:
        says = "color limit not entered"
        return replace(blank, label="skin not fully colored", outcome="limit not entered", says=says)
    whole, seen = case.figure("whole_skin_not_fully_coloured"), case.figure("not_fully_coloured")
    basis: Basis = "whole" if case.whole_seen else "seen"
    figure = whole if case.whole_seen else seen
    where = "of the skin" if basis == "whole" else "of the side seen"
    label = f"less than {percent(needed.value)} {where} not fully colored"
    said = replace(blank, label=label, by="photo", basis=basis)
    decision = decide(figure, Limit("", "not_fully_coloured", needed.value, "fraction", "under"), level=case.level)
    said = replace(said, outcome=decision.outcome, probability=decision.probability_met)
    if basis == "seen":
        said = replace(said, note="Said of the side seen. Turn it and take more photos for the whole pepper.")
    if figure is None:
        return replace(said, outcome="not checked", by="nobody", says="color not checked")
    if decision.outcome == "missed":
        return replace(said, says=f"{percent(figure.value)} {where} is not fully colored")
    if decision.outcome == "too close":
        return replace(said, says=f"{percent(figure.value)} {where} not fully colored is too close to call")
    return said
