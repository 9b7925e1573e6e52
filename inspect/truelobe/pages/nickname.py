"""Who is working: a nickname typed where something is kept or changed, or tapped on the roster."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from truelobe.judging.roster import Student

_KEY = "my-nickname"


def ask_nickname(key: str) -> str:
    """Ask for the nickname, offering the one given last; return it."""
    typed = st.text_input(
        "Your nickname",
        nickname(),
        key=key,
        max_chars=60,
        placeholder="Stays on this machine unless an export asks for it",
    )
    st.session_state[_KEY] = typed
    return str(typed)


def nickname() -> str:
    """Return the nickname given last in this window, or nothing."""
    return str(st.session_state.get(_KEY, ""))


def choose_student(label: str, students: Mapping[str, Student], *, key: str) -> Student | None:
    """Let somebody tap a nickname of the roster, by its students' uid; None before that."""
    uid = st.selectbox(
        label,
        list(students),
        index=None,
        format_func=lambda one: students[one].nickname,
        placeholder="Choose your nickname",
        key=key,
    )
    return students.get(uid) if uid else None
