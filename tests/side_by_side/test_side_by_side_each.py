"""Work shared out over cores gives what one after the other gives."""

import threading

import cv2
import pytest

from truelobe.side_by_side import each, one_core_each


def test_results_come_in_the_order_of_the_items_however_long_each_takes(monkeypatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    turn = [threading.Event() for _ in range(2)]

    def work(item: int) -> int:
        # The first waits for the second: only work side by side can end.
        if item == 0:
            assert turn[1].wait(60)
        turn[item].set()
        return 10 * item

    assert each(work, [0, 1]) == [0, 10]


def test_more_items_than_cores_are_all_done() -> None:
    assert each(str, range(50)) == [str(item) for item in range(50)]


@pytest.mark.parametrize("count", [0, 1])
def test_a_single_item_is_done_where_it_is_asked(count: int) -> None:
    assert each(lambda _: threading.get_ident(), range(count)) == [threading.get_ident()] * count


@pytest.mark.parametrize("count", [1, 5])
def test_what_goes_wrong_is_raised_where_it_was_asked(count: int) -> None:
    def work(item: int) -> None:
        raise ValueError(f"item {item}")

    with pytest.raises(ValueError, match="item 0"):
        each(work, range(count))


def test_opencv_keeps_to_the_core_that_calls_it() -> None:
    before = cv2.getNumThreads()
    try:
        one_core_each()
        assert cv2.getNumThreads() == 1
    finally:
        cv2.setNumThreads(before)
