"""The gate before the coach's pages once other devices can reach them: nothing is drawn before the passphrase."""

from __future__ import annotations

import streamlit as st

from truelobe.judging.passphrase import RISK, Passphrase
from truelobe.messages import TruelobeError
from truelobe.pages import gallery_store, style

_IN = "passed the gate"


def passed() -> bool:
    """Tell whether the pages may be drawn here.

    On this machine alone nothing asks. Open to a network, every browser is asked, this machine's own too: where a
    call comes from is easily pretended.
    """
    if st.get_option("server.address") in ("127.0.0.1", "localhost", "::1"):
        return True
    return bool(st.session_state.get(_IN))


def ask() -> None:
    """Ask for the passphrase, and open the gate to the right one."""
    st.title("The coach's pages")
    with st.form("gate"):
        words = st.text_input("Passphrase", type="password")
        sent = st.form_submit_button("Come in", type="primary")
    st.caption(RISK)
    if not sent:
        return
    try:
        Passphrase(gallery_store.opened_store()).check(words)
    except TruelobeError as error:
        style.say(error.message)
        return
    st.session_state[_IN] = True
    st.rerun()
