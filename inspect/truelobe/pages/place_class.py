"""Page "Place a class": a student at the coach's own machine; phones have the same on the team's server."""

from __future__ import annotations

from typing import Any

import streamlit as st

from truelobe.judging.classes import Classes
from truelobe.judging.pictures import draw_view
from truelobe.judging.records import WHOLE_CRITIQUE
from truelobe.judging.roster import Roster, Student
from truelobe.judging.sessions import Sessions
from truelobe.judging.student_view import StudentDesk, student_tap
from truelobe.messages import TruelobeError
from truelobe.pages import classroom, style
from truelobe.pages.gallery_store import opened_store
from truelobe.pages.nickname import choose_student
from truelobe.store import Store


@st.cache_resource(show_spinner=False)
def student_desk() -> StudentDesk:
    """Return the one desk of this process."""
    return StudentDesk(opened_store())


@st.cache_data(max_entries=32, show_spinner=False)
def picture(name: str, student: str) -> bytes:
    """Return a picture of a class as WebP, if this student may look at it now.

    Raises
    ------
    TruelobeError
        ``not-found``.
    """
    view = student_desk().picture(student, name)
    if view is None:
        raise TruelobeError("not-found", "This picture is not open.", "Go back to the class.")
    return draw_view(opened_store(), view)


def show() -> None:
    """Draw the page."""
    try:
        _draw(opened_store())
    except TruelobeError as error:
        style.say(error.message)
    style.foot("Practice aid, not an inspection.")


def _draw(store: Store) -> None:
    students = {s.uid: s for s in Roster(store).all()}
    if not students:
        st.title("Place a class")
        style.lead("Put a nickname on the roster first; then a class can be placed here or on phones.")
        _to_the_roster()
        return
    student = choose_student("Who places?", students, key="placing-who")
    if student is None:
        st.title("Place a class")
        return
    shown = st.query_params.get("session")
    view = student_desk().view(student.uid)
    if shown and not view["class"]:
        view["class"] = _finished(student, shown)
    if view["class"]:
        _class(store, student, view)
    else:
        _choose(store, student)


def _to_the_roster() -> None:
    """Lead to the roster."""
    from truelobe.pages import navigation

    navigation.link("team", "Add nicknames")


def _finished(student: Student, session: str) -> dict[str, Any] | None:
    try:
        return student_desk().finished(student.uid, session)
    except TruelobeError:  # another student's, or not open: the choice of classes is shown instead
        del st.query_params["session"]
        return None


def _class(store: Store, student: Student, view: dict[str, Any]) -> None:
    one = view["class"]
    names = [seen["src"] for plate in one["plates"] for seen in plate["views"]]
    pictures = {name: picture(name, student.uid) for name in names}
    st.query_params["session"] = one["session"]
    taps = classroom.placing(view, pictures, key=f"placing-{one['session']}-{student.uid}")
    for tap in taps:
        if tap.get("session") == one["session"] and one["state"] == "open":
            student_tap(Sessions(store), student.uid, tap)
    Sessions(store).lapse()
    session = Sessions(store).get(one["session"])
    if session.critique_step == WHOLE_CRITIQUE and "critique" not in one:
        st.rerun()
    if session.led and session.critique_step != WHOLE_CRITIQUE:
        _watch(one["session"], session.critique_step, session.started_at is not None)
    if "critique" in one and st.button("Another class", key="another"):
        del st.query_params["session"]
        st.rerun()


def _watch(session: str, step: int, started: bool) -> None:
    """Look every two seconds whether the coach has started the clock or opened the critique."""

    @st.fragment(run_every=2.0)
    def watch() -> None:
        now_ = Sessions(opened_store()).get(session)
        if (now_.critique_step, now_.started_at is not None) != (step, started) or now_.closed_at is not None:
            st.rerun()

    watch()


def _choose(store: Store, student: Student) -> None:
    st.title("Place a class")
    sessions = Sessions(store)
    taken = {s.class_uid: s for s in sessions.of_student(student.uid)}
    sheets = {sheet.session_uid for sheet in sessions.sheets_of(student.uid)}
    taken |= {s.class_uid: s for s in sessions.all() if s.led and s.uid in sheets}
    ready = [c for c in Classes(store).all() if c.key is not None]
    fresh = [c for c in ready if c.uid not in taken]
    if fresh:
        style.lead("Take one when you are ready. The clock starts at once.")
    else:
        style.lead("No class waits for you. The coach sets one under “Set a class”.")
    for one in fresh:
        if st.button(f"Start {one.title}", key=f"begin-{one.uid}", type="primary", width="stretch"):
            begun = sessions.begin_alone(one, student.uid, any_class=True)
            st.query_params["session"] = begun.uid
            st.rerun()
    done = [(c, taken[c.uid]) for c in ready if c.uid in taken and taken[c.uid].critique_step == WHOLE_CRITIQUE]
    if done:
        st.subheader("Placed before")
    for one, session in done:
        if st.button(one.title, key=f"look-{session.uid}", width="stretch"):
            st.query_params["session"] = session.uid
            st.rerun()
