"""Every page of the app, empty: no serious finding of the accessibility checker, nothing wider than a phone."""

import pytest
from tests.browser.looking import serious, settled, sideways

from truelobe.pages.navigation import available

pytestmark = pytest.mark.browser
PAGES = [entry.module for entry in available()]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_passes_the_checker_on_a_phone(window, app, scheme):
    page = window(360, scheme=scheme)
    found = {}
    for module in PAGES:
        page.goto(f"{app}/{module}")
        page.wait_for_selector("h1")
        settled(page)
        found[module] = serious(page) + (["wider than the phone"] if sideways(page) > 0 else [])
    assert found == {module: [] for module in PAGES}
