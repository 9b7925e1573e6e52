"""Page "Lead a class": one start for everyone, the clock on the large screen, paper cards, the critique."""

from __future__ import annotations

import streamlit as st

from truelobe.judging.classes import Classes, JudgingClass
from truelobe.judging.facts import pair_facts
from truelobe.judging.pictures import class_views, draw_view
from truelobe.judging.records import WHOLE_CRITIQUE, Session, Sheet, sheet_points
from truelobe.judging.roster import Roster
from truelobe.judging.scoring import all_placings, chance_mean, hint
from truelobe.judging.sessions import Sessions
from truelobe.judging.student_view import counts
from truelobe.messages import TruelobeError
from truelobe.pages import classroom, navigation, style
from truelobe.pages.gallery_store import opened_store
from truelobe.store import Store
from truelobe.store.base import now

_PAIRS = ("Top pair", "Middle pair", "Bottom pair")


def show() -> None:
    """Draw the page."""
    try:
        store = opened_store()
        sessions = Sessions(store)
        sessions.lapse()
        session = sessions.led_now()
        if session is None:
            _choose(store, sessions)
        else:
            _lead(store, sessions, session, Classes(store).get(session.class_uid))
    except TruelobeError as error:
        style.say(error.message)
    style.foot("Practice aid, not an inspection. A contest's own officials' placing and cuts prevail.")


def _choose(store: Store, sessions: Sessions) -> None:
    st.title("Lead a class")
    style.lead("One start for everyone: phones, paper cards and real plates alike.")
    ready = [one for one in Classes(store).all() if one.key is not None]
    if not ready:
        st.write("A class stands here once it has an official placing and cuts.")
        navigation.link("set_class", "Set a class")
        return
    for one in ready:
        if st.button(f"Open {one.title}", key=f"open-{one.uid}", type="primary", width="stretch"):
            sessions.open_led(one)
            st.rerun()


def _lead(store: Store, sessions: Sessions, session: Session, one: JudgingClass) -> None:
    st.title(one.title)
    if one.scenario:
        style.lead(one.scenario)
    if session.critique_step:
        _critique(store, sessions, session, one)
        return
    if session.started_at is None:
        _lobby(sessions, session)
    else:
        assert session.deadline is not None
        classroom.clock(session.deadline, session.seconds, key=f"clock-{session.uid}")
        _while_it_runs(sessions, session)
    _arrived(session.uid, sum(sheet.state != "open" for sheet in sessions.sheets(session.uid)))
    _pictures(store, one)
    with st.expander("Paper cards", expanded=session.started_at is not None):
        _cards(store, sessions, session)
    _ends(sessions, session)


def _lobby(sessions: Sessions, session: Session) -> None:
    st.write(f"{session.seconds} seconds to place. Phones wait with you.")
    if st.button("Start the clock", key="start", type="primary", width="stretch"):
        sessions.start(session.uid)
        st.rerun()


def _while_it_runs(sessions: Sessions, session: Session) -> None:
    assert session.deadline is not None
    if now() >= session.deadline:
        return
    first, second = st.columns(2)
    if first.button("30 seconds more", key="more-time", width="stretch"):
        sessions.lengthen(session.uid, 30)
        st.rerun()
    if second.button("End the clock now", key="stop", width="stretch"):
        sessions.stop(session.uid)
        st.rerun()


def _arrived(session_uid: str, known: int) -> None:
    """Say how many placings are in, twice every five seconds; never whose is how good."""

    @st.fragment(run_every=2.5)
    def watch() -> None:
        sessions = Sessions(opened_store())
        sessions.lapse()
        sheets = sessions.sheets(session_uid)
        done = sum(sheet.state != "open" for sheet in sheets)
        if done != known:
            st.rerun()  # the cards below say who handed in by phone
        st.write(f"**{done} in**, {len(sheets) - done} still placing.")
        for sheet in sheets:
            if sheet.late_placing:
                st.caption(
                    f"{sheet.nickname}: {sheet.late_placing} arrived after the end. Type it below if it counts."
                )

    watch()


@st.cache_data(max_entries=64, show_spinner=False)
def _drawn(class_uid: str, version: int) -> list[tuple[int, bytes]]:
    store = opened_store()
    views = class_views(store, Classes(store).get(class_uid))
    return [(n, draw_view(store, those[0])) for n, those in enumerate(views, start=1) if those]


def _pictures(store: Store, one: JudgingClass) -> None:
    if one.shown != "pictures" or not any(one.plates):
        return
    if st.toggle("Show the four plates here", key="show-plates"):
        columns = st.columns(2)
        for n, picture in _drawn(one.uid, one.version):
            with columns[(n - 1) % 2]:
                st.image(picture, caption=str(n), width="stretch", alt=f"Plate {n}")


