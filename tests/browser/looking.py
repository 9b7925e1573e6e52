"""Looking at a page: wait until it stands still, ask the accessibility checker, see if it runs off sideways."""

from axe_playwright_python.sync_playwright import Axe

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
PATIENCE_MS = 90_000  # a busy machine is slow; how long things take is measured, not waited for


def serious(page):
    """What the checker calls serious or critical, as readable lines."""
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}}).response["violations"]
    return [
        f"{one['id']}: {one['help']}: {node['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def settled(page):
    """Wait until Streamlit has drawn everything."""
    page.wait_for_selector("[data-testid='stApp'][data-test-script-state='notRunning']")
    page.wait_for_timeout(250)


def sideways(page):
    """How many pixels the page is wider than its window."""
    return page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
