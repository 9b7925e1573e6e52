"""The bin, bundles and tables in and out, backup and check, the sample gallery."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

import streamlit as st

from truelobe import gallery
from truelobe.gallery import Choice, Query
from truelobe.pages import style
from truelobe.pages.gallery_cards import one_page
from truelobe.pages.gallery_worker import measure_bytes
from truelobe.report.gallery_list import write_list
from truelobe.store import Store

KIND = "import"
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
_CHOICES: tuple[Choice, ...] = ("keep mine", "take theirs", "keep both")


def show_bin(store: Store) -> None:
    """Draw what was deleted."""
    query = Query(binned=True)
    if not gallery.count(store, query, at_most=1):
        style.lead("The bin is empty. What you delete waits here and can be put back.")
        return
    one_page(store, query)
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
    """Let plates be taken along: everything, the chosen ones, or what was last looked for."""
    with st.expander("Export", expanded=True):
        chosen = list(st.session_state.get("gallery_chosen", []))
        asked = st.session_state.get("gallery_asked")
        offered: dict[str, Query | list[str]] = {"Everything": Query()}
        if asked is not None and Query.from_text(asked) != Query():
            offered["What you last looked for under Plates"] = Query.from_text(asked)
        if chosen:
            offered[f"The {len(chosen)} chosen"] = chosen
        which = offered[st.radio("Which plates", list(offered), key=f"export-{'-'.join(offered)}")]
        names = st.toggle("Nicknames too", help="They stay at home unless you ask for them.")
        downloads(store, which, names=names)


def downloads(store: Store, which: Query | list[str], *, names: bool = False) -> None:
    """Offer plates as a bundle, as tables and as sheets; each is made when it is asked for."""
    everything = which == Query()
    uids = None if everything else which if isinstance(which, list) else partial(gallery.uids, store, which)
    today = date.today().isoformat()
    made: tuple[tuple[str, str, str, Callable[[Path], int]], ...] = (
        (
            "Bundle for another gallery",
            "zip",
            "application/zip",
            lambda path: gallery.export_bundle(store, path, uids() if callable(uids) else uids, names=names),
        ),
        ("Table (CSV)", "csv", "text/csv", lambda path: gallery.write_csv(store, path, which, names=names)),
        ("Table (XLSX)", "xlsx", _XLSX, lambda path: gallery.write_xlsx(store, path, which, names=names)),
        ("List (PDF)", "pdf", "application/pdf", lambda path: write_list(store, path, which)),
    )
    with st.container(horizontal=True):
        for label, ending, kind, write in made:
            st.download_button(
                label,
                _written(store, write),
                f"plates-{today}.{ending}",
                kind,
                on_click="ignore",
                key=f"take-{ending}",
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
