"""Hostile photos against the worker pool: each must end in a valid document, within 10 s and 2 GB.

``run(count, seed)`` makes the files, measures them as the page does, and counts how each ended. A crash of a
decoder is no failure, since the pool turns it into a refusal; a document that does not fit its schema, a job past
its time, or a worker past its memory is.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from tests.benchmarks.hostile_files import MAKERS, Maker, Random, plate, saved

from truelobe import schema
from truelobe.pages import jobs
from truelobe.pages.work import Limits, WorkerPool
from truelobe.request import Request

# Lays a file and returns it with whoever meddles with it while it is read.
Trap = Callable[[Path, Random], tuple[Path, threading.Thread]]

LIMIT_S = 10.0
# A worker is ended well before that: ending it and writing the refusal take time too, on a busy machine seconds.
WORKER_S = 7.0
MEMORY_BYTES = 2 * 1024**3


@dataclass
class Outcome:
    """How a run of hostile files ended.

    Attributes
    ----------
    files : int
    statuses, codes : Counter
        How often each status and each first message code was written.
    slowest_s : float
        The longest time from handing a file over to its document, with one file at a time per worker.
    seconds : dict
        The longest time of each kind of file.
    peak_bytes : int
        The largest resident memory of any worker; 0 where the system does not tell.
    """

    files: int = 0
    statuses: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    peak_bytes: int = 0
    seconds: dict[str, float] = field(default_factory=dict)

    def table(self) -> str:
        """Return the outcome as text."""
        codes = "\n".join(f"  {count:5d}  {code}" for code, count in self.codes.most_common())
        return (
            f"{self.files} hostile files, every one ended in a valid document: {dict(self.statuses)}\n"
            f"slowest {self.slowest_s:.1f} s (limit {LIMIT_S:.0f} s), "
            f"peak memory of a worker {self.peak_bytes / 1024**2:.0f} MB (limit {MEMORY_BYTES / 1024**2:.0f} MB)\n"
            f"slowest kinds, s: {', '.join(f'{kind} {s:.1f}' for kind, s in self._slowest())}\n"
            f"first message of each:\n{codes}"
        )

    def _slowest(self) -> list[tuple[str, float]]:
        return sorted(self.seconds.items(), key=lambda pair: -pair[1])[:5]


def run(count: int = 1000, seed: int = 1, workers: int = 1, slack_s: float = 0.0) -> Outcome:
    """Measure `count` hostile files.

    Parameters
    ----------
    slack_s : float
        How much longer than the limit a file may take where other work runs beside this.

    Raises
    ------
    AssertionError, jsonschema.ValidationError
        When one of them does not end as it must.
    """
    outcome = Outcome()
    limits = Limits(memory_bytes=MEMORY_BYTES, seconds=WORKER_S, waiting=4)
    with (
        tempfile.TemporaryDirectory() as folder,
        WorkerPool(workers, limits, preload=("truelobe.pages.jobs",)) as pool,
    ):
        for number in range(count):
            _one(outcome, pool, Path(folder), number, seed, LIMIT_S + slack_s)
    outcome.peak_bytes = _peak_of_children()
    return outcome


def _one(outcome: Outcome, pool: WorkerPool, folder: Path, number: int, seed: int, most_s: float) -> None:
    rng = np.random.default_rng([seed, number])
    makers: list[Trap] = [*(_written(maker) for maker in MAKERS), *SPECIAL]
    maker = makers[number % len(makers)]
    path, meddler = maker(folder, rng)
    pool.submit(os.getpid).result()  # a worker's start, after one that was ended, is not part of this file's time
    meddler.start()
    begun = time.monotonic()
    measured = jobs.settled(pool.submit(jobs.measure, path, path.name, Request(), on_report=_dropped), path.name)
    took = time.monotonic() - begun
    meddler.join()
    schema.check(measured.document)
    assert took < most_s, f"{path.name} ({number}, seed {seed}) took {took:.1f} s"
    outcome.files += 1
    outcome.seconds[maker.__name__] = max(outcome.seconds.get(maker.__name__, 0.0), took)
    outcome.slowest_s = max(outcome.slowest_s, took)
    outcome.statuses[measured.document["status"]] += 1
    first = [message["code"] for message in measured.document["messages"]][-1:] or ["none"]
    outcome.codes[first[0]] += 1


def _written(maker: Maker) -> Trap:
    def write(folder: Path, rng: Random) -> tuple[Path, threading.Thread]:
        name, data = maker(rng)
        path = folder / name
        path.write_bytes(data)
        return path, threading.Thread()

    write.__name__ = maker.__name__
    return write


def _changing(folder: Path, rng: Random) -> tuple[Path, threading.Thread]:
    """A file that somebody writes while it is read: half there, cut, full again."""
    path = folder / "changing.jpg"
    whole = saved(plate(rng, 1600, 1200), "jpg")
    path.write_bytes(whole[: len(whole) // 3])
    cuts = [int(v) for v in rng.integers(0, len(whole), 200)]

    def meddle() -> None:
        for cut in cuts:
            path.write_bytes(whole[:cut])
            time.sleep(0.002)
        path.write_bytes(whole)

    return path, threading.Thread(target=meddle)


def _vanishing(folder: Path, rng: Random) -> tuple[Path, threading.Thread]:
    """A file that is taken away while it is read, or was never there."""
    path = folder / f"gone-{rng.integers(1 << 30)}.jpg"
    if rng.random() < 0.5:
        path.write_bytes(saved(plate(rng), "jpg"))
    return path, threading.Timer(0.005, path.unlink, kwargs={"missing_ok": True})


def _not_a_file(folder: Path, rng: Random) -> tuple[Path, threading.Thread]:
    """A folder, a link to itself or a pipe that nobody writes to."""
    kind = int(rng.integers(3))
    path = folder / f"kind-{kind}.jpg"
    there = path.is_symlink() or path.exists()
    if kind == 0 and not there:
        path.mkdir()
    elif kind == 1 and not there:
        path.symlink_to(path)
    elif kind == 2 and not there and hasattr(os, "mkfifo"):
        os.mkfifo(path)
    return path, threading.Thread()


SPECIAL: tuple[Trap, ...] = (_changing, _vanishing, _not_a_file)


def _dropped(_: object) -> None:
    """Take a first picture and forget it."""


def _peak_of_children() -> int:
    if sys.platform == "win32":
        return 0
    import resource

    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


if __name__ == "__main__":
    print(run(*(int(word) for word in sys.argv[1:3])).table())
