"""Heavy and risky work off the page's thread: a bounded pool of worker processes with limits.

A photo comes from anywhere, and a decoder may crash, hang or ask for all the memory there is. So decoding and
measuring happen in a few separate processes. Each has a memory limit and each job a time limit; whatever ends
a job early becomes a `TruelobeError` for that job alone, and the next job gets a fresh process.

The workers are started by their own command line rather than by `multiprocessing`: that module runs the main
script again in every new process, and the main script of a page is the whole app. Jobs and results travel as
pickles over the worker's standard input and output, between processes of one user on one machine.

Memory is limited with `RLIMIT_DATA` (Linux counts every private writable mapping there since 4.7, but not the
program's own files). Windows has no such limit and macOS accepts but does not keep it: there the time limit and
the separate process still hold.
"""

from __future__ import annotations

import os
import pickle
import queue
import struct
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import IO, Any, NoReturn, TypeVar

from truelobe.messages import TruelobeError
from truelobe.side_by_side import one_core_each

Result = TypeVar("Result")

_PACKAGE_ROOT = Path(__file__).resolve().parents[2]
_HEADER = struct.Struct("<Q")


@dataclass(frozen=True)
class Limits:
    """What one job may use.

    Attributes
    ----------
    memory_bytes : int
        Private memory of one worker process, libraries included.
    seconds : float
        Wall time of one job, from its start in the worker.
    waiting : int
        Jobs that may stand in the queue before a new one is turned away.
    """

    memory_bytes: int = 2 * 1024**3
    seconds: float = 60.0
    waiting: int = 64


@dataclass(frozen=True)
class _Job:
    written: bytes
    on_report: Callable[[Any], None] | None
    future: Future[Any]


class WorkerPool:
    """A few worker processes, each fed by one thread of this process.

    Parameters
    ----------
    workers : int
        How many jobs run at once.
    limits : Limits
    preload : tuple of str
        Modules that a worker imports before its first job, so that the first photo does not wait for them.

    Examples
    --------
    >>> with WorkerPool(workers=1) as pool:
    ...     pool.submit(pow, 2, 10).result()
    1024
    """

    def __init__(self, workers: int = 2, limits: Limits | None = None, preload: tuple[str, ...] = ()) -> None:
        self.limits = limits or Limits()
        self._preload = preload
        self._jobs: queue.Queue[_Job | None] = queue.Queue(maxsize=self.limits.waiting)
        self._threads = [
            threading.Thread(target=self._feed_one_worker, name=f"worker-{n}", daemon=True) for n in range(workers)
        ]
        for thread in self._threads:
            thread.start()

    def submit(
        self,
        call: Callable[..., Result],
        *arguments: Any,
        on_report: Callable[[Any], None] | None = None,
    ) -> Future[Result]:
        """Queue a job.

        Parameters
        ----------
        call : callable
            A function of a module (it is pickled by name). With `on_report` it is called with one more keyword
            argument, ``report``: a function that sends a first result ahead.
        *arguments
            Plain data.
        on_report : callable, optional
            Called in the pool's thread with each thing the job reports.

        Returns
        -------
        Future
            Its result, or a `TruelobeError`: the job's own, or ``work-too-long``, ``work-out-of-memory``,
            ``work-crashed``, ``work-not-started``.

        Raises
        ------
        TruelobeError
            ``work-busy`` when too many jobs wait already.
        """
        written = pickle.dumps((call, arguments, on_report is not None), protocol=pickle.HIGHEST_PROTOCOL)
        job = _Job(written, on_report, Future())
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            raise TruelobeError(
                "work-busy",
                "Many photos are waiting to be measured already.",
                "Wait until some of them are done, then add the rest.",
            ) from None
        return job.future

    def close(self) -> None:
        """Let the queued jobs finish, then end the workers."""
        for _ in self._threads:
            self._jobs.put(None)
        for thread in self._threads:
            thread.join()

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _feed_one_worker(self) -> None:
        # With modules to preload the worker starts at once, so that it is warm when the first photo comes.
        worker = self._started() if self._preload else None
        while (job := self._jobs.get()) is not None:
            if not job.future.set_running_or_notify_cancel():
                continue
            if worker is None or not worker.alive:
                worker = self._started()
            try:
                result = _cannot_start() if worker is None else worker.do(job)
            except TruelobeError as error:
                job.future.set_exception(error)
            else:
                job.future.set_result(result)
        if worker is not None:
            worker.stop()

    def _started(self) -> _Worker | None:
        try:
            return _Worker(self.limits, self._preload)
        except OSError:  # no memory or no process left on this machine just now
            return None


