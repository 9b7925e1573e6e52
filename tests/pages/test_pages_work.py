"""The worker pool: what happens in a worker stays there, and ends as a message."""

import os
import subprocess
import sys
import time

import cv2
import pytest

from truelobe.messages import TruelobeError
from truelobe.pages.work import Limits, WorkerPool, limit_memory


@pytest.fixture(scope="module")
def pool():
    with WorkerPool(workers=1, limits=Limits(memory_bytes=400 * 1024**2, seconds=60, waiting=3)) as pool:
        yield pool


def refused(pool, call, *arguments):
    with pytest.raises(TruelobeError) as caught:
        pool.submit(call, *arguments).result(timeout=120)
    return caught.value.message


def test_a_job_runs_in_another_process_and_its_result_comes_back(pool):
    assert pool.submit(os.getpid).result(timeout=120) != os.getpid()


def test_a_worker_keeps_opencv_to_one_core(pool):
    assert pool.submit(cv2.getNumThreads).result(timeout=120) == 1


def test_a_worker_that_dies_becomes_a_message_and_the_next_job_runs(pool):
    assert refused(pool, os._exit, 7).code == "work-crashed"
    assert refused(pool, os.abort).code == "work-crashed"
    assert pool.submit(pow, 2, 5).result(timeout=120) == 32


def test_an_error_nobody_foresaw_becomes_a_message(pool):
    assert refused(pool, int, "not a number").code == "work-crashed"


def test_a_job_that_overruns_is_ended_in_time():
    with WorkerPool(workers=1, limits=Limits(seconds=0.5)) as impatient:
        assert refused(impatient, time.sleep, 3600).code == "work-too-long"


def test_a_job_that_asks_for_too_much_memory_is_refused(pool):
    if not pool.submit(limit_memory, pool.limits.memory_bytes).result(timeout=120):
        assert not sys.platform.startswith("linux")  # other systems keep no such limit, and the module says so
        return
    assert refused(pool, bytearray, 500 * 1024**2).code == "work-out-of-memory"
    assert pool.submit(len, b"still here").result(timeout=120) == 10


def test_a_room_s_own_message_crosses_the_border_whole(pool):
    message = refused(pool, _refuse)
    assert (message.code, message.what_to_do) == ("no-such-plate", "Take another photo.")


def _refuse():
    raise TruelobeError("no-such-plate", "There is no plate.", "Take another photo.")


def test_first_results_come_ahead_of_the_last(pool):
    seen = []
    assert pool.submit(_count, 3, on_report=seen.append).result(timeout=120) == "done"
    assert seen == [0, 1, 2]


def _count(upto, *, report):
    for n in range(upto):
        report(n)
    return "done"


def test_what_a_library_prints_does_not_spoil_the_answer(pool):
    assert pool.submit(_prints).result(timeout=120) == "clean"


def _prints():
    print("noise", flush=True)
    os.write(1, b"more noise\n")
    return "clean"


def test_the_queue_is_bounded(pool, tmp_path):
    begun, enough = tmp_path / "begun", tmp_path / "enough"
    futures = [pool.submit(_wait, begun, enough)]
    while not begun.exists():  # the worker has taken the first
        time.sleep(0.02)
    futures += [pool.submit(time.sleep, 0) for _ in range(3)]
    with pytest.raises(TruelobeError) as caught:
        pool.submit(time.sleep, 0)
    assert caught.value.message.code == "work-busy"
    enough.touch()
    for future in futures:
        future.result(timeout=120)


def _wait(begun, enough):
    begun.touch()
    while not enough.exists():
        time.sleep(0.02)


def test_the_pool_needs_no_streamlit():
    check = "import truelobe.pages.work, sys; sys.exit('streamlit' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", check], env=os.environ | {"PYTHONPATH": "inspect"}, check=False)
    assert done.returncode == 0
