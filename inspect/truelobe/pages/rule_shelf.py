"""The rule sets a coach can choose from: those that come with the tool and those kept in the store."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

from truelobe.grading.photo_limits import photo_limits
from truelobe.grading.plate import USUAL_COUNT, Setting
from truelobe.grading.rule_edit import HOUSE
from truelobe.grading.rule_set import RuleSet, read_rule_set, shipped_rule_sets
from truelobe.grading.vocabulary import FACTS, USUAL_LIST, Side
from truelobe.store import Store

LEVEL, WANTED, LIST, SIDES, CHOSEN, PAPER = "level", "specimens", "looked_at", "sides", "rules", "paper"


@lru_cache(maxsize=64)
def _read(written: str) -> RuleSet:
    return read_rule_set(json.loads(written))


def edition_key(rules: RuleSet) -> str:
    """Return the edition as the store knows it: the published one and the coach's revision."""
    return f"{rules.edition}, revision {rules.revision}"


def keep(store: Store, rules: RuleSet) -> None:
    """Keep a revision; earlier ones stay, since records refer to them."""
    store.rules.put(rules.id, edition_key(rules), rules.document())
    decide_photos_by(store, habits(store).rules)


def decide_photos_by(store: Store, chosen: str) -> None:
    """Choose a set for every plate from now on; photos are decided by its sizes and the house color rule."""
    limits = photo_limits(newest(store, chosen), newest(store, HOUSE))
    store.settings.put(CHOSEN, chosen)
    store.settings.put("limits", [asdict(limit) for limit in limits])


def revisions(store: Store, name: str) -> tuple[RuleSet, ...]:
    """Return every revision of a set, oldest first."""
    shipped = [rules for rules in shipped_rule_sets() if rules.id == name]
    kept = [_read(json.dumps(found.body, sort_keys=True)) for found in store.rules.editions(name)]
    return (*(rules for rules in shipped if all(k.revision != rules.revision for k in kept)), *kept)


def newest(store: Store, name: str) -> RuleSet:
    """Return the newest revision of a set; the U.S. standard where there is none of that name."""
    found = revisions(store, name)
    return found[-1] if found else shipped_rule_sets()[0]


def all_sets(store: Store) -> dict[str, RuleSet]:
    """Return the newest revision of every set by its identifier, those that come with the tool first."""
    names = dict.fromkeys([rules.id for rules in shipped_rule_sets()] + [kept.name for kept in store.rules.all()])
    return {name: newest(store, name) for name in names}


@dataclass(frozen=True)
class Habits:
    """What a coach set once for every plate."""

    level: float
    wanted: int
    looked_at: tuple[str, ...]
    sides: dict[str, Side]
    rules: str
    paper: str


def habits(store: Store) -> Habits:
    """Return the coach's settings for grading."""
    kept: dict[str, Any] = store.settings.all()
    looked_at = tuple(name for name in kept.get(LIST, USUAL_LIST) if name in FACTS)
    return Habits(
        level=float(kept.get(LEVEL, 0.95)),
        wanted=int(kept.get(WANTED, USUAL_COUNT)),
        looked_at=looked_at,
        sides=dict(kept.get(SIDES, {})),
        rules=str(kept.get(CHOSEN, shipped_rule_sets()[0].id)),
        paper=str(kept.get(PAPER, "Letter")),
    )


def setting(store: Store, declared: str | None, pepper_type: str | None = None) -> Setting:
    """Return how a plate is to be judged."""
    own = habits(store)
    return Setting(declared, pepper_type, own.wanted, own.level, moved=own.sides)
