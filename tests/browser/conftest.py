"""A running app and a real Chromium for the browser tests.

The app is started by `truelobe open` from an empty folder, as somebody would who installed it; its store is new.
"""

import os
import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.browser.looking import PATIENCE_MS

ROOT = Path(__file__).parents[2]
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


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _wait_for(port, process, seconds=60):
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert process.poll() is None, "the app ended before it answered"
        time.sleep(0.1)
    raise AssertionError("the app did not answer in time")


@pytest.fixture(scope="session")
def app(tmp_path_factory):
    """The address of a running app, shared by the tests of one worker."""
    yield from _served(tmp_path_factory)


@pytest.fixture
def fresh_app(tmp_path_factory):
    """The address of an app with an empty store, for a test that minds what others left."""
    yield from _served(tmp_path_factory)


def _served(tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    port = _free_port()
    environment = os.environ | {
        "PYTHONPATH": str(ROOT / "inspect"),
        "TRUELOBE_HOME": str(tmp_path_factory.mktemp("home")),
        "OMP_NUM_THREADS": "2",
    }
    start = "import sys; from truelobe.cli import main; sys.exit(main())"
    command = [sys.executable, "-P", "-c", start, "open", "--no-browser", "--port", str(port)]
    with (elsewhere / "log.txt").open("w") as log:
        process = subprocess.Popen(command, cwd=elsewhere, env=environment, stdout=log, stderr=log)
        try:
            _wait_for(port, process)
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            process.wait(timeout=20)


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
