"""Who is working: a nickname, asked where something is kept or changed, remembered from page to page."""

from __future__ import annotations

import streamlit as st

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
