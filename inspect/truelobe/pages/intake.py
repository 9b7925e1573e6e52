"""How photos get onto the desk: chosen, dropped, pasted, from a watched folder, or a sample plate."""

from __future__ import annotations

import io
import time
from collections.abc import Sequence
from pathlib import Path

import streamlit as st
from PIL import Image

from truelobe.messages import TruelobeError
from truelobe.pages import navigation, style, touch
from truelobe.pages.desk import Desk, desk, sample_photos
from truelobe.pages.options import LARGEST_UPLOAD_MB

# Named one by one so that phones offer the camera and hand over HEIC as it is.
ENDINGS = ("jpg", "jpeg", "png", "webp", "heic", "heif", "avif")
_STILL_S = 1.0
_SAMPLES_SHOWN = 4


def first(bench: Desk) -> None:
    """Draw the page's beginning: what to do, and the ways to do it."""
    style.lead(
        "Lay the printed scale card beside the plate and photograph both from straight above. "
        "Every pepper's size and color come back, and how sure that is."
    )
    _ways_in(bench)
    navigation.link("card", "No card yet? Print one.")
    _samples(bench)
    _folder(bench)


def more(bench: Desk) -> None:
    """Draw the same ways in, folded away under a result."""
    with st.expander("Measure another plate"):
        _ways_in(bench)
        _samples(bench)


def _ways_in(bench: Desk) -> None:
    turn = st.session_state.setdefault("upload-turn", 0)
    chosen = st.file_uploader(
        "Photos of plates: choose, drop or paste one or several",
        type=list(ENDINGS),
        accept_multiple_files=True,
        max_upload_size=LARGEST_UPLOAD_MB,
        key=f"upload-{turn}",
    )
    if chosen:
        st.session_state["upload-turn"] = turn + 1  # an emptied field, and the bytes out of the session
        _take_in(bench, [(one.name, one.getvalue()) for one in chosen])
    pasted = touch.pasted(key="paste")
    if pasted is not None:
        _take_in(bench, [pasted])


def _take_in(bench: Desk, files: Sequence[tuple[str, bytes]], *, sample: bool = False) -> None:
    st.query_params["draft"] = bench.take_in(files, sample=sample)[0]
    st.rerun()


def _samples(bench: Desk) -> None:
    samples = sample_photos()[:_SAMPLES_SHOWN]
    if not samples:
        return
    st.subheader("Or try a sample plate")
    with st.container(key="samples"):
        for number, path in enumerate(samples, start=1):
            with st.container(key=f"sample-{number}"):
                st.image(_thumbnail(str(path)), width="stretch", alt=f"Sample plate {number}")
                if st.button(f"Sample plate {number}", key=f"try-{number}", width="stretch"):
                    _take_in(bench, [(path.name, path.read_bytes())], sample=True)


@st.cache_data(show_spinner=False, max_entries=24)
def _thumbnail(path: str) -> bytes:
    with Image.open(path) as picture:
        picture.draft("RGB", (480, 480))
        small = picture.convert("RGB")
        small.thumbnail((480, 480))
    written = io.BytesIO()
    small.save(written, "JPEG", quality=82)
    return written.getvalue()


def _folder(bench: Desk) -> None:
    """Watch a folder on this machine: photos that a cable or memory card brings are measured as they come."""
    with st.expander("Watch a folder (camera cable or memory card)"):
        folder = st.text_input(
            "Folder on this machine",
            value=bench.store.settings.get("watched_folder", ""),
            placeholder=str(Path.home() / "Pictures"),
            key="watched-folder",
        )
        watching = st.toggle("Measure new photos as they arrive", key="watching")
        if folder != bench.store.settings.get("watched_folder", ""):
            bench.store.settings.put("watched_folder", folder)
    if watching and folder:
        _watch(folder)


def _watch(folder: str) -> None:
    begun = st.session_state.setdefault("watching-since", time.time())

    @st.fragment(run_every=1.5)
    def look() -> None:
        try:
            found = new_photos(Path(folder).expanduser(), begun)
        except TruelobeError as error:
            style.say(error.message)
            return
        st.caption(f"Watching {folder}. Nothing new yet.")
        if found:
            st.session_state["watching-since"] = max(path.stat().st_mtime for path in found)
            _take_in(desk(), [(path.name, path.read_bytes()) for path in found])

    look()


def new_photos(folder: Path, since: float) -> list[Path]:
    """Return the photos of a folder written after a moment and no longer being written, oldest first.

    Parameters
    ----------
    folder : Path
    since : float
        Seconds since 1970.

    Raises
    ------
    TruelobeError
        ``folder-not-there``.
    """
    if not folder.is_dir():
        raise TruelobeError(
            "folder-not-there",
            f"There is no folder {folder} on this machine.",
            "Check the spelling, or plug the camera or card in again.",
        )
    still = time.time() - _STILL_S
    dated = [(path.stat().st_mtime, path) for path in folder.iterdir() if path.suffix.lower()[1:] in ENDINGS]
    return [path for written, path in sorted(dated) if since < written < still]
