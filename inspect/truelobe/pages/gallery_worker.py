"""The worker that decodes and measures the gallery's photos, where time and memory are bounded."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import streamlit as st

from truelobe.gallery.measuring import measure_photo
from truelobe.pages.work import Limits, WorkerPool
from truelobe.request import Request

Result = TypeVar("Result")


@st.cache_resource(show_spinner=False)
def _workers() -> WorkerPool:
    return WorkerPool(workers=1, limits=Limits(seconds=60))


def measure_bytes(data: bytes, name: str, request: Request | None = None) -> Mapping[str, Any]:
    """Measure a photo in a worker process and return its document."""
    return in_worker(measure_photo, data, name, request)


def in_worker(job: Callable[..., Result], *words: Any, **options: Any) -> Result:
    """Do a job that decodes a photo in a worker process, where time and memory are bounded."""
    return _workers().submit(job, *words, **options).result()
