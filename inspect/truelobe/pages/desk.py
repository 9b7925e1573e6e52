"""Where photos wait, are measured, and where their pictures lie: one desk for all windows of the app.

The desk holds nothing that would be missed: a draft row holds the work, and pictures are drawn again from the
photo when they are no longer here.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict, deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from statistics import median
from typing import Literal

import streamlit as st

from truelobe.messages import TruelobeError
from truelobe.pages import drafts, jobs
from truelobe.pages.work import Limits, WorkerPool
from truelobe.request import Request
from truelobe.store import Defect, Draft, Grade, NewInspection, Store, open_store

_PICTURES_KEPT = 24
_FIRST_GUESS_S = 6.0
_THROWN_STAYS = timedelta(days=1)


@dataclass
class _Run:
    """One photo on its way through a worker; `told` counts what has come back so far."""

    question: str
    begun: float = field(default_factory=time.monotonic)
    early: jobs.Early | None = None
    told: int = 0
    future: Future[jobs.Measured] | None = None


@dataclass(frozen=True)
class Progress:
    """How far a photo is.

    Attributes
    ----------
    step : {"waiting", "read", "outlined", "done"}
    picture : bytes or None
        What can be seen so far.
    found : int or None
        How many peppers are outlined.
    share : float
        Of the work, 0 to 1, guessed from how long the last photos took.
    seconds_left : float
    """

    step: Literal["waiting", "read", "outlined", "done"]
    picture: bytes | None = None
    found: int | None = None
    share: float = 0.0
    seconds_left: float = 0.0


@dataclass(frozen=True)
class OnDesk:
    """What a list of the photos on the desk says of one; `status` is that of its measurement, None before it."""

    uid: str
    name: str
    status: str | None
    started_at: datetime
    changed_at: datetime


class Desk:
    """Photos in, measured plates out, without holding up the page."""

    def __init__(self, store: Store, pool: WorkerPool) -> None:
        self.store = store
        self._pool = pool
        self._lock = threading.RLock()
        self._news = threading.Condition(self._lock)
        self._runs: dict[str, _Run] = {}
        self._pictures: OrderedDict[tuple[str, str], jobs.Pictures | None] = OrderedDict()
        self._listed: dict[str, tuple[int, OnDesk | None]] = {}
        self._took_s: deque[float] = deque([_FIRST_GUESS_S], maxlen=5)

    def take_in(self, files: Iterable[tuple[str, bytes]], *, sample: bool = False) -> list[str]:
        """Lay photos on the desk, one draft each, and begin to measure them; return the drafts' identifiers."""
        uids = []
        for name, data in files:
            body = drafts.empty_body(sample=sample)
            uids.append(self.store.drafts.start(drafts.KIND, body, uploads=[(name, data)]).uid)
            self.measure(self.store.drafts.get(uids[-1]))
        return uids

    def measure(self, draft: Draft) -> Progress:
        """Say how far a draft's newest measurement is; begin it where it is missing or no longer fits."""
        request = drafts.request_for(draft.body, self.store)
        asked = drafts.question(draft.body, request)
        with self._lock:
            if draft.body["measured_for"] == asked and (draft.uid, asked) in self._pictures:
                self._runs.pop(draft.uid, None)
                return Progress("done", share=1.0)
            run = self._runs.get(draft.uid)
            if run is None or run.question != asked:
                if run is not None and run.future is not None:
                    run.future.cancel()  # one that has begun goes on and answers a question nobody asks any more
                run = self._runs[draft.uid] = self._begin(draft, asked, request)
            return self._how_far(run)

    def follow(self, uid: str, patience_s: float) -> Iterator[Progress]:
        """Say how far a draft's newest measurement is, and for a little while again as soon as there is news.

        Who draws what is said need not ask many times a second, and yet shows everything at once.

        Parameters
        ----------
        uid : str
        patience_s : float
            Seconds to wait for news in all.
        """
        until = time.monotonic() + patience_s
        more = True
        while more:
            run = self._runs.get(uid)
            told = 0 if run is None else run.told  # before the draft is read: what is written now is not missed
            yield self.measure(self.store.drafts.get(uid))
            more = self._told_more(uid, told, until - time.monotonic())

    def _told_more(self, uid: str, told: int, patience_s: float) -> bool:
        with self._news:
            run = self._runs.get(uid)
            return run is not None and self._news.wait_for(lambda: run.told > told, max(0.0, patience_s))

    def _tell(self, run: _Run, early: jobs.Early | None = None) -> None:
        with self._news:
            run.early = early or run.early
            run.told += 1
            self._news.notify_all()

    def _begin(self, draft: Draft, asked: str, request: Request) -> _Run:
        run, upload = _Run(asked), draft.uploads[0]
        path = self.store.drafts.upload(upload.sha256)
        run.future = self._pool.submit(
            jobs.measure, path, upload.name, request, on_report=partial(self._tell, run)
        )
        run.future.add_done_callback(partial(self._done, draft.uid, upload.name, run))
        return run

    def _how_far(self, run: _Run) -> Progress:
        spent = time.monotonic() - run.begun
        usual = median(self._took_s)
        share, left = min(0.97, spent / usual), max(0.0, usual - spent)
        if run.early is None:
            return Progress("waiting", share=share, seconds_left=left)
        return Progress(run.early.step, run.early.picture, run.early.found, share, left)

    def _done(self, uid: str, name: str, run: _Run, future: Future[jobs.Measured]) -> None:
        """Write the measurement into its draft; called in the pool's thread, whether or not a page still looks."""
        if future.cancelled():
            return
        measured = jobs.settled(future, name)
        with self._lock:
            self._took_s.append(time.monotonic() - run.begun)
            self._pictures[uid, run.question] = measured.pictures
            while len(self._pictures) > _PICTURES_KEPT:
                self._pictures.popitem(last=False)

        def write(body: drafts.Body) -> None:
            body["document"], body["measured_for"] = measured.document, run.question

        try:
            drafts.change(self.store, uid, write)
        except TruelobeError:
            # Thrown away meanwhile, or the disk is full: the page meets the same trouble and says so.
            with self._lock:
                self._runs.pop(uid, None)
        self._tell(run)

    def photos(self) -> tuple[OnDesk, ...]:
        """Return the photos on the desk, the one changed last first.

        A draft is read when it has changed, not at every run of a page: documents are large, and a class may leave
        thirty of them.
        """
        known, versions = self._listed, self.store.drafts.versions(drafts.KIND)
        changed = [uid for uid, version in versions.items() if uid not in known or known[uid][0] != version]
        known = known | {one.uid: (one.version, _listed(one)) for one in self.store.drafts.some(changed)}
        self._listed = {uid: known[uid] for uid in versions if uid in known}
        return tuple(entry for _, entry in self._listed.values() if entry is not None)

    def pictures(self, draft: Draft) -> jobs.Pictures | None:
        """Return the pictures of a draft's newest measurement, or None where the file is no picture."""
        with self._lock:
            found = self._pictures.get((draft.uid, draft.body["measured_for"]))
            if found is not None:
                self._pictures.move_to_end((draft.uid, draft.body["measured_for"]))
            return found

    def tidy(self) -> None:
        """Take away what was thrown away more than a day ago."""
        for draft in self.store.drafts.all(drafts.KIND):
            thrown = draft.body.get("thrown_at")
            if thrown and datetime.now(UTC) - datetime.fromisoformat(thrown) > _THROWN_STAYS:
                self.store.drafts.finish(draft.uid)

    def keep(
        self,
        draft: Draft,
        title: str,
        grade: Grade | None,
        defects: tuple[Defect, ...],
        *,
        who: str = "",
        whole: bool = False,
    ) -> str:
        """Keep a draft's plate in the gallery, measured or not; return the plate's identifier.

        The draft goes, since the plate stands in its place.

        Parameters
        ----------
        who : str
            Nickname of the one who keeps it.
        whole : bool
            Keep the whole photo; otherwise it is cut to plate and card where they were found.
        """
        upload = draft.uploads[0]
        document = draft.body["document"]
        cut_by = document if document and document["status"] != "refused" and not whole else None
        path = self.store.drafts.upload(upload.sha256)
        prepared = self._pool.submit(jobs.prepare, path, upload.name, cut_by).result()
        kept = self.store.inspections.keep(
            NewInspection(
                photos=(prepared,),
                document=document,
                who=who,
                title=title,
                grade=grade,
                defects=defects,
                hand_facts=draft.body["hand_facts"] or None,
                sample=bool(draft.body["sample"]),
            )
        )
        self.store.drafts.finish(draft.uid)
        return kept.uid


def _listed(draft: Draft) -> OnDesk | None:
    """Say what a list says of a draft; None where it was thrown away."""
    if draft.body.get("thrown_at") or not draft.uploads:
        return None
    document = draft.body["document"]
    status = None if document is None else document["status"]
    return OnDesk(draft.uid, draft.uploads[0].name, status, draft.started_at, draft.changed_at)


@st.cache_resource(show_spinner=False)
def desk() -> Desk:
    """Return the one desk of this process, its workers warm."""
    pool = WorkerPool(workers=2, limits=Limits(seconds=60), preload=("truelobe.pages.jobs",))
    opened = Desk(open_store(), pool)
    opened.tidy()
    return opened


def sample_photos() -> tuple[Path, ...]:
    """Return the photos of the sample plates that the tool ships, by name."""
    from truelobe.data import data_path

    endings = {".jpg", ".jpeg", ".png", ".webp"}
    folder = data_path("sample_images", "plates")
    return tuple(sorted(p for p in folder.rglob("*") if p.suffix.lower() in endings and "maker" not in p.parts))
