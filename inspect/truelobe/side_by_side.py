"""Work on two peppers at once, each on one core."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

Item = TypeVar("Item")
Result = TypeVar("Result")

# More threads wait for each other between NumPy's small calls: four on four cores or more were no sooner done than
# two, and a tenth later where the system lends a program but two of its cores.
_MOST = 2


def one_core_each() -> None:
    """Keep OpenCV to the core that calls it, for the whole program.

    Two peppers at a time keep two cores busy; OpenCV's own threads, which share out each small step again and wait
    for each other, gained nothing beside that.
    """
    cv2.setNumThreads(1)


def each(work: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Return what `work` makes of each item, in order; what it raises first is raised here.

    NumPy and OpenCV let go of the interpreter while they compute, so threads are enough.
    """
    if len(items) < 2:
        return [work(item) for item in items]
    with ThreadPoolExecutor(min(len(items), os.cpu_count() or 1, _MOST)) as cores:
        return list(cores.map(work, items))
