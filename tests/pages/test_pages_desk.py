"""The desk tells what there is to tell at once, and reads no more of the store than has changed."""

import threading
from concurrent.futures import Future

import pytest
from tests.pages import example_plate

from truelobe.pages import drafts, jobs
from truelobe.pages.desk import Desk
from truelobe.store import open_store


class Pool:
    """In place of the workers: the test says what a worker would report."""

    def __init__(self):
        self.future = Future()

    def submit(self, call, *arguments, on_report):
        assert call is jobs.measure
        self.report = on_report
        return self.future


@pytest.fixture
def pool():
    return Pool()


@pytest.fixture
def desk(tmp_path, pool):
    store = open_store(tmp_path)
    yield Desk(store, pool)
    store.close()


def test_who_follows_a_measurement_hears_each_step_as_it_comes(desk, pool):
    (uid,) = desk.take_in([("a.jpg", b"a")])
    steps = desk.follow(uid, 60)
    assert next(steps).step == "waiting"
    pool.report(jobs.Early("read", b"bare"))
    assert (heard := next(steps)).step == "read"
    assert heard.picture == b"bare"
    later = threading.Timer(0.05, pool.report, [jobs.Early("outlined", b"lines", 3)])  # while somebody waits
    later.start()
    assert (heard := next(steps)).step == "outlined"
    assert heard.found == 3
    later.join()
    pool.future.set_result(jobs.Measured(example_plate.document(), None))
    assert next(steps).step == "done"
    assert list(steps) == []


def test_without_patience_only_what_is_known_is_told(desk, pool):
    (uid,) = desk.take_in([("a.jpg", b"a")])
    assert [progress.step for progress in desk.follow(uid, 0)] == ["waiting"]
    pool.report(jobs.Early("read", b"bare"))
    assert [progress.step for progress in desk.follow(uid, 0)] == ["read"]


def test_the_list_of_photos_reads_only_drafts_that_changed(desk, monkeypatch):
    first, second = desk.take_in([("a.jpg", b"a"), ("b.jpg", b"b")])
    read, some = [], desk.store.drafts.some

    def noted(uids):
        read.extend(uids)
        return some(uids)

    monkeypatch.setattr(desk.store.drafts, "some", noted)
    assert [(one.uid, one.name, one.status) for one in desk.photos()] == [
        (second, "b.jpg", None),
        (first, "a.jpg", None),
    ]
    document = example_plate.document()
    drafts.change(desk.store, first, lambda body: body.update(document=document))
    assert [(one.uid, one.status) for one in desk.photos()] == [(first, document["status"]), (second, None)]
    assert sorted(read) == sorted([first, second, first])
    drafts.change(desk.store, second, lambda body: body.update(thrown_at="2026-01-01T00:00:00+00:00"))
    assert [one.uid for one in desk.photos()] == [first]
    drafts.change(desk.store, second, lambda body: body.pop("thrown_at"))
    desk.store.drafts.finish(first)
    assert [one.uid for one in desk.photos()] == [second]
