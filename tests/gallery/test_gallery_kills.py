"""A process killed at any moment loses nothing that was acknowledged and leaves nothing behind."""

import pytest
from tests.benchmarks import stress_gallery
from tests.databases import postgres_server


def test_twenty_kills_on_sqlite():
    report = stress_gallery.run(20, seed=11)
    assert report.faults == ()
    assert report.acknowledged >= 40  # each was at work when it was killed


@pytest.mark.postgres
def test_five_kills_on_postgresql():
    with postgres_server(durable=True) as server:
        report = stress_gallery.run(5, seed=12, url=server.new_database())
    assert report.faults == ()
