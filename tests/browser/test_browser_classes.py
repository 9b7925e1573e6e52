"""A practice evening in a real Chromium: a class is set, placed on three phones, and led to its critique."""

import re
import sys
import time
from contextlib import suppress

import pytest
from playwright.sync_api import Error
from tests.browser.looking import PATIENCE_MS, settled
from tests.browser.serving import listens
from tests.judging.judging_plates import photo

pytestmark = pytest.mark.browser
DRAWN = "[...document.images].length === 4 && [...document.images].every((one) => one.naturalWidth > 0)"


def until(true, page):
    """Look again and again; for what no `wait_for` of the browser's can see."""
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while not true():
        assert time.monotonic() < deadline
        page.wait_for_timeout(200)


def tap_on_a_slow_network(phone, placing):
    """Tap faster than the answers come: what was tapped stands, whatever an older answer says."""
    held = []
    phone.route("**/api/tap", lambda route: held.append(route))
    keys = phone.locator(".tl-keys")
    for n, plate in enumerate(placing, start=1):
        keys.get_by_role("button", name=f"Plate {plate}:").tap()
        assert placed(phone) == placing[:n] + "·" * (4 - n)
    for n in range(len(placing)):  # one is sent after the other
        until(lambda n=n: len(held) > n, phone)
        assert placed(phone).startswith(placing)
        let_go(held[n])
    phone.unroute("**/api/tap")
    for route in held:
        let_go(route)
    phone.get_by_text("Not sent yet").wait_for(state="hidden")
    assert placed(phone).startswith(placing)


def let_go(route):
    with suppress(Error):  # gone already, or given up by a page that waits no longer and sends again
        route.continue_()


def placed(phone):
    return "".join(phone.locator(".tl-slots b").all_inner_texts())


def lose_every_picture_once(phone):
    lost = set()

    def answer(route):
        if route.request.url in lost:
            route.continue_()
        else:
            lost.add(route.request.url)
            route.abort()

    phone.route("**/picture/*", answer)
    return lost


class Taps:
    """Counts what a coach has to press and type."""

    def __init__(self, page):
        self.page, self.count = page, 0

    def click(self, name, role="button"):
        self.count += 1
        self.page.get_by_role(role, name=name).first.click()
        settled(self.page)

    def click_until(self, name, words):
        """A picture that comes just now can move a button away from under the hand: a person presses it again."""
        for _ in range(4):
            self.click(name)
            with suppress(Error):
                return self.page.get_by_text(words).wait_for(timeout=20_000)
        raise AssertionError(f"{name} never led to: {words}")

    def fill(self, label, words):
        self.count += 1
        self.page.get_by_label(label, exact=False).first.fill(words)


def test_a_class_is_set_placed_on_three_phones_and_led(fresh_app, window, tmp_path):
    coach = window(1280)
    began = time.monotonic()
    coach.goto(f"{fresh_app}/team")
    settled(coach)
    taps = Taps(coach)
    taps.fill("New nicknames", "Robin\nJune bug\nPebble")
    taps.click("Add to the roster")
    words = dict(re.findall(r"(Robin|June bug|Pebble)\s+([a-z]+ \d\d)", coach.inner_text("table")))
    assert len(words) == 3
    taps.click("Open to the team")
    address = coach.wait_for_selector("h2:has-text('http://')").inner_text()
    port = int(address.rsplit(":", 1)[1])

    coach.goto(f"{fresh_app}/set_class")
    settled(coach)
    taps.fill("Name of the class", "Red bells, class 1")
    taps.click("Start this class")
    coach.get_by_text("Add new photos").click()
    files = []
    for n in range(4):
        path = tmp_path / f"plate{n}.jpg"
        path.write_bytes(photo(20 * n))
        files.append(str(path))
    coach.locator("input[type=file]").set_input_files(files)
    settled(coach)
    taps.click("Put them on the free numbers")  # takes a moment; the coach goes on meanwhile
    taps.fill("Official placing, best", "3142")
    for label, cut in (("top pair", "2"), ("middle pair", "5"), ("bottom pair", "3")):
        taps.fill(f"Cut, {label}", cut)
    taps.click_until("Keep placing and cuts", "a guess averages 32.5")
    for number in "1234":
        coach.get_by_role("img", name=f"Plate {number}", exact=True).wait_for()
    assert time.monotonic() - began < 600
    assert taps.count < 40
    coach.screenshot(path=tmp_path / "set.png", full_page=True)

    coach.goto(f"{fresh_app}/lead_class")
    settled(coach)
    taps.click("Open Red bells, class 1")
    phones = []
    for name in words:
        phone = window(360, height=740, touch=True)
        phone.goto(f"http://127.0.0.1:{port}/")
        phone.get_by_role("button", name=name).tap()
        phone.get_by_label("The word on your slip").fill(words[name])
        phone.get_by_role("button", name="Come in").tap()
        phone.get_by_text("The clock starts for everyone at once").wait_for()
        phones.append(phone)
    lost = lose_every_picture_once(phones[0])
    taps.click("Start the clock")
    for phone, placing in zip(phones, ("3142", "1342", "2413"), strict=True):
        phone.locator(".tl-clock").wait_for()
        assert phone.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
        tap_on_a_slow_network(phone, placing[:2])
    # The page's policy forbids what `wait_for_function` would do.
    until(lambda: phones[0].evaluate(DRAWN), phones[0])
    assert len(lost) == 4
    assert "null" not in phones[0].inner_text("main")
    phones[0].screenshot(path=tmp_path / "phone-placing.png")
    phones[0].get_by_role("button", name="Look closer at plate 2").tap()
    phones[0].get_by_role("button", name="Larger").tap()
    phones[0].screenshot(path=tmp_path / "phone-zoom.png")
    phones[0].get_by_role("button", name="Close", exact=True).tap()

    phones[1].context.set_offline(True)  # the network is gone; what is tapped waits in the phone
    for plate in "42":
        phones[1].locator(".tl-keys").get_by_role("button", name=f"Plate {plate}:").tap()
    phones[1].get_by_text("Not sent yet").wait_for()
    phones[1].context.set_offline(False)
    phones[1].get_by_text("Not sent yet").wait_for(state="hidden")
    phones[2].reload()
    phones[2].locator(".tl-slots b").first.wait_for()
    assert placed(phones[2]) == "24··"
    for phone, rest in zip(phones, ("42", "", "13"), strict=True):
        for plate in rest:
            phone.locator(".tl-keys").get_by_role("button", name=f"Plate {plate}:").tap()
        phone.get_by_role("button", name=re.compile("Hand in")).tap()
        phone.get_by_text("Handed in").wait_for()
    coach.get_by_text("3 in").wait_for()
    coach.screenshot(path=tmp_path / "lead.png", full_page=True)
    assert not any("3-1-4-2" in phone.content() for phone in phones[1:])

    taps.click("Open the critique")
    coach.get_by_text("Top pair: 3 over 1").wait_for()
    coach.get_by_text("1 of 3 had it").wait_for()
    taps.click("Next: middle pair")
    taps.click("Next: bottom pair")
    assert phones[0].get_by_text("of 50").count() == 0
    taps.click("Open the scores")
    for phone, points in zip(phones, ("50", "48", "15"), strict=True):
        phone.get_by_text("Official placing").wait_for()
        assert phone.locator(".tl-score").inner_text().startswith(points)
    assert phones[1].locator(".tl-pair").count() == 6
    assert phones[1].locator(".tl-all li").count() == 24
    assert "object" not in phones[1].inner_text("main")
    phones[1].screenshot(path=tmp_path / "phone-critique.png", full_page=True)
    coach.screenshot(path=tmp_path / "critique.png", full_page=True)
    taps.click("Finish this class")
    coach.goto(f"{fresh_app}/team")
    settled(coach)
    coach.screenshot(path=tmp_path / "team.png", full_page=True)
    taps.click("Close to the team")
    until(lambda: not listens(port), coach)
    print(f"coach's taps and fields: {taps.count}", file=sys.stderr)


