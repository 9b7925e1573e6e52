"""A whole team places one class at once: real browsers and clients that speak the page's own messages.

``run(count, seed)`` opens a class to `count` students, `BROWSERS` of them in real Chromium windows of a phone's
size. In the middle the server is killed and started again; one browser loses its network for `DROP_SECONDS`, one
is locked (its page is frozen), one is reloaded. Limits: everyone's placing is kept exactly once; each browser
returns to the same class, placing and clock; the answer to a tap comes within 1 s at the 95th percentile; nothing
of key, cuts, figures or names stands in anything that was sent before the critique. What browsers receive is
recorded on the wire, byte by byte; the page's own scripts, which name what they draw, are not searched.

`truelobe bench stress --only classroom` runs it; `DROP_SECONDS` can be set shorter by the environment for a try.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import socket
import statistics
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright
from sqlalchemy import select
from tests.browser.conftest import FLAGS
from tests.judging.planted import keep_class, secrets_of
from tests.judging.team_process import Phone, free_port, kill, start

from truelobe.judging.roster import Roster
from truelobe.judging.scoring import PLACINGS
from truelobe.judging.sessions import Sessions
from truelobe.pages.students import app
from truelobe.store import open_store
from truelobe.store.models_judging import SheetRow, TapRow

BROWSERS = 4
DROP_SECONDS = float(os.environ.get("TRUELOBE_DROP_SECONDS", "20"))
SECONDS_TO_PLACE = 600
SLOWEST = 1.0
_WEB = Path(app.__file__).parent / "web"


@dataclass(frozen=True)
class Report:
    """What came out.

    Attributes
    ----------
    students, browsers : int
    kept_once : int
        Students whose whole placing was kept exactly once, as they tapped it.
    returned : tuple of str
        Which of the interrupted browsers returned to the same class, placing and clock.
    tap_p95 : float
        Seconds.
    received : int
        Answers that were searched for what must not be there.
    leaks : tuple of str
    """

    students: int
    browsers: int
    kept_once: int
    returned: tuple[str, ...]
    tap_p95: float
    received: int
    leaks: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every limit is kept."""
        whole = self.kept_once == self.students and len(self.returned) == min(3, self.browsers)
        return whole and self.tap_p95 <= SLOWEST and not self.leaks

    def __str__(self) -> str:
        lines = [
            f"{self.students} students, {self.browsers} in real browsers; the server was killed in the middle",
            f"placings kept exactly once: {self.kept_once} of {self.students}",
            f"returned to the same class, placing and clock: {', '.join(self.returned) or 'none'}",
            f"answer to a tap, 95th percentile: {self.tap_p95:.3f} s",
            f"{self.received} connections and answers searched, found: {', '.join(self.leaks) or 'nothing'}",
            "all limits kept" if self.ok else "A LIMIT IS NOT KEPT",
        ]
        return "\n".join(lines)


