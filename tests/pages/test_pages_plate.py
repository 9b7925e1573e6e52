"""The pieces of HTML that show a plate: every word of a document is made safe, signs differ by shape."""

from html.parser import HTMLParser

import pytest
from streamlit.testing.v1 import AppTest
from tests.pages import example_plate

from truelobe.pages import drafts, plate, style
from truelobe.store import open_store


class Reader(HTMLParser):
    """Collect the tags and the text of a piece of HTML."""

    def __init__(self):
        super().__init__()
        self.tags, self.words = [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_data(self, data):
        self.words.append(data)


def read(piece):
    reader = Reader()
    reader.feed(piece)
    return reader


def test_a_card_says_each_outcome_by_sign_and_word():
    pepper = example_plate.document()["peppers"][2]
    reader = read(plate.card_html(pepper, None))
    signs = [attributes["class"] for tag, attributes in reader.tags if "tl-sign" in attributes.get("class", "")]
    words = " ".join(reader.words)
    for decision in pepper["decisions"]:
        assert f"tl-sign {decision['outcome'].replace(' ', '-')}" in signs
        assert decision["outcome"] in words
    assert "too close" in words
    assert "59\u00a0% likely met" in words


def test_words_of_a_document_cannot_become_markup():
    pepper = example_plate.document()["peppers"][0]
    bad = "<img src=x onerror=alert(1)>"
    pepper = pepper | {"colour": bad, "decisions": [pepper["decisions"][0] | {"rule": bad}]}
    assert not [tag for tag, _ in read(plate.card_html(pepper, None)).tags if tag == "img"]
    assert not [tag for tag, _ in read(style.message_html("a", bad, bad)).tags if tag == "img"]


def test_every_outcome_has_a_sign_and_the_decided_ones_their_own():
    outcomes = ("met", "missed", "too close", "not seen", "not checked", "limit not entered", "not applicable")
    signs = [style.sign(outcome) for outcome in outcomes]
    assert len(set(signs)) == 4
    assert len(set(signs[3:])) == 1


def test_a_number_stays_with_its_unit():
    assert style.text("82 mm, 15 % and 2-1/2 in") == "82\u00a0mm, 15\u00a0% and 2\u20111/2\u00a0in"


def _asked(home, uid, number):
    """The page of `test_one_tap_answers_what_a_card_asks`: one card's question."""
    from types import SimpleNamespace

    from truelobe.pages import pepper
    from truelobe.store import open_store

    store = open_store(home)
    draft = store.drafts.get(uid)
    pepper.ask(SimpleNamespace(store=store), draft, draft.body["document"]["peppers"][number - 1])
    store.close()


@pytest.mark.parametrize(
    ("number", "other", "answers", "tapped", "written"),
    [
        (1, "green", ["Red", "Green"], "Green", {"kind": "colour", "word": "green"}),
        (1, None, [], None, None),
        (5, None, ["Yes, keep it", "No, remove it"], "No, remove it", {"kind": "remove"}),
    ],
)
def test_one_tap_answers_what_a_card_asks(tmp_path, number, other, answers, tapped, written):
    document = example_plate.document()
    document["peppers"][number - 1]["other_colour"] = other
    store = open_store(tmp_path)
    uid = store.drafts.start(drafts.KIND, drafts.empty_body() | {"document": document}).uid
    page = AppTest.from_function(_asked, args=(tmp_path, uid, number), default_timeout=60).run()
    assert [button.label for button in page.button] == answers
    for _ in answers[:1] * 2:  # twice, as an impatient thumb does
        next(button for button in page.button if button.label == tapped).click().run()
    assert not page.exception
    corrections = store.drafts.get(uid).body["corrections"]
    place = document["peppers"][number - 1]["centre_px"]
    assert corrections == ([] if written is None else [written | {"at": place}])
    store.close()
