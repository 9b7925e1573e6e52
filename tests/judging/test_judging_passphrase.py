"""The coach's pages are opened to other devices only behind a passphrase."""

from datetime import timedelta

import pytest
from streamlit.testing.v1 import AppTest

from truelobe.judging.passphrase import Passphrase
from truelobe.judging.roster import FREE_TRIES
from truelobe.messages import TruelobeError
from truelobe.pages.options import command_line
from truelobe.store.base import now

WORDS = "seven quiet copper kettles"
APP = """
import streamlit as st
from truelobe.pages import gate
if gate.passed():
    st.write("inside")
else:
    gate.ask()
"""


def test_it_is_kept_as_a_hash_and_guessing_is_slowed(new_store):
    store = new_store("sqlite")
    gate, at = Passphrase(store), now()
    with pytest.raises(TruelobeError, match="no passphrase is set"):
        gate.check(WORDS)
    with pytest.raises(TruelobeError, match="12 letters"):
        gate.set("too short")
    gate.set(f"  {WORDS} ")
    kept = str(store.settings.get("coach passphrase"))
    assert kept.startswith("$argon2id$")
    assert "kettles" not in kept
    gate.check(WORDS, at)
    codes = []
    for _ in range(FREE_TRIES + 1):
        with pytest.raises(TruelobeError) as told:
            gate.check("seven quiet copper pots", at)
        codes.append(told.value.message.code)
    assert codes == ["passphrase-wrong"] * FREE_TRIES + ["passphrase-wait"]
    with pytest.raises(TruelobeError, match="Too many"):
        gate.check(WORDS, at)  # the right one waits too
    gate.check(WORDS, at + timedelta(seconds=20))


def test_every_browser_is_asked_once_the_pages_are_open_to_a_network(new_store, monkeypatch):
    store = new_store("sqlite")
    Passphrase(store).set(WORDS)
    monkeypatch.setattr("truelobe.pages.gallery_store.opened_store", lambda: store)
    place = {"at": "0.0.0.0"}
    monkeypatch.setattr("streamlit.get_option", lambda name: place["at"] if name == "server.address" else None)
    app = AppTest.from_string(APP, default_timeout=30).run()
    assert not app.markdown
    assert "could read what is sent" in app.caption[0].value
    app.text_input[0].set_value("something else entirely")
    app.button[0].click()
    assert not app.run().markdown
    app.text_input[0].set_value(WORDS)
    app.button[0].click()
    assert [m.value for m in app.run().markdown] == ["inside"]
    place["at"] = "127.0.0.1"
    assert [m.value for m in AppTest.from_string(APP, default_timeout=30).run().markdown] == ["inside"]


def test_the_pages_stay_on_this_machine_unless_they_are_opened():
    assert "--server.address=127.0.0.1" in command_line()
    opened = command_line("192.0.2.7")
    assert "--server.address=0.0.0.0" in opened
    assert "--server.allowedHosts=192.0.2.7" in opened