def _cannot_start() -> NoReturn:
    raise TruelobeError(
        "work-not-started",
        "This machine could not start the program that reads photos.",
        "Close other programs and try again.",
    )


class _Worker:
    """One child process and the pipe to it."""

    def __init__(self, limits: Limits, preload: tuple[str, ...]) -> None:
        self._limits = limits
        # The worker looks for modules where this process does, but never in the folder that the coach stands in.
        places = [str(_PACKAGE_ROOT), *(place for place in sys.path if place)]
        start = f"import sys; sys.path[:] = {places!r}; from {__name__} import serve; "
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", f"{start}serve({limits.memory_bytes}, {preload!r})"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | {"OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "MALLOC_ARENA_MAX": "2"},
        )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._questions: IO[bytes] = self._process.stdin
        self._answers: IO[bytes] = self._process.stdout
        # Starting and importing is not the photo's fault: the first answer says that the worker is ready.
        self._ready = False

    @property
    def alive(self) -> bool:
        return self._process.poll() is None

    def do(self, job: _Job) -> Any:
        overrun = threading.Event()
        try:
            if not self._ready:
                _receive(self._answers)
                self._ready = True
            _write(self._questions, job.written)
            timer = threading.Timer(self._limits.seconds, self._kill_for, (overrun,))
            timer.start()
            try:
                return self._answer(job)
            finally:
                timer.cancel()
        except (EOFError, BrokenPipeError, pickle.UnpicklingError):
            self.stop()
            raise self._why_ended(overrun.is_set()) from None

    def _answer(self, job: _Job) -> Any:
        while True:
            kind, value = _receive(self._answers)
            if kind == "report" and job.on_report is not None:
                job.on_report(value)
            elif kind == "error":
                raise value
            elif kind == "result":
                return value

    def _kill_for(self, reason: threading.Event) -> None:
        reason.set()
        self._process.kill()

    def _why_ended(self, overrun: bool) -> TruelobeError:
        if overrun:
            return TruelobeError(
                "work-too-long",
                f"This photo took longer than {self._limits.seconds:.0f} seconds and was put aside.",
                "Take the photo again, or save it at a smaller size, and try once more.",
            )
        return TruelobeError(
            "work-crashed",
            "The program that reads photos stopped on this one. Nothing else was harmed.",
            "The file may be damaged: take the photo again or save it as a JPEG.",
        )

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in (self._questions, self._answers):
            with suppress(BrokenPipeError):  # what was still in the buffer has no reader any more
                pipe.close()


def _send(pipe: IO[bytes], value: Any) -> None:
    _write(pipe, pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL))


def _write(pipe: IO[bytes], written: bytes) -> None:
    pipe.write(_HEADER.pack(len(written)) + written)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> Any:
    header = pipe.read(_HEADER.size)
    if len(header) < _HEADER.size:
        raise EOFError
    (length,) = _HEADER.unpack(header)
    written = pipe.read(length)
    if len(written) < length:
        raise EOFError
    return pickle.loads(written)


def limit_memory(memory_bytes: int) -> bool:
    """Hold this process to an amount of private memory; return whether the system keeps such a limit."""
    if not sys.platform.startswith("linux"):
        return False
    import resource  # does not exist on Windows

    resource.setrlimit(resource.RLIMIT_DATA, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    return True


def serve(memory_bytes: int, preload: tuple[str, ...] = ()) -> None:
    """Run jobs from standard input until it closes: the life of a worker process.

    An exception that no room foresaw ends the process with its traceback in the log; the pool turns that into
    ``work-crashed`` and starts a fresh worker.
    """
    jobs = os.fdopen(os.dup(0), "rb")
    answers = os.fdopen(os.dup(1), "wb")
    # Libraries that print must not write into the answers, nor read the jobs.
    os.dup2(2, 1)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    limit_memory(memory_bytes)
    one_core_each()
    for module in preload:
        import_module(module)
    _send(answers, ("ready", None))
    while True:
        try:
            call, arguments, wants_reports = _receive(jobs)
        except EOFError:
            return
        _send(answers, _do(call, arguments, answers if wants_reports else None))


def _do(call: Callable[..., Any], arguments: tuple[Any, ...], reports: IO[bytes] | None) -> tuple[str, Any]:
    try:
        if reports is None:
            return "result", call(*arguments)
        return "result", call(*arguments, report=lambda value: _send(reports, ("report", value)))
    except TruelobeError as error:
        return "error", error
    except MemoryError:
        return "error", TruelobeError(
            "work-out-of-memory",
            "This photo needs more memory than one photo may use.",
            "Save it at a smaller size (12 to 50 megapixels are fine) and try again.",
        )
