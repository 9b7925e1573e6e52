"""The drills of "Train the eye": one pepper, one answer, the truth at once."""

from __future__ import annotations

import streamlit as st

from truelobe.pages import style
from truelobe.practice.blocks import BARE, Answer, Block, Blocks, Kind, Role
from truelobe.practice.pictures import Picture, overlay, pictures, to_scale
from truelobe.practice.take_home import take_home
from truelobe.practice.telling import CALLS, FOCUSES, KINDS, SIZES_MM, asks, both_units, scale_words, tells


def show(blocks: Blocks, student: str) -> None:
    """Draw the choice of a drill, or the drill that the address names."""
    uid = st.query_params.get("block")
    if not uid:
        _choose(blocks, student)
        return
    block = blocks.get(uid)
    if block.student != student:
        st.query_params.pop("block")
        st.rerun()
    told = st.session_state.get(f"told-{uid}", 0)
    if (
        block.answers
        and told < len(block.answers)
        and f"told-{uid}" in st.session_state
        and block.role == "practice"
    ):
        _truth(blocks, block, block.answers[-1])
    elif block.showing is None:
        _done(block)
    else:
        _ask(blocks, block, block.showing)


def _choose(blocks: Blocks, student: str) -> None:
    style.lead("Ten peppers, one at a time. Stop whenever you like; every answer is kept.")
    wanted_kind = st.query_params.get("kind", "percent")
    wanted_focus = st.query_params.get("focus", "")
    names = list(KINDS)
    kind = st.selectbox(
        "Drill",
        names,
        index=names.index(wanted_kind) if wanted_kind in names else 0,
        format_func=KINDS.__getitem__,
    )
    focus = ""
    if kind in FOCUSES:
        known = list(FOCUSES[kind])
        focus = st.selectbox(
            "About",
            known,
            index=known.index(wanted_focus) if wanted_focus in known else 0,
            format_func=FOCUSES[kind].__getitem__,
            key=f"focus-{kind}",
        )
    if st.button("Begin", type="primary", width="stretch"):
        _begin(blocks, student, kind, "practice", focus)
    if kind in ("percent", "threshold"):
        st.caption(blocks.shelf.known().words)
    before, after = _probe_counts(blocks, student)
    with st.expander("Test: before and after"):
        st.write(
            "Seventy pictures before you practice and seventy alike afterwards show whether your eye has become "
            "better. No truth is shown during the test. Do a few at a time; you can stop anywhere."
        )
        if before < 70:
            st.caption(f"Before: {before} of 70 done.")
        if st.button("Go on with the test before", width="stretch", disabled=0 < after < 70):
            _begin(blocks, student, "percent", "before", "")
        if st.button("Go on with the test after", width="stretch", disabled=before < 70):
            _begin(blocks, student, "percent", "after", "")
    with st.expander("Take a drill home"):
        st.write("One file with twenty peppers, for any phone, without this tool. It carries its answers.")
        if st.button("Make the file"):
            some = sorted(pictures().values(), key=lambda p: p.id)[::7][:20]
            st.download_button("Save it", take_home(some), "train-the-eye.html", "text/html", type="primary")


def _probe_counts(blocks: Blocks, student: str) -> tuple[int, int]:
    rounds = blocks.probes(student)
    before, after = rounds[max(rounds)] if rounds else ([], [])
    return len(before), len(after)


def _begin(blocks: Blocks, student: str, kind: str, role: Role, focus: str) -> None:
    known: Kind = kind  # type: ignore[assignment]
    block = blocks.open(student, known, role, focus)
    st.query_params["block"] = block.uid
    st.session_state[f"told-{block.uid}"] = len(block.answers)
    st.rerun()


def _ask(blocks: Blocks, block: Block, picture: Picture) -> None:
    number = len(block.answers) + 1
    st.progress((number - 1) / block.length, text=f"Picture {number} of {block.length}")
    st.image(_shown(blocks, block, picture), width="stretch", alt="One pepper")
    key = f"{block.uid}-{number}"
    given = _percent_form(block, key) if block.kind in ("percent", "side") else None
    if block.kind == "size":
        given = _size_form(block, key)
    elif block.kind in ("threshold", "limit"):
        given = _call_buttons(block, key)
    if given is not None:
        st.session_state.setdefault(f"told-{block.uid}", number - 1)
        st.session_state[f"told-{block.uid}"] = number - 1
        blocks.answer(block.uid, number - 1, *given, picture=picture.id)
        st.rerun()
    _stop()


def _shown(blocks: Blocks, block: Block, picture: Picture) -> bytes:
    if block.kind in ("size", "limit"):
        return to_scale(picture, card=block.focus != BARE)
    return blocks.shelf.photo(picture)


def _percent_form(block: Block, key: str) -> tuple[float, ...] | None:
    asked = asks(block.kind)
    with st.form(key, border=False):
        value = st.number_input(asked, 0, 100, None, 1, key=f"n-{key}", placeholder="Percent")
        sent = st.form_submit_button("Answer", type="primary", width="stretch")
    if sent and value is None:
        st.caption("Type a whole number from 0 to 100.")
    return (float(value),) if sent and value is not None else None


def _size_form(block: Block, key: str) -> tuple[float, ...] | None:
    st.caption(scale_words(block.focus))
    with st.form(key, border=False):
        both = [
            st.selectbox(
                asked, SIZES_MM, index=None, format_func=both_units, key=f"{asked}-{key}", placeholder="Inches"
            )
            for asked in ("How wide is it here?", "How long, without the stem?")
        ]
        sent = st.form_submit_button("Answer", type="primary", width="stretch")
    if sent and None in both:
        st.caption("Choose both sizes.")
    return (float(both[0]), float(both[1])) if sent and both[0] and both[1] else None


def _call_buttons(block: Block, key: str) -> tuple[float, ...] | None:
    st.write(asks(block.kind))
    for column, (word, value) in zip(st.columns(3), CALLS.items(), strict=True):
        if column.button(word, key=f"{word}-{key}", width="stretch"):
            return (value,)
    return None


def _truth(blocks: Blocks, block: Block, answer: Answer) -> None:
    """Show the truth of an answer that has been kept."""
    picture = blocks.shelf.find(answer.picture)
    st.progress(len(block.answers) / block.length, text=f"Picture {len(block.answers)} of {block.length}")
    if block.kind == "side" and picture.side:
        st.image(overlay(pictures()[picture.side]), width="stretch", alt="The other side, counted skin hatched")
    elif block.kind in ("size", "limit"):
        st.image(_shown(blocks, block, picture), width="stretch", alt="The pepper beside a bank card")
    else:
        st.image(blocks.shelf.overlay(picture), width="stretch", alt="The pepper, counted skin hatched")
    style.lead(tells(block.kind, answer, picture))
    if picture.own:
        st.caption("Hatched: the least ripe skin by its color, as much of it as was measured.")
    if st.button("Next", type="primary", width="stretch"):
        st.session_state[f"told-{block.uid}"] = len(block.answers)
        st.rerun()
    _stop()


def _done(block: Block) -> None:
    style.lead(f"Done: {block.length} pictures. All answers are kept.")
    left, right = st.columns(2)
    if left.button("Ten more", type="primary", width="stretch"):
        st.query_params.pop("block")
        st.rerun()
    if right.button("See my eye", width="stretch"):
        st.query_params.pop("block")
        st.query_params["part"] = "My eye"
        st.rerun()


def _stop() -> None:
    if st.button("Stop here", width="stretch"):
        st.query_params.pop("block")
        st.rerun()