def test_paper_cards_and_a_class_taken_alone_at_the_coachs_machine(fresh_app, window, tmp_path):
    coach = window(1280)
    taps = Taps(coach)
    coach.goto(f"{fresh_app}/team")
    settled(coach)
    names = [f"Card {n:02}" for n in range(15)]
    taps.fill("New nicknames", "\n".join(names))
    taps.click("Add to the roster")
    coach.goto(f"{fresh_app}/set_class")
    settled(coach)
    taps.fill("Name of the class", "Plates on the table")
    taps.click("Start this class")
    taps.fill("Official placing, best", "3142")
    for label, cut in (("top pair", "2"), ("middle pair", "5"), ("bottom pair", "3")):
        taps.fill(f"Cut, {label}", cut)
    taps.click_until("Keep placing and cuts", "a guess averages 32.5")

    coach.goto(f"{fresh_app}/place_class")
    settled(coach)
    coach.get_by_label("Who places?").fill("Card 00")
    coach.keyboard.press("Enter")
    settled(coach)
    taps.click("Start Plates on the table")
    for plate in "3142":
        coach.locator(".tl-keys").get_by_role("button", name=f"Plate {plate}:").click()
    coach.screenshot(path=tmp_path / "alone-placing.png")
    assert "3-1-4-2 50" not in coach.content()
    coach.get_by_role("button", name="Hand in 3-1-4-2").click()
    coach.get_by_text("Official placing").wait_for()
    assert coach.locator(".tl-score").inner_text().startswith("50")
    coach.screenshot(path=tmp_path / "alone-critique.png", full_page=True)

    coach.goto(f"{fresh_app}/lead_class")
    settled(coach)
    taps.click("Open Plates on the table")
    taps.click("Start the clock")
    cards = coach.locator(".tl-room-cards input")
    cards.first.wait_for()
    cards.first.fill("1123")
    coach.get_by_text("1 stands there twice").wait_for()
    began = time.monotonic()
    cards.first.fill("")
    cards.first.focus()
    rows = {
        row.split("\t")[0].strip(): n for n, row in enumerate(coach.locator(".tl-room-cards tr").all_inner_texts())
    }
    first = rows["Card 00"]
    cards.nth(first).focus()
    for _ in names:
        coach.keyboard.type("3142")
        coach.keyboard.press("Enter")
    coach.get_by_text("15 in").wait_for()
    assert time.monotonic() - began < 120
    coach.screenshot(path=tmp_path / "cards.png", full_page=True)
    taps.click("Open the critique")
    coach.get_by_text("15 of 15 had it").wait_for()
    for step in ("Next: middle pair", "Next: bottom pair", "Open the scores", "Finish this class"):
        taps.click(step)
