"""How long a page of results takes in a real Chromium: from the key or the tap until its last picture is drawn."""

import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).parents[2]
PATIENCE_MS = 120_000
ASKED = ("glossy", "early market", "blocky", "pointed wide", "smooth", "heavy late")
NAMES = (
    "[...document.querySelectorAll(\"[data-testid='stMainBlockContainer'] h3\")].map((h) => h.textContent).join()"
)
# Everything is drawn: other cards than before, the script at rest, every picture loaded.
DRAWN = f"""before => {{
  const names = {NAMES};
  const rest = document.querySelector("[data-testid='stApp'][data-test-script-state='notRunning']");
  const pictures = [...document.querySelectorAll("img.tl-thumb")];
  const drawn = pictures.length > 0 && pictures.every((one) => one.complete);
  return rest && names && names !== before && drawn;
}}"""


Took = dict[str, list[tuple[float, float]]]


def page_seconds(home: Path) -> Took:
    """Return what pages of results took, by what was asked for: seconds on the clock and of the app's processor.

    Parameters
    ----------
    home : Path
        Folder of the gallery.
    """
    with tempfile.TemporaryDirectory() as elsewhere, (Path(elsewhere) / "log").open("w") as log:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        environment = os.environ | {"PYTHONPATH": str(ROOT / "inspect"), "TRUELOBE_HOME": str(home)}
        start = "import sys; from truelobe.cli import main; sys.exit(main())"
        command = [sys.executable, "-P", "-c", start, "open", "--no-browser", "--port", str(port)]
        app = subprocess.Popen(command, cwd=elsewhere, env=environment, stdout=log, stderr=log)
        try:
            _wait_for(port)
            return _looked_at(f"http://127.0.0.1:{port}/gallery", Path(f"/proc/{app.pid}/stat"))
        finally:
            app.terminate()
            app.wait(timeout=20)


def _wait_for(port: int) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.1)
    raise RuntimeError("the app did not start")


def _looked_at(address: str, stat: Path) -> Took:
    with sync_playwright() as playwright:
        found = next(path for path in ("/usr/bin/chromium", "/usr/bin/google-chrome") if Path(path).exists())
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(PATIENCE_MS)
        page.goto(address)
        page.wait_for_function(DRAWN, arg="")
        took = {
            "words": [_timed(page, stat, lambda words=words: _ask(page, words)) for words in ASKED],
            "another order": [
                _timed(page, stat, lambda sort=sort: _sort(page, sort))
                for sort in ("title", "largest first", "smallest first")
            ],
            "next page": [_timed(page, stat, lambda: _press(page, "Next page")) for _ in range(6)],
        }
        browser.close()
    return took


def _timed(page: Page, stat: Path, act: Callable[[], None]) -> tuple[float, float]:
    page.wait_for_timeout(700)  # as people do, look at the page before the next step
    before, start, spent = page.evaluate(NAMES), time.perf_counter(), _cpu_seconds(stat)
    act()
    page.wait_for_function(DRAWN, arg=before, polling="raf")
    return time.perf_counter() - start, _cpu_seconds(stat) - spent


def _cpu_seconds(stat: Path) -> float:
    """Return a process's own time in user and system mode (proc(5), fields 14 and 15)."""
    fields = stat.read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _ask(page: Page, words: str) -> None:
    page.get_by_label("Words").fill(words)
    page.get_by_label("Words").press("Enter")


def _press(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def _sort(page: Page, sort: str) -> None:
    order = page.get_by_role("combobox", name="Order")
    order.fill(sort)
    order.press("Enter")
