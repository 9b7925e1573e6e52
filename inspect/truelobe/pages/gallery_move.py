"""The bin, bundles and tables in and out, backup and check, the sample gallery."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import streamlit as st

from truelobe import gallery
from truelobe.gallery import Choice, Query
from truelobe.gallery.measuring import measure_photo
from truelobe.pages import style
from truelobe.pages.work import Limits, WorkerPool
from truelobe.store import Store

KIND = "import"
_CHOICES: tuple[Choice, ...] = ("keep mine", "take theirs", "keep both")


@st.cache_resource(show_spinner=False)
def _workers() -> WorkerPool:
    return WorkerPool(workers=1, limits=Limits(seconds=60))


def measure_bytes(data: bytes, name: str) -> Mapping[str, Any]:
    """Measure a photo in a worker process and return its document."""
    return _workers().submit(measure_photo, data, name).result()


def show_bin(store: Store) -> None:
    """Draw what was deleted."""
    from truelobe.pages.gallery import cards

    found = gallery.find(store, Query(binned=True))
    if not found.cards:
        style.lead("The bin is empty. What you delete waits here and can be put back.")
        return
    cards(found.cards)
    sure = st.checkbox("Delete for good. This can't be undone.")
    if st.button("Empty the bin", disabled=not sure):
        gallery.empty_bin(store)
        st.rerun()


def show_move(store: Store) -> None:
    """Draw export, import, backup, check and the sample gallery."""
    style.lead("Take plates along, bring others in, and keep everything safe.")
    _export(store)
    _import(store)
    _care(store)
    _sample(store)


def _export(store: Store) -> None:
    with st.expander("Export", expanded=True):
        chosen = list(st.session_state.get("gallery_chosen", []))
        which = st.radio("Which plates", ("Everything", f"The {len(chosen)} chosen"), disabled=not chosen)
        names = st.toggle("Nicknames too", help="They stay at home unless you ask for them.")
        uids = chosen if chosen and which != "Everything" else None
        today = date.today().isoformat()
        bundle, csv, xlsx = st.columns(3)
        bundle.download_button(
            "Bundle for another gallery",
            _written(store, lambda path: gallery.export_bundle(store, path, uids, names=names)),
            f"plates-{today}.zip",
            "application/zip",
            on_click="ignore",
            width="stretch",
        )
        everything = Query()
        csv.download_button(
            "Table (CSV)",
            _written(store, lambda path: gallery.write_csv(store, path, everything, names=names)),
            f"plates-{today}.csv",
            "text/csv",
            on_click="ignore",
            width="stretch",
        )
        xlsx.download_button(
            "Table (XLSX)",
            _written(store, lambda path: gallery.write_xlsx(store, path, everything, names=names)),
            f"plates-{today}.xlsx",
            on_click="ignore",
            width="stretch",
        )


def _written(store: Store, write: Callable[[Path], int]) -> Callable[[], bytes]:
    """Return what makes a download when it is asked for."""

    def make() -> bytes:
        with store.workspace() as folder:
            path = folder / "download"
            write(path)
            return path.read_bytes()

    return make


def _import(store: Store) -> None:
    """Check a bundle, list conflicts, let the coach choose, take it in: all or nothing."""
    with st.expander("Import a bundle", expanded=bool(st.session_state.get("gallery_import"))):
        uid = st.session_state.get("gallery_import")
        if uid is None:
            handed = st.file_uploader("Bundle", type="zip", max_upload_size=1000)
            if handed is not None and st.button("Look at it", type="primary"):
                draft = store.drafts.start(KIND, {}, uploads=[(handed.name, handed.getvalue())])
                st.session_state["gallery_import"] = draft.uid
                st.rerun()
            return
        draft = store.drafts.get(uid)
        if st.button("Leave it"):
            _done(store, uid)
        path = store.drafts.upload(draft.uploads[0].sha256)
        plan = gallery.plan_import(store, path)
        st.write(f"{plan.new} new, {plan.same} already here, {len(plan.conflicts)} differ.")
        choices: dict[str, Choice] = {}
        for conflict in plan.conflicts:
            choices[conflict.uid] = st.radio(
                f'Here "{conflict.title_here}", there "{conflict.title_there}". '
                f"They differ in {', '.join(conflict.parts)}.",
                _CHOICES,
                key=f"conflict-{conflict.uid}",
                horizontal=True,
            )
        if st.button("Take it in", type="primary"):
            gallery.import_bundle(store, path, choices)
            _done(store, uid)


def _done(store: Store, uid: str) -> None:
    store.drafts.finish(uid)
    del st.session_state["gallery_import"]
    st.rerun()


def _care(store: Store) -> None:
    with st.expander("Backup and check"):
        st.text(f"Database: {store.place.shown}")
        st.text(f"Photos: {store.place.photos}")
        st.download_button(
            "Make a backup",
            _written(store, lambda path: gallery.back_up(store, path)),
            f"gallery-backup-{date.today().isoformat()}.zip",
            "application/zip",
            on_click="ignore",
        )
        st.write("Bring a backup back with: truelobe gallery restore FILE, into an empty folder.")
        if st.button("Check everything"):
            with st.spinner("Looking at every record and photo."):
                health = gallery.check(store)
            if health.clean:
                st.success(f"Everything is in order: {health.plates} plates, {health.photos} photos.")
            for fault in health.faults:
                st.warning(f"{fault.kind}: {fault.what}")


def _sample(store: Store) -> None:
    with st.expander("Sample gallery"):
        st.write("Plates of an invented team, measured by the tool itself. Your own plates are never touched.")
        left, right = st.columns(2)
        if left.button("Load it", width="stretch"):
            with st.spinner("Measuring the sample plates. This takes about a minute."):
                gallery.load_sample(store, measure_bytes)
            st.rerun()
        if right.button("Remove it", width="stretch"):
            gallery.remove_sample(store)
            st.rerun()
