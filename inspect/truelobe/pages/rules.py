"""Page "Rules": the limits a plate is held against, where each was read, and what is still blank."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from functools import partial
from typing import Any

import streamlit as st

from truelobe.grading.cautions import foot_line
from truelobe.grading.rule_edit import HOUSE, Field, blanks, copy_set, fields, with_value
from truelobe.grading.rule_set import SHIPPED, RuleSet, read_rule_set
from truelobe.grading.score_card import glossaries, published_cards
from truelobe.grading.vocabulary import FACTS, Side, sides
from truelobe.messages import TruelobeError
from truelobe.pages import rule_shelf, style
from truelobe.store import Store, open_store
from truelobe.units import inch_fraction, millimetres, percent

_KNOWN = {
    "seen": "read in the published text",
    "second-hand": "read second-hand",
    "calculated": "our reading of it",
    "common practice": "common practice, no published source",
    "not seen": "not read",
    "read by the coach": "entered by the coach",
}


@st.cache_resource(show_spinner=False)
def _store() -> Store:
    return open_store()


def show() -> None:
    """Draw the page."""
    st.title("Rules")
    style.lead("What a plate is held against, where each number was read, and what is still blank.")
    try:
        _draw(_store())
    except TruelobeError as error:
        style.say(error.message)
    style.foot(foot_line())


def _draw(store: Store) -> None:
    sets = rule_shelf.all_sets(store)
    chosen = st.selectbox(
        "Set of rules", list(sets), format_func=lambda name: sets[name].short_name, key="rules-chosen"
    )
    rules = sets[chosen]
    _about(rules)
    for grade in rules.document()["grades"]:
        _grade(grade)
    _ladder(rules)
    _words(rules)
    if rules.id in SHIPPED and rules.id != HOUSE:
        _copy(store, rules, list(sets))
    else:
        _change(store, rules)
        _copy(store, rules, list(sets))
    _habits(store)
    _glossaries()


def _about(rules: RuleSet) -> None:
    document = rules.document()
    open_fields = blanks(rules)
    still = f"{len(open_fields)} numbers are blank" if len(open_fields) != 1 else "1 number is blank"
    copied = document["copied_from"]
    lines = [
        ("Name", rules.name),
        ("Authority", rules.authority),
        ("Edition", f"{rules.edition}, revision {rules.revision}"),
        *(
            [("Copied from", f"{copied['id']}, {copied['edition']}, revision {copied['revision']}")]
            if copied
            else []
        ),
        ("Speaks of", "a lot" if rules.judges == "lot" else "one pepper"),
        ("Blank", f"{still}; the coach's eye decides there." if open_fields else "Nothing."),
    ]
    style.show_html(_pairs(lines) + f'<p class="tl-small tl-quiet">{style.text(document["about"])}</p>')


def _pairs(lines: Sequence[tuple[str, str]]) -> str:
    rows = "".join(
        f'<tr><th scope="row">{style.text(name)}</th><td>{style.text(value)}</td></tr>' for name, value in lines
    )
    return f'<table class="tl-table">{rows}</table>'


def _grade(grade: Mapping[str, Any]) -> None:
    st.subheader(f"{grade['name'][:1].upper()}{grade['name'][1:]}")
    groups: dict[tuple[str, str], list[str]] = {}
    for needed in grade["requirements"]:
        asked, what = _asked(needed)
        groups.setdefault((asked, _KNOWN[needed["confidence"]]), []).append(what)
    rows = "".join(
        f"<tr><td>{style.text(_line(asked, what))}<br><small class='tl-quiet'>{known}</small></td></tr>"
        for (asked, known), what in groups.items()
    )
    style.show_html(f'<table class="tl-table">{rows}</table>')


def _asked(needed: Mapping[str, Any]) -> tuple[str, str]:
    """Return the kind of demand, and what it is made on; demands of one kind are shown on one line."""
    kind = needed["kind"]
    if kind == "size":
        return f"{needed['quantity']} at least", _size_words(needed)
    label = FACTS[needed["fact"]].label.lower() if "fact" in needed else ""
    if kind == "word":
        return f"{label}:", needed.get("as_written") or " or ".join(needed["accepts"])
    if kind == "free":
        return "free from", label
    if kind == "ladder":
        return f"free from {needed['free_from']} by", label
    if kind == "colour_any":
        share = needed["share_of_peppers"]
        return "shows any amount of the color named", f"on {percent(share)} of the peppers" if share else ""
    under = needed["under"]
    return "less of the skin not fully colored than", percent(under) if under is not None else "(blank)"


def _size_words(needed: Mapping[str, Any]) -> str:
    if needed.get("by_type_mm"):
        return ", ".join(f"{name} {value:g} mm" for name, value in needed["by_type_mm"].items())
    if needed.get("none_set"):
        return "(the text sets none)"
    value = needed["value_mm"]
    return "(blank)" if value is None else f"{inch_fraction(value)} ({value:g} mm)"


def _line(asked: str, what: Sequence[str]) -> str:
    words = f"{asked} {', '.join(what)}".strip()
    return f"{words[:1].upper()}{words[1:]}"


def _ladder(rules: RuleSet) -> None:
    entered = [line for line in rules.document()["ladder"] if line["value"] is not None]
    if not rules.ladder:
        return
    with st.expander(f"Areas as numbers: {len(entered)} of {len(rules.ladder)} entered"):
        if not entered:
            st.caption("None entered. Until then the coach's word decides; a marked area stands beside it.")
        rows = "".join(
            f"<tr><td>{style.text(FACTS[line['fact']].label)}, {style.text(line['level'])}: "
            f"{style.text(line.get('as_written') or _value(line['value'], line['unit']))}"
            f"<br><small class='tl-quiet'>{style.text(_KNOWN[line['confidence']])}"
            f"{style.text('. ' + line['note'] if line.get('note') else '')}</small></td></tr>"
            for line in entered
        )
        style.show_html(f'<table class="tl-table">{rows}</table>')


def _value(value: float | None, unit: str) -> str:
    if value is None:
        return "blank"
    if unit in ("fraction", "percent"):
        return percent(value if unit == "fraction" else value / 100)
    return f"{value:g} {unit}"


def _words(rules: RuleSet) -> None:
    document = rules.document()
    with st.expander("Words, lot tolerances and sources"):
        lines = [(line["term"], line["words"] or "Not read.") for line in document["definitions"]]
        lines += [
            (line["what"], "blank" if line["percent"] is None else f"{line['percent']:g} percent of a lot")
            for line in document["tolerances"]
        ]
        if lines:
            style.show_html(_pairs(lines))
        for source in document["sources"].values():
            where = f" {source['where']}" if source["where"] else ""
            style.show_html(f'<p class="tl-small">{style.text(source["title"] + "." + where)}</p>')


def _copy(store: Store, rules: RuleSet, taken: Sequence[str]) -> None:
    with st.form("rules-copy", border=False):
        name = st.text_input("Copy this set under your own name", placeholder="Our county show", max_chars=80)
        if st.form_submit_button("Copy"):
            copied = copy_set(rules, name, taken)
            rule_shelf.keep(store, copied)
            st.toast(f"Copied as {copied.short_name}. Choose it above.")
            st.rerun()


def _change(store: Store, rules: RuleSet) -> None:
    st.subheader("Change a number")
    found = fields(rules)
    places = sorted(range(len(found)), key=lambda n: not found[n].blank)
    place = st.selectbox(
        "Which number",
        places,
        format_func=lambda n: f"{found[n].label}: {_value(found[n].value, found[n].unit)}",
        key=f"rules-field-{rules.id}",
    )
    field = found[place]
    with st.form("rules-change", border=False):
        unit = st.segmented_control("In", _units(field), default=_units(field)[0], key=f"unit-{rules.id}-{place}")
        value = st.number_input("New number (empty: blank)", value=None, min_value=0.0, format="%.4g")
        none_set = field.may_be_none and st.checkbox("I read the text: it sets no such limit")
        source = st.text_input("Where you read it, or why you set it", max_chars=400)
        if st.form_submit_button("Save", type="primary"):
            inner = None if value is None else _inside(value, unit or _units(field)[0])
            changed = with_value(rules, field, inner, source=source, on=date.today(), none_set=bool(none_set))
            rule_shelf.keep(store, changed)
            st.toast(f"Saved as revision {changed.revision}. Plates judged before keep the older one.")
            st.rerun()
    older = rule_shelf.revisions(store, rules.id)
    if len(older) > 1:
        st.button(
            f"Undo: back to revision {older[-2].revision}",
            on_click=partial(_back, store, older[-2], rules.revision + 1),
            key="rules-undo",
        )


def _back(store: Store, older: RuleSet, revision: int) -> None:
    """Put an older revision's words on top as a new one: nothing that was judged by loses its rules."""
    rule_shelf.keep(store, read_rule_set(older.document() | {"revision": revision}))


