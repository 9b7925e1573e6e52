"""Page "The team": the roster with its slips, and opening the student pages to the team's phones."""

from __future__ import annotations

import io
from datetime import datetime

import segno
import streamlit as st

from truelobe.judging.removal import remove_student
from truelobe.judging.roster import Roster, Student
from truelobe.judging.slips import slips_pdf
from truelobe.messages import TruelobeError
from truelobe.pages import style
from truelobe.pages.gallery_store import opened_store
from truelobe.pages.students.server import TeamServer, ask_to_stop, launch, own_address, running
from truelobe.store import Store

_SLIPS = "fresh slips"


def show() -> None:
    """Draw the page."""
    st.title("The team")
    try:
        store = opened_store()
        _server(store)
        _roster(store)
    except TruelobeError as error:
        style.say(error.message)
    style.foot("Nicknames only. Everything stays on this machine unless you export it.")


def _server(store: Store) -> None:
    st.subheader("Open to the team")
    found = running(store)
    if found is None:
        st.write(
            "Phones on the same network can then place classes. They see student pages only; your own pages "
            "stay on this machine."
        )
        st.caption("Plain http: whoever shares the network could read what is sent. Use a network you know.")
        st.caption(
            "Your own pages can be opened to another device as well, behind a passphrase: start the tool with "
            "`truelobe open --to-network`."
        )
        if st.button("Open to the team", key="open-team", type="primary"):
            launch(store)
            st.session_state["team-opening"] = True
        if st.session_state.get("team-opening"):
            _until_open()
        return
    st.session_state.pop("team-opening", None)
    _address(found)
    _phones()
    if st.button("Close to the team", key="close-team"):
        ask_to_stop(store)
        st.info("The student pages close within a few seconds.")


def _until_open() -> None:
    @st.fragment(run_every=1.0)
    def watch() -> None:
        if running(opened_store()):
            st.rerun()
        st.write("Opening.")

    watch()


def _address(found: TeamServer) -> None:
    everywhere = found.host in ("0.0.0.0", "::")
    address = f"http://{(own_address() or '127.0.0.1') if everywhere else found.host}:{found.port}"
    buffer = io.BytesIO()
    segno.make(address, error="m").save(buffer, kind="png", scale=8, border=4)
    first, second = st.columns([1, 1.4])
    first.image(buffer.getvalue(), width=260, alt=f"QR code of {address}")
    second.markdown(f"## {address}")
    second.write("Point a phone's camera at the code, or type the address.")


def _phones() -> None:
    @st.fragment(run_every=3.0)
    def watch() -> None:
        found = running(opened_store())
        if found is None:
            st.rerun()
        elif found.first_phone_at:
            at = datetime.fromisoformat(found.first_phone_at).astimezone()
            st.write(f"**The first phone arrived at {at:%H:%M}.** {found.phones} so far.")
        else:
            style.show_html(
                style.message_html(
                    "no-phone-yet",
                    "No phone has arrived yet.",
                    "Some school networks keep devices apart. Then use a phone's hotspot for this machine and "
                    "the others, a small router of your own, or paper cards. This machine's firewall may ask too.",
                    "note",
                )
            )

    watch()


def _roster(store: Store) -> None:
    st.subheader("Roster")
    roster = Roster(store)
    slips: dict[str, str] = st.session_state.setdefault(_SLIPS, {})
    with st.form("add-students", clear_on_submit=True, border=False):
        typed = st.text_area(
            "New nicknames, one a line", placeholder="Robin\nJune bug", height=110, max_chars=4000
        )
        if st.form_submit_button("Add to the roster"):
            for line in filter(None, map(str.strip, typed.splitlines())):
                student, word = roster.add(line)
                slips[student.nickname] = word
    if slips:
        _slips(slips)
    if "removed" in st.session_state:
        st.warning(st.session_state.pop("removed"))
    students = roster.all()
    if not students:
        style.lead("Nicknames, not names: whoever finds this list should not learn who the students are.")
    for student in students:
        with st.expander(student.nickname):
            _student(roster, store, student, students)


def _slips(slips: dict[str, str]) -> None:
    st.write("Print the slips now: each word is shown this once, and kept only as a fingerprint.")
    rows = "".join(f"<tr><td>{style.text(n)}</td><td>{style.text(w)}</td></tr>" for n, w in slips.items())
    style.show_html(f'<table class="tl-table"><tr><th>Nickname</th><th>Word</th></tr>{rows}</table>')
    st.download_button("Slips to print (PDF)", slips_pdf(slips), "slips.pdf", "application/pdf", key="slips")
    if st.button("Done, hide the words", key="hide-words"):
        slips.clear()
        st.rerun()


def _student(roster: Roster, store: Store, student: Student, students: tuple[Student, ...]) -> None:
    uid = student.uid
    st.caption(f"Known on {student.devices} device{'s' * (student.devices != 1)}.")
    if st.button("New word", key=f"word-{uid}"):
        st.session_state[_SLIPS][student.nickname] = roster.new_word(uid)
        st.rerun()
    if st.button("Let in again at once after wrong words", key=f"forgive-{uid}"):
        roster.forgive(uid)
    name = st.text_input("Nickname", student.nickname, key=f"name-{uid}", max_chars=40)
    if name != student.nickname and st.button("Rename", key=f"rename-{uid}"):
        roster.rename(uid, name)
        st.rerun()
    others = {s.uid: s.nickname for s in students if s.uid != uid}
    double = st.selectbox(
        "The same student stands here twice, as",
        list(others),
        index=None,
        format_func=lambda one: others[one],
        key=f"double-{uid}",
    )
    if double and st.button(f"Join both as {student.nickname}", key=f"join-{uid}"):
        roster.merge(uid, double)
        st.rerun()
    sure = st.checkbox("Remove with every placing and answer. This can't be undone", key=f"sure-{uid}")
    if st.button("Remove", key=f"remove-{uid}", disabled=not sure):
        gone = remove_student(store, uid)
        copies = "; ".join(gone.copies) or "any backup or bundle that was written before"
        st.session_state["removed"] = f"{gone.nickname} is removed. Copies that may still hold it: {copies}."
        st.rerun()
