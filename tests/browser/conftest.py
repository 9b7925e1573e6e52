"""A running app and a real Chromium for the browser tests.

The app is started by `truelobe open` from an empty folder, as somebody would who installed it; its store is new.
"""

import shutil

import pytest
from _pytest.runner import runtestprotocol
from tests.browser.looking import PATIENCE_MS
from tests.browser.serving import serving

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def pytest_runtest_protocol(item, nextitem):
    """Try a browser test that failed once more; the run's end names it and what it said the first time.

    On a busy machine a page may be drawn anew just under a tap or a key, which is then lost. A person taps again;
    a test starts again. What fails twice has failed.
    """
    if item.get_closest_marker("browser") is None:
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    reports = runtestprotocol(item, nextitem=nextitem, log=False)
    said = next((report.longreprtext.strip().splitlines()[-1] for report in reports if report.failed), None)
    if said is not None:
        item._initrequest()
        reports = runtestprotocol(item, nextitem=nextitem, log=False)
        for report in reports:
            report.user_properties.append(("again", said))
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


@pytest.fixture(scope="session")
def app(tmp_path_factory):
    """The address of a running app, shared by the tests of one worker that leave nothing another one minds."""
    with _served(tmp_path_factory) as address:
        yield address


@pytest.fixture
def fresh_app(tmp_path_factory):
    """The address of an app with an empty store, for a test that minds what others left."""
    with _served(tmp_path_factory) as address:
        yield address


def _served(tmp_path_factory):
    start = "import sys; from truelobe.cli import main; sys.exit(main())"
    return serving(
        ["-P", "-c", start, "open", "--no-browser", "--port"],
        home=tmp_path_factory.mktemp("home"),
        folder=tmp_path_factory.mktemp("elsewhere"),
    )


@pytest.fixture(scope="session")
def chromium():
    """A headless Chromium of this machine."""
    from playwright.sync_api import sync_playwright

    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def window(chromium):
    """Open a window of a given width; errors of the page's own scripts fail the test."""
    contexts, errors = [], []

    def open_window(width, *, scheme="light", height=900, touch=False):
        context = chromium.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            has_touch=touch,
            accept_downloads=True,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("pageerror", lambda error: errors.append(str(error)))
        return page

    yield open_window
    for context in contexts:
        context.close()
    assert not errors