def _units(field: Field) -> list[str]:
    return {"mm": ["in", "mm"], "mm2": ["circle, in across", "mm2"], "fraction": ["percent"]}.get(
        field.unit, ["percent"]
    )


def _inside(value: float, unit: str) -> float:
    """Return a typed number in the unit of the field."""
    if unit == "in":
        return round(millimetres(value), 4)
    if unit == "circle, in across":
        return round(3.141592653589793 / 4 * millimetres(value) ** 2, 2)
    return value


def _habits(store: Store) -> None:
    own = rule_shelf.habits(store)
    with st.expander("How sure, how many, and what is looked at"):
        level = st.slider(
            "A limit counts as met from this probability", 80, 99, round(100 * own.level), format="%d %%"
        )
        wanted = st.slider("Peppers the show asks for", 2, 6, own.wanted)
        names = [name for name, fact in FACTS.items() if fact.kind != "number"]
        looked_at = st.multiselect(
            "“All looked at, nothing found” covers",
            names,
            default=list(own.looked_at),
            format_func=lambda name: FACTS[name].label,
        )
        for name, value, before in (
            (rule_shelf.LEVEL, level / 100, own.level),
            (rule_shelf.WANTED, wanted, own.wanted),
            (rule_shelf.LIST, looked_at, list(own.looked_at)),
        ):
            if value != before:
                store.settings.put(name, value)
    with st.expander("Quality or condition"):
        st.caption("Common practice, no published source; move what you sort otherwise. Disputed ones say so.")
        st.segmented_control("Show", ["quality", "condition"], default="quality", key="rules-side")
        side: Side = "condition" if st.session_state["rules-side"] == "condition" else "quality"
        other: Side = "quality" if side == "condition" else "condition"
        now = sides(own.sides)
        there = [name for name, its in now.items() if its == side]
        kept = st.pills(
            f"On the side of {side}; tap one to move it to {other}",
            there,
            selection_mode="multi",
            default=there,
            format_func=lambda name: FACTS[name].label + (" (disputed)" if FACTS[name].disputed else ""),
            key=f"rules-sides-{side}-{len(there)}",
        )
        moved = [name for name in there if name not in (kept or [])]
        if moved:
            store.settings.put(rule_shelf.SIDES, own.sides | dict.fromkeys(moved, other))
            st.rerun()


def _glossaries() -> None:
    with st.expander("Two meanings of quality and condition; score cards of fairs"):
        for name, words in glossaries().items():
            style.show_html(
                f"<p><strong>{style.text(name.capitalize())}</strong></p>{_pairs(list(words.items()))}"
            )
        for card in published_cards():
            weights = [(name, f"{weight} points") for name, weight in card.weights.items()]
            style.show_html(f"<p><strong>{style.text(card.name)}</strong></p>{_pairs(weights)}")
            style.show_html(f'<p class="tl-small tl-quiet">{style.text(card.source)}</p>')
