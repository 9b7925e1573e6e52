"""A measured plate: picture, one line in words, a card per pepper, table, budget; then what to do with it."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import partial
from typing import Any

import streamlit as st

from truelobe.pages import answer, drafts, hand_facts, jobs, pepper, photo_settings, style, touch
from truelobe.pages.desk import Desk
from truelobe.pages.nickname import ask_nickname
from truelobe.report import table, words
from truelobe.report.graded_words import look_lines, mark_lines
from truelobe.report.words import GIVE_OR_TAKE
from truelobe.request import Correction
from truelobe.store import Draft

Document = Mapping[str, Any]


def show(bench: Desk, draft: Draft) -> None:
    """Draw the result of a draft's newest measurement.

    What comes and goes has a container of its own: the browser tells parts by their place, and a part that moves
    loses what is being typed in it.
    """
    document = draft.body["document"]
    pictures = bench.pictures(draft)
    with st.container():
        if document["status"] == "refused":
            pepper.look_away(draft.uid)
            _refused(bench, draft, pictures)
        else:
            _measured(bench, draft, pictures)
    with st.container():
        _taken_back(bench, draft)
    photo_settings.show(bench, draft)
    if document["status"] != "refused":
        _cards(bench, draft, pictures)
        _table(document)
        _budgets(document)
        hand_facts.show(bench.store, draft, picture=pictures.marked if pictures else b"")
    _keep(bench, draft)
    if document["status"] != "refused":
        _exports(draft, pictures)
        pepper.dialog(bench, draft.uid)


def _refused(bench: Desk, draft: Draft, pictures: jobs.Pictures | None) -> None:
    document = draft.body["document"]
    *notes, refusal = document["messages"]
    style.say_all([refusal], "refusal")
    style.say_all(notes, "flag")
    if pictures is None:
        return
    if refusal["code"] == "no-pepper-found" and st.session_state.get(f"adding-{draft.uid}"):
        _add(bench, draft, pictures)
        return
    st.image(pictures.bare, width="stretch", alt="The photo that was not measured")
    if refusal["code"] == "no-pepper-found":
        _add_button(draft)


def _measured(bench: Desk, draft: Draft, pictures: jobs.Pictures | None) -> None:
    document = draft.body["document"]
    with st.container():
        _picture(bench, draft, pictures)
    style.lead(words.summary(document))
    _legend(draft)
    style.say_all(_once(document["messages"]), "flag")
    _worth_a_look(document)


def _worth_a_look(document: Document) -> None:
    """Point at places of the skin; what they are is for a person to say."""
    places = look_lines(document)
    if places:
        style.show_html(
            '<div class="tl-message" role="note" data-code="worth-a-look"><p><strong>Worth a look on the skin '
            f"(dotted rings).</strong> {style.text(' '.join(places))}</p><p>A glint or a groove can look like "
            "this too. Nothing here is named or counted: draw round what is a blemish, and say what it is."
            "</p></div>"
        )


def _once(messages: Sequence[Mapping[str, str]]) -> list[Mapping[str, str]]:
    """Return one message of each kind: two rooms may find the same fault."""
    return list({m["code"]: m for m in reversed(messages)}.values())[::-1]


def _picture(bench: Desk, draft: Draft, pictures: jobs.Pictures | None) -> None:
    document = draft.body["document"]
    if pictures is None:  # being drawn again
        return
    if st.session_state.get(f"adding-{draft.uid}"):
        _add(bench, draft, pictures)
        return
    bare = st.session_state.get(f"bare-{draft.uid}", False)
    touched = touch.picture(
        pictures.bare if bare else pictures.marked,
        (0, 0, document["photo"]["width_px"], document["photo"]["height_px"]),
        alt=words.alt_text(document),
        key=f"picture-{draft.uid}",
        spots=[
            touch.Spot(p["number"], f"{words.pepper_alt_text(p)}: look closer or correct", p["outline_px"][0])
            for p in document["peppers"]
        ],
    )
    if touched is not None and touched.number is not None:
        pepper.look_at(draft.uid, touched.number)


def _add(bench: Desk, draft: Draft, pictures: jobs.Pictures) -> None:
    """Let the coach point at a pepper that was missed."""
    photo = draft.body["document"]["photo"]
    touched = touch.picture(
        pictures.marked,
        (0, 0, photo["width_px"], photo["height_px"]),
        alt="The photo of the plate",
        key=f"adding-to-{draft.uid}",
        mode="point",
        hint="Tap the middle of the pepper that was missed.",
    )
    if st.button("Nothing is missing", key="stop-adding"):
        del st.session_state[f"adding-{draft.uid}"]
        st.rerun()
    if touched is not None and touched.points:
        del st.session_state[f"adding-{draft.uid}"]
        missed = Correction("add", touched.points[0])
        drafts.change(bench.store, draft.uid, lambda body: drafts.correct(body, missed))
        st.rerun()


def _add_button(draft: Draft) -> None:
    if st.button("A pepper is missing", key="add"):
        st.session_state[f"adding-{draft.uid}"] = True
        st.rerun()


def _legend(draft: Draft) -> None:
    style.show_html(
        '<p class="tl-small tl-quiet">Tap a pepper to look closer or correct it. Blue and white lines: skin '
        "counted as not fully colored. Dots: left out. Broken outline: doubtful or cut off. Line with a name, "
        "like 2a: marked by hand.</p>"
    )
    with st.container(horizontal=True, vertical_alignment="center"):
        st.toggle("Bare photo", key=f"bare-{draft.uid}")
        if not st.session_state.get(f"adding-{draft.uid}"):
            _add_button(draft)


def _taken_back(bench: Desk, draft: Draft) -> None:
    """Say what was changed by hand, and offer to take it back: undo instead of "are you sure"."""
    done, undone = draft.body["corrections"], draft.body["undone"]
    if not done and not undone:
        return
    with st.container(horizontal=True, key="by-hand", vertical_alignment="center"):
        if done:
            st.button(
                f"Undo: {pepper.said(done[-1])}",
                key="undo",
                on_click=partial(_change, bench, draft.uid, drafts.undo),
            )
        if undone:
            st.button(
                f"Do again: {pepper.said(undone[-1])}",
                key="redo",
                on_click=partial(_change, bench, draft.uid, drafts.redo),
            )
    if done:
        style.show_html(
            f'<p class="tl-small tl-quiet">By hand: {style.text("; ".join(map(pepper.said, done)))}.</p>'
        )


def _change(bench: Desk, uid: str, how: Callable[[drafts.Body], None]) -> None:
    drafts.change(bench.store, uid, how)


def _cards(bench: Desk, draft: Draft, pictures: jobs.Pictures | None) -> None:
    st.subheader("Pepper by pepper")
    with st.container(key="cards"):
        for one in draft.body["document"]["peppers"]:
            close = pictures.close.get(one["number"]) if pictures else None
            with st.container(key=f"card-{one['number']}"):
                with st.container(gap=None):
                    style.show_html(card_html(one, close))
                    pepper.ask(bench, draft, one)
                st.button(
                    "Look closer or correct",
                    key=f"correct-{one['number']}",
                    width="stretch",
                    on_click=partial(pepper.look_at, draft.uid, one["number"]),
                )
    style.show_html(f'<p class="tl-small tl-quiet">{style.text(GIVE_OR_TAKE)}</p>')


def card_html(one: Document, close: jobs.Close | None) -> str:
    """Return the card of one pepper: picture, figures, decisions with sign and word, what would settle it."""
    image = ""
    if close is not None:
        source = base64.b64encode(close.marked).decode("ascii")
        alt = style.text(f"{words.pepper_alt_text(one).capitalize()}, close up")
        image = f'<img alt="{alt}" src="data:image/jpeg;base64,{source}">'
    tags = "".join(f'<span class="tl-tag">{style.text(tag)}</span>' for tag in _tags(one))
    said = "".join(
        style.message_html(m["code"], m["text"], m["what_to_do"], "flag small") for m in one.get("messages", [])
    )
    figures = "".join(_figure_html(reading) for reading in words.readings(one))
    decisions = "".join(_decision_html(d) for d in one["decisions"])
    marks = "".join(f'<p class="tl-small">{style.text(line)}</p>' for line in mark_lines({"peppers": [one]}))
    settle = "".join(
        f'<p class="tl-next tl-small">{style.text(step)}</p>'
        for step in dict.fromkeys(d["what_would_settle"] for d in one["decisions"] if _open(d))
    )
    return (
        f'<article class="tl-card" aria-label="Pepper {one["number"]}">{image}<div>'
        f"<h3>Pepper {one['number']}{tags}</h3>{said}<dl>{figures}</dl><ul>{decisions}</ul>{marks}{settle}"
        "</div></article>"
    )


def _tags(one: Document) -> list[str]:
    tags = [one["colour"]] if one.get("colour") else []
    if one["pose"] != "lying":
        tags.append(one["pose"])
    if one["doubtful"]:
        tags.append(words.why_not_measured(one))
    return tags


def _open(decision: Document) -> bool:
    return decision["outcome"] == "too close" and bool(decision.get("what_would_settle"))


def _figure_html(reading: words.Reading) -> str:
    hand = '<span class="tl-tag">by hand</span>' if reading.by_hand else ""
    second = f"<small>{style.text(reading.second)}</small>" if reading.second else ""
    return (
        f"<dt>{style.text(reading.label)}</dt><dd><strong>{style.text(reading.first)}</strong>{hand}{second}</dd>"
    )


def _decision_html(decision: Document) -> str:
    about = f"{words.limit_words(decision)}{words.basis_words(decision)}"
    likely = words.chance(decision) if decision["outcome"] == "too close" else ""
    small = " · ".join(filter(None, [decision["rule"], likely]))
    return (
        f"<li>{style.sign(decision['outcome'])}<span><strong>{style.text(decision['outcome'])}</strong> "
        f'{style.text(about)} <small class="tl-quiet">({style.text(small)})</small></span></li>'
    )


def _table(document: Document) -> None:
    head = "".join(f"<th scope='col'>{name}</th>" for name in ("No.", "Color", *words.QUANTITY_WORDS.values()))
    lines = ""
    for one in document["peppers"]:
        cells = "".join(
            f"<td>{style.text(r.first)}<br><small class='tl-quiet'>{style.text(r.second)}</small></td>"
            for r in words.readings(one)
        )
        lines += (
            f"<tr><th scope='row'>{one['number']}</th><td>{style.text(one.get('colour') or '')}</td>{cells}</tr>"
        )
    st.subheader("All figures")
    style.show_html(
        f'<div class="tl-scroll" tabindex="0" role="region" aria-label="All figures"><table class="tl-table">'
        f"<thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table></div>"
    )


def _budgets(document: Document) -> None:
    """How sure each figure is and why, unfolded on demand."""
    pieces = []
    for one in document["peppers"]:
        for field, name in (
            ("diameter_mm", "Diameter"),
            ("length_mm", "Length"),
            ("not_fully_coloured", "Not fully colored"),
        ):
            figure = one.get(field)
            if figure and figure["budget"]:
                pieces.append(_budget_html(one["number"], name, figure, share=field == "not_fully_coloured"))
    if pieces:
        with st.expander("How sure, and why"):
            style.show_html(
                '<p class="tl-small">Each line is what one thing that is not known exactly moves the figure by, '
                "either way.</p>" + "".join(pieces)
            )


def _budget_html(number: int, name: str, figure: Document, *, share: bool) -> str:
    unit, factor = ("points", 100) if share else ("mm", 1)
    lines = sorted(figure["budget"], key=lambda line: -abs(line["effect"]))
    rows = "".join(
        f"<tr><td>{style.text(line['source'])}</td><td>{abs(line['effect']) * factor:.1f} {unit}</td>"
        f"<td>{_SHARED[line['shared_by']]}</td></tr>"
        for line in lines
    )
    total = f"{figure['standard_uncertainty'] * factor:.1f} {unit}"
    return (
        f'<details class="tl-fold"><summary>Pepper {number}, {name.lower()}: {total} in all</summary>'
        f'<div class="tl-scroll" tabindex="0" role="region" aria-label="Pepper {number}, {name.lower()}">'
        f'<table class="tl-table"><thead><tr><th scope="col">Not known exactly</th>'
        f'<th scope="col">Moves it by</th>'
        f'<th scope="col">Shared by</th></tr></thead><tbody>{rows}</tbody></table></div></details>'
    )


_SHARED = {
    "pepper": "this pepper alone",
    "photo": "all peppers of this photo",
    "print": "all photos with this print of the card",
    "camera": "all photos with this camera",
}


def _keep(bench: Desk, draft: Draft) -> None:
    document = draft.body["document"]
    refused = document["status"] == "refused"
    st.subheader("Keep it")
    if refused:
        style.show_html(
            '<p class="tl-small">The photo can be kept all the same; its figures read “not measured”.</p>'
        )
    key = f"title-{draft.uid}"
    title = st.text_input(
        "Title in the gallery",
        value=draft.body.get("title") or draft.uploads[0].name.rsplit(".", 1)[0],
        key=key,
        on_change=lambda: _change(bench, draft.uid, lambda body: body.update(title=st.session_state[key])),
    )
    who = ask_nickname(f"who-{draft.uid}")
    whole = _whole(draft, refused=refused)
    with st.container(horizontal=True):
        if st.button("Keep to gallery", type="primary", key="keep"):
            grade, defects = answer.kept_with(bench.store, draft)
            with st.spinner("Keeping it"):
                st.session_state["just-kept"] = bench.keep(draft, title, grade, defects, who=who, whole=whole)
            del st.query_params["draft"]
            st.rerun()
        if st.button("Throw away", key="throw"):
            moment = datetime.now(UTC).isoformat()
            drafts.change(bench.store, draft.uid, lambda body: body.update(thrown_at=moment))
            st.rerun()


def _whole(draft: Draft, *, refused: bool) -> bool:
    """Ask how much of the photo to keep; say so where nothing tells what to cut."""
    if refused:
        style.show_html(
            '<p class="tl-small">Card and plate were not found, so the photo is kept whole, with whatever stands '
            "around them.</p>"
        )
        return True
    return st.toggle(
        "Keep the whole photo",
        key=f"whole-{draft.uid}",
        help="Otherwise it is cut to plate and card, so that nobody standing behind the table is kept.",
    )


def _exports(draft: Draft, pictures: jobs.Pictures | None) -> None:
    document = draft.body["document"]
    name = partial(table.file_name, date.today(), ["plate", draft.uploads[0].name])
    st.subheader("Take it with you")
    with st.container(horizontal=True):
        st.download_button("Table (CSV)", table.as_csv(document), name("csv"), "text/csv", on_click="ignore")
        whole = json.dumps(document, ensure_ascii=False, indent=1)
        st.download_button("Everything (JSON)", whole, name("json"), "application/json", on_click="ignore")
        if pictures is not None:
            st.download_button("Picture (JPEG)", pictures.marked, name("jpg"), "image/jpeg", on_click="ignore")
