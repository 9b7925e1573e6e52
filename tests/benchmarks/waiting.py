"""How long a coach waits: from the tap on a sample plate, or the choice of a photo, to outlines and figures.

In a real Chromium at a phone's width, on the app as somebody starts it, its workers warm. The browser and the app
share this machine's processors.
"""

import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import Locator, Page, sync_playwright
from tests.benchmarks.speed import SIZES_MP, enlarged, five_peppers
from tests.browser.serving import serving

from truelobe.pages.desk import sample_photos

PATIENCE_MS = 120_000
SAMPLES_SHOWN = 4
# In the page, since asking from outside would cost time of its own: when each step could first be seen.
WATCH = """() => {
  const seen = (window.tlSeen = {});
  const note = (name) => { if (!(name in seen)) seen[name] = performance.now() / 1000; };
  for (const event of ["pointerdown", "change"]) {
    document.addEventListener(event, () => note("start"), {capture: true, once: true});
  }
  const look = () => {
    const pictures = [...document.querySelectorAll("img[alt='The photo being measured']")];
    const picture = pictures.some((one) => one.complete);
    if (picture) note("photo");
    const said = document.querySelector("[data-testid='stProgress']");
    if (picture && said && /\\d outlined/.test(said.textContent)) note("outlines");
    if (document.querySelector("article.tl-card")) note("figures");
  };
  const watched = {subtree: true, childList: true, characterData: true, attributes: true};
  new MutationObserver(look).observe(document.body, watched);
  document.addEventListener("load", look, {capture: true});  // pictures, which do not bubble
}"""


Times = tuple[float, float, float]


def run(rounds: int = 3) -> None:
    """Print the seconds of each plate and their median.

    Parameters
    ----------
    rounds : int
        How often each plate is tapped and chosen, and a photo of 12 megapixels chosen.
    """
    start = "import sys; from truelobe.cli import main; sys.exit(main())"
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    with tempfile.TemporaryDirectory() as home, tempfile.TemporaryDirectory() as folder:
        large = Path(folder, "12-megapixels.jpg")
        large.write_bytes(enlarged(five_peppers(), SIZES_MP[12]))
        words = ["-P", "-c", start, "open", "--no-browser", "--port"]
        with serving(words, home=Path(home), folder=Path(folder)) as address, sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
            page = browser.new_page(viewport={"width": 360, "height": 800})
            page.set_default_timeout(PATIENCE_MS)
            for warming in range(2):  # one for each worker
                _tapped(page, address, warming + 1)
            print(f"{'seconds to':24s} {'photo':>7} {'outlines':>9} {'figures':>9}")
            plates = [n for _ in range(rounds) for n in range(1, SAMPLES_SHOWN + 1)]
            _tell("tapped", [_tapped(page, address, number) for number in plates])
            _tell("chosen", [_chosen(page, address, sample_photos()[number - 1]) for number in plates])
            _tell("chosen, 12 megapixels", [_chosen(page, address, large) for _ in range(rounds)])
            print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()}")
            browser.close()


def _tell(name: str, rows: list[Times]) -> None:
    for word, row in (("median", np.median(rows, axis=0)), ("slowest", np.max(rows, axis=0))):
        print(f"{f'{name}, {word}':32s}" + " ".join(f"{seconds:9.2f}" for seconds in row)[1:], flush=True)


def _tapped(page: Page, address: str, number: int) -> Times:
    _ready(page, address, number).click()
    return _times(page)


def _chosen(page: Page, address: str, photo: Path) -> Times:
    _ready(page, address, 1)
    page.locator("input[type=file]").first.set_input_files(photo)
    return _times(page)


def _ready(page: Page, address: str, number: int) -> Locator:
    page.goto(address)
    button = page.get_by_role("button", name=f"Sample plate {number}", exact=True)
    button.wait_for()
    page.locator("[data-testid='stApp'][data-test-script-state='notRunning']").wait_for()
    page.wait_for_timeout(1500)  # as people do, look before the tap
    page.evaluate(WATCH)
    return button


def _times(page: Page) -> Times:
    page.wait_for_function("() => 'figures' in window.tlSeen", polling=100)
    seen = page.evaluate("() => window.tlSeen")
    photo, outlines, figures = (
        seen.get(name, float("nan")) - seen["start"] for name in ("photo", "outlines", "figures")
    )
    return photo, outlines, figures
