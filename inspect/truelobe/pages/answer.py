"""The answer on a measured plate: which requirements it meets, what holds it, and the sheet to print.

The answer first, then a row per pepper; everything else unfolds on demand.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import partial
from typing import Any

import streamlit as st

from truelobe.grading.hand_facts import HandFacts
from truelobe.grading.plate import PlateGrade, Setting, cases_of, grade_plate
from truelobe.grading.rule_edit import HOUSE
from truelobe.grading.rule_set import RuleSet
from truelobe.grading.score_card import published_cards, score_view
from truelobe.grading.vocabulary import FACTS, sides
from truelobe.messages import TruelobeError
from truelobe.pages import rule_shelf, style
from truelobe.report.graded_words import (
    colour_rows,
    day_words,
    mark_lines,
    requirement_rows,
    settled_word,
    shape_rows,
)
from truelobe.report.sheet import Paper, PlateSheet, plate_sheet
from truelobe.report.table import file_name
from truelobe.report.workbook import graded_csv, graded_xlsx
from truelobe.store import Defect, Draft, Grade, Store

Body = dict[str, Any]
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
NAMED = ("red", "yellow", "orange", "green", "mixed")


def show(store: Store, draft: Draft, hand: HandFacts, picture: bytes = b"") -> None:
    """Draw the answer on one measured plate.

    Parameters
    ----------
    store : Store
    draft : Draft
        Its body holds ``document`` and ``settings``; ``grading`` is added here.
    hand : HandFacts
    picture : bytes
        The plate with numbered outlines, for the sheet.
    """
    rules, setting = _judged_by(store, draft)
    house = rule_shelf.newest(store, HOUSE)
    graded = grade_plate(draft.body["document"], hand, rules, setting, house=house)
    st.subheader("The answer")
    style.lead(graded.answer)
    _choices(store, draft, rules)
    style.show_html(_grades_html(graded))
    _plate(graded)
    _requirements(graded)
    _shape(draft, hand)
    _score_card(graded, draft, hand, setting)
    _two_sides(graded, hand, setting)
    by_house = grade_plate(draft.body["document"], hand, house, setting)
    title = draft.uploads[0].name.rsplit(".", 1)[0] if draft.uploads else "Plate"
    taken = draft.started_at.date()
    sheet = PlateSheet(title, picture, draft.body["document"], graded, hand, taken, date.today(), by_house)
    _sheets(sheet, rule_shelf.habits(store).paper)


def kept_with(store: Store, draft: Draft) -> tuple[Grade | None, tuple[Defect, ...]]:
    """Return what a kept plate is found by: its grade with the rules it was judged under, and its defects."""
    document = draft.body.get("document")
    if not document or document["status"] == "refused" or not document["peppers"]:
        return None, ()
    hand = HandFacts.from_document(draft.body.get("hand_facts") or None)
    rules, setting = _judged_by(store, draft)
    graded = grade_plate(document, hand, rules, setting)
    reached = {one.number: one.highest for one in graded.peppers if one.highest}
    grade = Grade(graded.highest, f"{rules.name}, {rule_shelf.edition_key(rules)}", reached)
    defects = [
        Defect(FACTS[entry.fact].label.lower(), one.number)
        for one in graded.peppers
        for entry in hand.exceptions(one.number)
        if FACTS[entry.fact].kind == "defect"
    ]
    return grade if graded.highest else None, tuple(defects)


def _judged_by(store: Store, draft: Draft) -> tuple[RuleSet, Setting]:
    """Return the rules and the settings that a plate is judged by: what was said of it, else the habits."""
    said, own = draft.body.get("grading") or {}, rule_shelf.habits(store)
    rules = rule_shelf.newest(store, said.get("rules", own.rules))
    return rules, Setting(_named(draft), said.get("type"), own.wanted, own.level, moved=own.sides)


def _named(draft: Draft) -> str | None:
    """Return the color the plate is called; ``"mixed"`` where the coach says that none is named."""
    if (draft.body.get("grading") or {}).get("mixed"):
        return "mixed"
    declared = (draft.body.get("settings") or {}).get("declared_colour")
    return str(declared) if declared else None


def write(store: Store, draft: Draft, how: Callable[[Body], None]) -> None:
    """Change the newest state of the draft, whoever wrote it last."""
    for _ in range(20):
        newest = store.drafts.get(draft.uid)
        body = dict(newest.body)
        how(body)
        try:
            store.drafts.write(newest.uid, newest.version, body)
            return
        except TruelobeError as error:
            if error.message.code != "changed-meanwhile":
                raise
    raise TruelobeError("busy", "This plate is being changed in another window.", "Wait a moment and tap again.")


def _choices(store: Store, draft: Draft, rules: RuleSet) -> None:
    sets = rule_shelf.all_sets(store)
    st.selectbox(
        "Judged by",
        list(sets),
        index=list(sets).index(rules.id),
        format_func=lambda name: sets[name].short_name,
        key=f"judged-by-{draft.uid}",
        on_change=partial(_say, store, draft, "rules", f"judged-by-{draft.uid}"),
    )
    named = _named(draft)
    st.pills(
        "The plate is called",
        NAMED,
        default=named if named in NAMED else None,
        key=f"named-{draft.uid}",
        on_change=partial(_call, store, draft, f"named-{draft.uid}"),
    )
    kinds = next((r.by_type for g in rules.grades for r in g.requirements if r.by_type), {})
    if kinds:
        st.pills(
            "Type",
            list(kinds),
            default=(draft.body.get("grading") or {}).get("type"),
            key=f"type-{draft.uid}",
            on_change=partial(_say, store, draft, "type", f"type-{draft.uid}"),
        )


def _say(store: Store, draft: Draft, name: str, key: str) -> None:
    value = st.session_state[key]
    write(store, draft, lambda body: body.update(grading=(body.get("grading") or {}) | {name: value}))


def _call(store: Store, draft: Draft, key: str) -> None:
    value = st.session_state[key]

    def change(body: Body) -> None:
        body["grading"] = (body.get("grading") or {}) | {"mixed": value == "mixed"}
        colour = None if value == "mixed" else value
        body["settings"] = (body.get("settings") or {}) | {"declared_colour": colour}

    write(store, draft, change)


def _cell(outcome: str) -> str:
    return f"<td>{style.sign(outcome)} {style.text(outcome)}</td>"


def _grades_html(graded: PlateGrade) -> str:
    """One line per pepper: number, a sign and word per grade, and under it what stands between."""
    lines = ""
    for pepper in graded.peppers:
        words = " ".join(
            f'<span style="white-space: nowrap; margin-right: 0.9rem">{style.text(grade.name)} '
            f"{style.sign(settled_word(grade))} {style.text(settled_word(grade))}</span>"
            for grade in pepper.grades
        )
        held = f'<br><small class="tl-quiet">{style.text(pepper.stands_between)}</small>'
        number = f'<th scope="row"><strong>{pepper.number}</strong></th>'
        lines += f"<tr>{number}<td>{words}{held if pepper.stands_between else ''}</td></tr>"
    return (
        f'<table class="tl-table" aria-label="Grades"><tbody>{lines}</tbody></table>'
        f'<p class="tl-small tl-quiet">{style.text(graded.lot_note)}</p>'
    )


def _plate(graded: PlateGrade) -> None:
    with st.expander("The plate: how many, how alike, the color named"):
        lines = [graded.count, *graded.uniformity.lines, *([graded.colour.says] if graded.colour else [])]
        style.show_html("<ul>" + "".join(f"<li>{style.text(line)}</li>" for line in lines) + "</ul>")
        rows = "".join(
            f'<tr><th scope="row">{number}</th>{_cell(named)}{_cell(area)}</tr>'
            for number, named, area in colour_rows(graded)
        )
        if rows:
            heads = ("No.", "Standard: any amount of the color named", "House rule: share of the side seen")
            head = "".join(f'<th scope="col">{name}</th>' for name in heads)
            style.show_html(f'<table class="tl-table"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>')


def _requirements(graded: PlateGrade) -> None:
    with st.expander("Every requirement, pepper by pepper"):
        peppers = [one.number for one in graded.peppers]
        number = st.segmented_control("Of number", peppers, default=peppers[0]) or peppers[0]
        rows = "".join(
            f"<tr>{_cell(row.outcome)}<td>{style.text(row.label)}"
            f'<br><small class="tl-quiet">{style.text(row.small)}</small></td></tr>'
            for row in requirement_rows(graded, number)
        )
        style.show_html(f'<table class="tl-table">{rows}</table>')


def _shape(draft: Draft, hand: HandFacts) -> None:
    document = draft.body["document"]
    with st.expander("Shape, and areas marked on the picture"):
        rows = "".join(
            f'<tr><th scope="row">{row.number}</th><td><strong>{style.text(row.word)}</strong>'
            f"{'<br>' + style.text('Worth a second look: ' + row.second_look) if row.second_look else ''}"
            f'<br><small class="tl-quiet">{style.text("; ".join(row.lines))}</small></td></tr>'
            for row in shape_rows(document, hand)
        )
        style.show_html(f'<table class="tl-table">{rows}</table>')
        st.caption(
            "The word is the coach's. The figures are of the side seen and only suggest where to look again."
        )
        for line in mark_lines(document):
            style.show_html(f"<p>{style.text(line)}</p>")


def _score_card(graded: PlateGrade, draft: Draft, hand: HandFacts, setting: Setting) -> None:
    with st.expander("As a fair's score card"):
        cards = {card.name: card for card in published_cards()}
        chosen = cards[st.selectbox("Card", list(cards))]
        weights = {
            name: int(st.number_input(name.capitalize(), 0, 100, weight, key=f"weight-{chosen.id}-{name}"))
            for name, weight in chosen.weights.items()
        }
        if sum(weights.values()) != 100:
            st.caption(f"The weights add up to {sum(weights.values())}. A card has 100 points.")
            return
        card = chosen if weights == chosen.weights else chosen.reweighted(weights)
        cases = cases_of(draft.body["document"], hand, setting)
        rows = "".join(
            f'<tr><th scope="row">{style.text(line.criterion)}, {line.weight}</th>'
            f'<td><small class="tl-quiet">{style.text(line.meaning)}</small><br>'
            f"{'<br>'.join(style.text(words) for words in line.evidence)}</td></tr>"
            for line in score_view(card, cases, graded.uniformity)
        )
        style.show_html(f'<table class="tl-table">{rows}</table><p class="tl-small">{style.text(card.source)}</p>')
        st.caption("Fair cards use quality and condition in another sense than inspectors do; see the page Rules.")


def _two_sides(graded: PlateGrade, hand: HandFacts, setting: Setting) -> None:
    with st.expander("Quality and condition apart"):
        for side in ("quality", "condition"):
            names = [name for name, its in sides(setting.moved).items() if its == side]
            found = [
                f"number {one.number}: {FACTS[e.fact].label.lower()} {e.value}"
                for one in graded.peppers
                for e in hand.exceptions(one.number)
                if e.fact in names
            ]
            words = "; ".join(found) or ("nothing found" if hand.entries else "not checked")
            style.show_html(f"<p><strong>{side.capitalize()}.</strong> {style.text(words)}.</p>")
        for first, last in hand.changes(setting.moved):
            label, then, later = FACTS[last.fact].label.lower(), first.at.date(), last.at.date()
            words = f"{label}: {first.value} on {day_words(then)}, {last.value} on {day_words(later)}."
            style.show_html(f"<p>Number {last.pepper}, {style.text(words)}</p>")


def _sheets(sheet: PlateSheet, paper: str) -> None:
    """Offer the sheet to print and the workbook; each is made when it is asked for."""
    name = partial(file_name, date.today(), ["plate", sheet.title, "sheet"])
    with st.container(horizontal=True, vertical_alignment="bottom"):
        chosen = st.segmented_control("Paper", ["Letter", "A4"], default=paper, key="sheet-paper")
        size: Paper = "A4" if chosen == "A4" else "Letter"
        for label, ending, kind, made in (
            ("Plate sheet (PDF)", "pdf", "application/pdf", partial(plate_sheet, sheet, size)),
            ("Workbook (XLSX)", "xlsx", _XLSX, partial(graded_xlsx, sheet)),
            ("Outcomes (CSV)", "csv", "text/csv", partial(graded_csv, sheet)),
        ):
            st.download_button(label, made, name(ending), kind, on_click="ignore", key=f"sheet-{ending}")
