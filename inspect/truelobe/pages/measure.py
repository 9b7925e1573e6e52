"""Page "Measure a plate": a photo in, measured peppers out, corrected by hand, kept in the gallery.

The address says which draft is open; everything else stands in the draft's row. This module decides what is on the
screen; `intake` takes photos in, `plate` shows a result, `pepper` corrects one pepper.
"""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from truelobe.grading.cautions import foot_line
from truelobe.messages import TruelobeError
from truelobe.pages import drafts, intake, navigation, pepper, plate, style
from truelobe.pages.desk import Desk, OnDesk, Progress, desk
from truelobe.store import Draft

_LOOK_EVERY_S = 0.25


def show() -> None:
    """Draw the page."""
    st.title("Measure a plate")
    try:
        _draw(desk())
    except TruelobeError as error:
        style.say(error.message)
    style.foot(foot_line())


def _draw(bench: Desk) -> None:
    draft = _asked_for(bench)
    if draft is None:
        _just_kept(bench)
        intake.first(bench)
        _unfinished(bench)
        return
    with st.container():
        _other_photos(bench, draft)
    progress = bench.measure(draft)
    working = st.container()  # always there, so that nothing below moves when it fills or empties
    if draft.body["document"] is not None:  # until then the browser has nothing to draw but what is waited for
        plate.show(bench, draft)
        intake.more(bench)
    if progress.step != "done":
        with working:  # filled last, since it waits for news a moment
            _working(draft.uid, first=bench.pictures(draft) is None)


def _just_kept(bench: Desk) -> None:
    uid = st.session_state.pop("just-kept", None)
    if uid is not None:
        plate = bench.store.inspections.get(uid)
        cut = all(photo.cropped for photo in plate.photos)
        said = "Its photo is cut to plate and card." if cut else "Its photo is kept whole."
        found = f"{plate.title} can be found and shown there. {said}"
        style.show_html(style.message_html("kept", "Kept in the gallery.", found, "note"))
        style.to_top()
        navigation.link("gallery", "Open the gallery")


def _asked_for(bench: Desk) -> Draft | None:
    """Return the draft that the address names; say so where it is gone."""
    uid = st.query_params.get("draft")
    if uid is None:
        return None
    try:
        draft = bench.store.drafts.get(uid)
    except TruelobeError as error:
        if error.message.code != "not-found":
            raise
        _no_longer_here(bench, uid)
        return None
    if draft.body.get("thrown_at"):
        _thrown_away(bench, draft)
        return None
    return draft


def _no_longer_here(bench: Desk, uid: str) -> None:
    del st.query_params["draft"]
    del bench, uid
    style.show_html(
        style.message_html(
            "draft-gone",
            "This plate is no longer on the desk.",
            "If it was kept, it stands in the gallery. Start with a photo below.",
            "note",
        )
    )


def _thrown_away(bench: Desk, draft: Draft) -> None:
    name = draft.uploads[0].name if draft.uploads else "the photo"
    style.show_html(
        style.message_html("thrown-away", f"{name} was thrown away.", "It stays here for a day.", "note")
    )
    style.to_top()
    if st.button("Undo: bring it back", key="bring-back"):
        drafts.change(bench.store, draft.uid, lambda body: body.pop("thrown_at", None))
        st.rerun()


def _other_photos(bench: Desk, draft: Draft) -> None:
    """Offer the photos that lie on the desk, when there is more than one."""
    waiting = bench.photos()
    if len(waiting) < 2:
        return
    # The browser answers with what it shows, so no two may look alike, nor change while the choice stands.
    in_turn = sorted(waiting, key=lambda one: one.started_at)
    names = {one.uid: f"{turn}. {one.name}" for turn, one in enumerate(in_turn, start=1)}
    chosen = st.pills(
        "Photos on the desk",
        list(names),
        default=draft.uid if draft.uid in names else None,
        format_func=lambda uid: names[uid],
        key=f"photos-{draft.uid}-{'-'.join(uid[:6] for uid in names)}",
    )
    if chosen is not None and chosen != draft.uid:
        st.query_params["draft"] = chosen
        st.rerun()


def _unfinished(bench: Desk) -> None:
    waiting = bench.photos()
    if not waiting:
        return
    st.subheader("Still on the desk")
    for one in waiting[:12]:
        if st.button(_label(one), key=f"open-{one.uid}", width="stretch"):
            st.query_params["draft"] = one.uid
            st.rerun()


def _label(one: OnDesk) -> str:
    state = {None: "working", "ok": "measured"}.get(one.status, one.status)
    minutes = (datetime.now(UTC) - one.changed_at).total_seconds() / 60
    ago = (
        "" if minutes < 60 else f", {minutes / 60:.0f} h ago" if minutes < 48 * 60 else f", {one.changed_at:%b %d}"
    )
    return f"{one.name} ({state}{ago})"


def _working(uid: str, *, first: bool) -> None:
    """Show how far the measuring is, until it is done: what is new at once, the time left a few times a second."""

    @st.fragment(run_every=_LOOK_EVERY_S)
    def watch() -> None:
        said, picture = st.empty(), st.empty()
        for progress in desk().follow(uid, _LOOK_EVERY_S):
            if progress.step == "done":
                if pepper.looking(uid) is None:
                    st.rerun()
                # A page drawn anew takes an open window's unsent words with it: the result waits until it closes.
                said.caption("Measured again. The page shows it when the pepper's window closes.")
                return
            said.progress(progress.share, f"{'' if first else 'Measuring again. '}{_how_far(progress)}.")
            if first and progress.picture is not None:
                picture.image(progress.picture, width="stretch", alt="The photo being measured")

    # Over a result it stands at the window's foot, so that nothing on the page moves.
    with st.container(key="first-time" if first else "again"):
        watch()


def _how_far(progress: Progress) -> str:
    left = f"about {max(1, round(progress.seconds_left))} s left" if progress.seconds_left > 1 else "nearly done"
    done = {
        "waiting": "Reading the photo",
        "read": "Looking for the card and the peppers",
        "outlined": f"{progress.found} outlined. Measuring size and color",
    }[progress.step]
    return f"{done}, {left}"
