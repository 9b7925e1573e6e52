"""The one open store that the pages share."""

from __future__ import annotations

import streamlit as st

from truelobe.store import Store, open_store


@st.cache_resource(show_spinner=False)
def opened_store() -> Store:
    """Return the one open store of this process."""
    return open_store()