def _cards(store: Store, sessions: Sessions, session: Session) -> None:
    students = Roster(store).all()
    if not students:
        navigation.link("team", "Add nicknames to the roster first")
        return
    st.caption("Four digits and Enter, card after card.")
    sheets = {sheet.student_uid: sheet for sheet in sessions.sheets(session.uid)}
    rows = [_row(student.uid, student.nickname, sheets.get(student.uid)) for student in students]
    typed = classroom.card_grid(rows, key=f"cards-{session.uid}")
    known = f"cards-kept-{session.uid}"
    kept: dict[str, str] = st.session_state.setdefault(known, {})
    fresh = {uid: card for uid, card in typed.items() if kept.get(uid) != card}
    for uid, card in fresh.items():
        if card:
            sessions.paper(session.uid, uid, card)
        elif uid in sheets and sheets[uid].state == "paper":
            sessions.clear(session.uid, uid)
    st.session_state[known] = kept | fresh
    if fresh:
        st.rerun()


def _row(uid: str, nickname: str, sheet: Sheet | None) -> dict[str, str]:
    notes = {"paper": "kept", "submitted": "from the phone", "taken": "taken by the clock", "open": "placing now"}
    note = notes[sheet.state] if sheet else ""
    if sheet and sheet.state in ("paper", "taken") and not sheet.whole:
        note = f"{note}, incomplete or impossible"
    hidden = sheet is None or sheet.state == "open"
    return {
        "student": uid,
        "nickname": nickname,
        "typed": "" if hidden or sheet is None else sheet.placing,
        "note": note,
    }


def _ends(sessions: Sessions, session: Session) -> None:
    st.divider()
    if session.started_at is not None and st.button("Open the critique", key="critique", type="primary"):
        sessions.show_critique(session.uid, 1)
        st.rerun()
    if st.button("Close this class", key="close"):
        sessions.close(session.uid)
        st.rerun()


def _critique(store: Store, sessions: Sessions, session: Session, one: JudgingClass) -> None:
    assert one.key is not None
    official, cuts = one.key
    plates = Classes(store).plates(one)
    sheets = sessions.sheets(session.uid)
    had = counts(sheets, one)
    step = session.critique_step
    for n in range(min(step, 3)):
        a, b, cut = official[n], official[n + 1], (cuts.top, cuts.middle, cuts.bottom)[n]
        right, of = had.get((a, b), (0, 0))
        st.subheader(f"{_PAIRS[n]}: {a} over {b}")
        style.lead(f"Cut {cut}, {hint(cut)}. {right} of {of} had it.")
        facts = pair_facts(plates[a - 1], plates[b - 1])
        for fact in (f for f in facts if f.real):
            st.markdown(f"- {'**Grant:** ' if fact.favours == b else ''}{fact.says}")
        if not any(f.real for f in facts):
            st.caption("Nothing on record sets the two apart: say what you saw.")
    _steps(sessions, session)
    if step >= WHOLE_CRITIQUE:
        _whole(one, sheets)


def _steps(sessions: Sessions, session: Session) -> None:
    step = session.critique_step
    if step < WHOLE_CRITIQUE:
        label = f"Next: {_PAIRS[step].lower()}" if step < 3 else "Open the scores, here and on the phones"
        if st.button(label, key=f"step-{step}", type="primary"):
            sessions.show_critique(session.uid, step + 1)
            st.rerun()
    elif st.button("Finish this class", key="finish", type="primary"):
        sessions.close(session.uid)
        st.rerun()


def _whole(one: JudgingClass, sheets: tuple[Sheet, ...]) -> None:
    assert one.key is not None
    official, cuts = one.key
    st.subheader(f"Official placing {'-'.join(map(str, official))}, cuts {cuts}")
    scored = [points for sheet in sheets if (points := sheet_points(sheet, one)) is not None]
    if scored:
        mean = sum(scored) / len(scored)
        style.lead(f"The team averages {mean:.1f} of 50; a guess averages {chance_mean(cuts):g}.")
    with st.expander("Score by nickname, for the coach's book"):
        rows = "".join(
            f"<tr><td>{style.text(s.nickname)}</td><td>{style.text(s.placing or 'blank')}</td>"
            f"<td>{style.text('left out' if (p := sheet_points(s, one)) is None else p)}</td></tr>"
            for s in sheets
        )
        head = "<tr><th>Nickname</th><th>Placing</th><th>Score</th></tr>"
        style.show_html(f'<table class="tl-table">{head}{rows}</table>')
    with st.expander("How all 24 placings score"):
        cells = "; ".join(f"{'-'.join(map(str, s.placing))} {s.points}" for s in all_placings(official, cuts))
        st.write(cells)