class Crowd:
    """The students that are clients: each in a thread of its own, at its own pace."""

    def __init__(self, phones: list[Phone], session: str, wanted: dict[str, str], seed: int) -> None:
        self.times: list[float] = []
        self.failures: list[BaseException] = []
        self.half_way = threading.Event()
        self.go_on = threading.Event()
        self._left = len(phones)
        self._lock = threading.Lock()
        self._threads = [
            threading.Thread(target=self._guarded, args=(phone, session, wanted[phone.student], seed + n))
            for n, phone in enumerate(phones)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def join(self) -> None:
        for thread in self._threads:
            thread.join(300)

    def _guarded(self, phone: Phone, session: str, placing: str, seed: int) -> None:
        try:
            self._place(phone, session, placing, random.Random(seed))
        except BaseException as failure:  # noqa: BLE001  (told in the report)
            self.failures.append(failure)

    def _place(self, phone: Phone, session: str, placing: str, chance: random.Random) -> None:
        for end in (1, 2):
            time.sleep(chance.uniform(0.5, 6))
            self.times.append(phone.tap(session, placing[:end])[2])
            phone.patiently("/api/state")
        with self._lock:
            self._left -= 1
            if not self._left:
                self.half_way.set()
        self.go_on.wait(120)
        for end in (3, 4):
            time.sleep(chance.uniform(0.5, 6))
            self.times.append(phone.tap(session, placing[:end])[2])
        body = {"session": session, "tap": f"hand-in-{phone.student[:8]}", "placing": placing, "submit": True}
        for _ in range(2):  # the first answer was lost, so it is sent again
            status, answer, _ = phone.patiently("/api/tap", body)
            assert (status, answer["state"]) == (200, "submitted")


class Wire:
    """A relay between browsers and the server that keeps every byte which the server sends."""

    def __init__(self, to: int) -> None:
        self._to, self._sent = to, list[bytearray]()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):  # closed
            while True:
                near, _ = self._listener.accept()
                try:
                    far = socket.create_connection(("127.0.0.1", self._to), timeout=5)
                except OSError:  # the server is down just now
                    near.close()
                    continue
                far.settimeout(None)
                kept = bytearray()
                self._sent.append(kept)
                threading.Thread(target=_relay, args=(near, far, None), daemon=True).start()
                threading.Thread(target=_relay, args=(far, near, kept), daemon=True).start()

    def received(self) -> list[bytes]:
        """Return what was sent, by connection."""
        return [bytes(kept) for kept in self._sent if kept]

    def close(self) -> None:
        self._listener.close()


def _relay(source: socket.socket, sink: socket.socket, kept: bytearray | None) -> None:
    with suppress(OSError):
        while data := source.recv(65536):
            if kept is not None:
                kept += data
            sink.sendall(data)
    for end in (source, sink):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)


class Window:
    """One student in a real browser."""

    def __init__(self, browser: Any, port: int, nickname: str, word: str) -> None:
        self.context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
        self.page = self.context.new_page()
        self.page.set_default_timeout(120_000)
        self.times: list[float] = []
        self.page.on("requestfinished", self._note)
        self.page.goto(f"http://127.0.0.1:{port}/")
        self.page.get_by_role("button", name=nickname).tap()
        self.page.get_by_label("The word on your slip").fill(word)
        self.page.get_by_role("button", name="Come in").tap()

    def _note(self, request: Any) -> None:
        if request.url.endswith("/api/tap"):
            self.times.append(request.timing["responseEnd"] / 1000)

    def tap(self, plates: str) -> None:
        for plate in plates:
            self.page.locator(".tl-keys").get_by_role("button", name=f"Plate {plate}:").tap()

    def placing(self) -> str:
        return "".join(self.page.locator(".tl-slots b").all_inner_texts()).replace("·", "")

    def left(self) -> float:
        """Seconds that its clock shows."""
        minutes, seconds = self.page.locator(".tl-clock").inner_text().split(":")
        return 60 * int(minutes) + int(seconds)


def run(count: int = 30, seed: int = 0) -> Report:
    """Let `count` students place one class."""
    with tempfile.TemporaryDirectory() as folder:
        return _evening(Path(folder), count, seed)


def _evening(home: Path, count: int, seed: int) -> Report:
    store, port = open_store(home), free_port()
    wire = Wire(port)
    one = keep_class(store, seconds=SECONDS_TO_PLACE)
    roster, sessions = Roster(store), Sessions(store)
    process = start(home, port)
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))))
    students = [roster.add(f"Student {n:02}") for n in range(count)]
    browsers = min(BROWSERS, count)
    others = [placing for placing in PLACINGS if placing != one.official]  # an own placing may come back
    wanted = {s.uid: "".join(map(str, others[(n + seed) % 23])) for n, (s, _) in enumerate(students)}
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=list(FLAGS))
        try:
            windows = [Window(chromium, wire.port, s.nickname, word) for s, word in students[:browsers]]
            phones = [_enter(port, s.uid, word) for s, word in students[browsers:]]
            session = sessions.open_led(one)
            deadline = sessions.start(session.uid).deadline
            assert deadline is not None
            crowd = Crowd(phones, session.uid, wanted, seed)
            crowd.start()
            mine = [wanted[s.uid] for s, _ in students[:browsers]]
            for window, placing in zip(windows, mine, strict=True):
                window.page.locator(".tl-clock").wait_for()
                window.tap(placing[:2])
            crowd.half_way.wait(300)
            kill(process)
            process = start(home, port)
            crowd.go_on.set()
            returned = _interrupted(windows, mine, deadline.timestamp())
            for window, placing in zip(windows, mine, strict=True):
                window.tap(placing[len(window.placing()) :])
                window.page.get_by_role("button", name=re.compile("Hand in")).tap()
                window.page.get_by_text("Handed in").wait_for()
            crowd.join()
            received = [*wire.received(), *(data for phone in phones for _, data in phone.received)]
            leaks = _leaks(received, store, one)
            times = [*crowd.times, *(t for window in windows for t in window.times)]
            chromium.close()
            return Report(
                count,
                browsers,
                _kept_once(store, sessions, session.uid, wanted) if not crowd.failures else 0,
                returned,
                statistics.quantiles(times, n=20)[18],
                len(received),
                tuple(leaks),
            )
        finally:
            kill(process)
            wire.close()
            store.close()


