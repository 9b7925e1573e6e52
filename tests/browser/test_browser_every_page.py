"""Every page of the app, empty: no serious finding of the accessibility checker, nothing wider than a phone."""

import pytest
from tests.browser.looking import serious, settled, sideways

from truelobe.pages.navigation import available

pytestmark = pytest.mark.browser
PAGES = [entry.module for entry in available()]
GROUND = "getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor"


def test_every_page_passes_the_checker_on_a_phone_by_day_and_by_night(window, app):
    page = window(360)
    found = {}
    for module in PAGES:
        page.goto(f"{app}/{module}")
        page.wait_for_selector("h1")
        grounds = []
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            settled(page)
            grounds.append(page.evaluate(GROUND))
            found[module, scheme] = serious(page) + (["wider than the phone"] if sideways(page) > 0 else [])
        assert grounds[0] != grounds[1], f"{module} looks the same by night"
    assert found == {key: [] for key in found}
