"""Page "Train the eye": a lesson, drills one pepper at a time, how one's eye is doing, and who needs what.

The truth of a picture is read only once its answer is in the store; until then a browser gets the bare picture,
under a name made from its bytes. Where one stands is in the store and in the address: leaving loses nothing.
"""

from __future__ import annotations

import streamlit as st

from truelobe.judging.roster import Roster, Student
from truelobe.messages import TruelobeError
from truelobe.pages import style, train_drill, train_hand, train_lesson, train_results
from truelobe.practice.blocks import Blocks
from truelobe.store import Store, open_store

PARTS = ("Lesson", "Drill", "My eye", "By hand", "Team")


@st.cache_resource(show_spinner=False)
def _store() -> Store:
    return open_store()


def show() -> None:
    """Draw the page."""
    st.title("Train the eye")
    try:
        _draw(_store())
    except TruelobeError as error:
        style.say(error.message)
    style.foot("Practice aid, not an inspection. Shipped pictures are rendered, so their truth is exact.")


def _draw(store: Store) -> None:
    asked = st.query_params.get("part", "Lesson")
    part = st.segmented_control(
        "Part",
        PARTS,
        default=asked if asked in PARTS else "Lesson",
        label_visibility="collapsed",
        key=f"part-{asked}",
    )
    if part and part != asked:
        st.query_params["part"] = part
        st.rerun()
    if part == "Lesson":
        train_lesson.show(store)
        return
    students = Roster(store).all()
    if not students:
        _first_nickname(store)
        return
    if part == "Team":
        train_results.show_team(Blocks(store), students)
        return
    student = _who(students)
    if student is None:
        style.lead("Tap your nickname.")
    elif part == "Drill":
        train_drill.show(Blocks(store), student.uid)
    elif part == "By hand":
        train_hand.show(store, student.uid)
    else:
        train_results.show_student(Blocks(store), student.uid, student.nickname)


def _who(students: tuple[Student, ...]) -> Student | None:
    """Return who is training, as chosen here or named by the address."""
    by_uid = {s.uid: s for s in students}
    asked = st.query_params.get("student", "")
    if asked in by_uid and "block" in st.query_params:  # while a drill runs, the picture has the room
        return by_uid[asked]
    uids = list(by_uid)
    chosen = st.selectbox(
        "Nickname",
        uids,
        index=uids.index(asked) if asked in by_uid else None,
        format_func=lambda uid: by_uid[uid].nickname,
        placeholder="Who are you?",
    )
    if chosen and chosen != asked:
        st.query_params["student"] = chosen
        st.query_params.pop("block", None)
        st.rerun()
    return by_uid.get(chosen) if chosen else None


def _first_nickname(store: Store) -> None:
    style.lead("Nobody is on the roster yet. A nickname is enough; no real name.")
    with st.form("first-nickname"):
        typed = st.text_input("Nickname")
        if st.form_submit_button("Add and begin", type="primary"):
            student, _ = Roster(store).add(typed)
            st.query_params["student"] = student.uid
            st.rerun()