def _enter(port: int, student: str, word: str) -> Phone:
    phone = Phone(port)
    assert phone.enter(student, word)[0] == 200
    phone.student = student
    return phone


def _interrupted(windows: list[Window], placings: list[str], deadline: float) -> tuple[str, ...]:
    """Drop the network of one, lock another, reload a third; return which came back as they were."""
    kinds = ("network drop", "locked phone", "reload")[: len(windows)]
    locks = []
    for kind, window, placing in zip(kinds, windows, placings, strict=False):
        if kind == "network drop":
            window.context.set_offline(True)
            window.tap(placing[2])  # what is tapped meanwhile waits in the phone
        if kind == "locked phone":
            locks.append(window.context.new_cdp_session(window.page))
            locks[-1].send("Page.setWebLifecycleState", {"state": "frozen"})
    time.sleep(DROP_SECONDS)
    came_back = []
    for kind, window, placing in zip(kinds, windows, placings, strict=False):
        if kind == "network drop":
            window.context.set_offline(False)
            window.page.get_by_text("Not sent yet").wait_for(state="hidden")
        if kind == "locked phone":
            locks[0].send("Page.setWebLifecycleState", {"state": "active"})
        if kind == "reload":
            window.page.reload()
        window.page.locator(".tl-slots b").first.wait_for()
        window.page.wait_for_timeout(2500)  # one question to the server
        same = window.placing() == placing[: 3 if kind == "network drop" else 2]
        if same and abs(window.left() - (deadline - time.time())) < 2.5:
            came_back.append(f"{kind} of {DROP_SECONDS:.0f} s" if kind != "reload" else kind)
    return tuple(came_back)


def _leaks(received: list[bytes], store: Any, one: Any) -> list[str]:
    """Search for what must not be there: long enough words, since compressed pictures hold any two letters."""
    own_files = [path.read_bytes() for path in _WEB.iterdir() if path.suffix in (".js", ".html")]
    words = [word if word != b"3142" else b'"3142"' for word in secrets_of(store, one) if len(word) > 3]
    found: set[str] = set()
    for data in received:
        for file in own_files:
            data = data.replace(file, b"")
        found |= {word.decode() for word in words if word in data}
    return sorted(found)


def _kept_once(store: Any, sessions: Sessions, session: str, wanted: dict[str, str]) -> int:
    sheets = {sheet.student_uid: sheet for sheet in sessions.sheets(session)}
    with store.database.read() as connection:
        rows = connection.execute(
            select(SheetRow.uid, TapRow.uid.label("tap")).join(TapRow, TapRow.sheet_id == SheetRow.id)
        )
        taps = Counter(row.uid for row in rows)
    return sum(
        uid in sheets
        and sheets[uid].placing == placing
        and sheets[uid].state == "submitted"
        and taps[sheets[uid].uid] == 5  # four plates and the hand-in; those sent again are kept once
        for uid, placing in wanted.items()
    )


if __name__ == "__main__":
    import sys

    print(run(*(int(word) for word in sys.argv[1:3])))
