"""What people change on a kept plate: words, photos, bin, undo, measuring again.

Every change is written against the version that its maker saw. Who comes second is told, and keeps what was typed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from truelobe import gallery
from truelobe.gallery import measuring
from truelobe.messages import TruelobeError
from truelobe.pages import drafts, style
from truelobe.pages.gallery_worker import in_worker, measure_bytes
from truelobe.pages.nickname import ask_nickname, nickname
from truelobe.store import Inspection, Store, crop_box, prepare_photo
from truelobe.units import inch_fraction, percent


def show_edit(store: Store, plate: Inspection) -> None:
    """Draw everything that changes a plate."""
    seen = st.session_state.get(f"seen-{plate.uid}", plate.version)
    _form(store, plate)
    left, right = st.columns(2)
    if left.button("Undo the last change", width="stretch"):
        _try(plate, lambda: store.inspections.undo(plate.uid, seen, nickname()))
    if plate.binned_at:
        if right.button("Put back", type="primary", width="stretch"):
            _try(plate, lambda: store.inspections.put_back(plate.uid, seen, nickname()))
    elif right.button("Delete", help="Goes to the bin; it can be put back.", width="stretch"):
        _try(plate, lambda: store.inspections.bin(plate.uid, seen, nickname()))
    _history(store, plate)
    _further_photo(store, plate)
    _again(store, plate)
    st.session_state[f"seen-{plate.uid}"] = plate.version


def _form(store: Store, plate: Inspection) -> None:
    """Let people write about the plate. What was typed stays until it is saved, whoever else writes meanwhile."""
    kept = st.session_state.setdefault(
        f"form-{plate.uid}", {"drawn": plate.version, "against": plate.version, "seen": _words(plate)}
    )
    mark = f"{plate.uid}-{kept['drawn']}"
    seen = kept["seen"]
    with st.expander("Edit, mark as an example"), st.form(f"edit-{plate.uid}"):
        typed = {
            "title": st.text_input("Title", seen["title"], key=f"title-{mark}"),
            "notes": st.text_area("Notes", seen["notes"], key=f"notes-{mark}"),
            "tags": _tags(st.text_input("Tags, with commas", ", ".join(seen["tags"]), key=f"tags-{mark}")),
            "plate_date": st.date_input("Plate date", seen["plate_date"], key=f"date-{mark}"),
            "example": st.toggle("Graded example", seen["example"], key=f"example-{mark}"),
            "teaching_note": st.text_area(
                "What it teaches",
                seen["teaching_note"],
                placeholder="12 % green at the shoulder: inside the house rule, not under the U.S. rule.",
                key=f"note-{mark}",
            ),
        }
        who = ask_nickname(f"who-{mark}")
        saved = st.form_submit_button("Save", type="primary")
        if plate.version != kept["against"]:
            _say_changed(store, plate, kept["against"])
    if not saved:
        return
    mine = {name: value for name, value in typed.items() if value != seen[name]}
    against, kept["against"] = kept["against"], plate.version  # told once, saving again is meant
    _try(plate, lambda: store.inspections.edit(plate.uid, against, who, **mine))


def _words(plate: Inspection) -> dict[str, Any]:
    names = ("title", "notes", "plate_date", "example", "teaching_note")
    return {name: getattr(plate, name) for name in names} | {"tags": _tags(",".join(plate.tags))}


def _tags(written: str) -> list[str]:
    return sorted({tag.strip() for tag in written.split(",")} - {""})


def _say_changed(store: Store, plate: Inspection, version: int) -> None:
    """Say what somebody else changed since the form was opened."""
    since = [change for change in store.inspections.history(plate.uid) if change.version > version]
    people = sorted({change.who for change in since} - {""})
    parts = sorted({name.replace("_", " ") for change in since for name in change.after})
    style.show_html(
        style.message_html(
            "changed-here",
            f"{' and '.join(people) or 'Somebody'} changed this plate while it was open here"
            + (f": {', '.join(parts)}." if parts else "."),
            "What you typed is still in the form and not written. Save writes only the fields you changed. "
            "Reload the page to start from how the plate stands now.",
            "flag small",
        )
    )


def _try(plate: Inspection, change: Callable[[], Any]) -> None:
    """Make a change and draw anew; where it is refused, say so and leave everything as it is."""
    try:
        change()
    except TruelobeError as error:
        style.say(error.message)
        return
    for name in ("form", "seen"):
        st.session_state.pop(f"{name}-{plate.uid}", None)
    st.rerun()


def _history(store: Store, plate: Inspection) -> None:
    with st.expander("History"):
        for change in store.inspections.history(plate.uid):
            who = f" by {change.who}" if change.who else ""
            parts = ", ".join(name.replace("_", " ") for name in change.after)
            taken = " (taken back)" if change.undone and change.before and change.action != "undone" else ""
            st.text(f"{change.at:%b %-d, %H:%M}: {change.action}{who}{': ' + parts if parts else ''}{taken}")


def _further_photo(store: Store, plate: Inspection) -> None:
    """Take in a photo of a further side. It is shown, not measured; its card and peppers say where to cut it."""
    with st.expander("Add a photo of a further side"):
        st.write("It stands beside the first one. The figures stay those of the measured photo.")
        handed = st.file_uploader("Photo", ["jpg", "jpeg", "png", "webp", "heic"], key=f"side-{plate.version}")
        whole = st.toggle("Keep the whole photo", key=f"side-whole-{plate.version}")
        if handed is None or not st.button("Add it", type="primary"):
            return
        data, name = handed.getvalue(), handed.name

        def add() -> None:
            with st.spinner("Looking for plate and card."):
                document = None if whole else measure_bytes(data, name)
                box = crop_box(document if document and document["status"] != "refused" else None)
                prepared = in_worker(prepare_photo, data, box, name=name)
            store.inspections.add_photo(plate.uid, prepared, plate.version, nickname())
            if box is None and not whole:
                st.toast("No card was found, so this photo was kept whole.")

        _try(plate, add)


def _again(store: Store, plate: Inspection) -> None:
    """Measure the photo with today's tool; show what changed."""
    if not plate.photos:
        return
    with st.expander("Measure again"):
        st.write("Both measurements are kept, and the difference is shown.")
        if st.button("Measure again with this version"):
            today = drafts.request_for(drafts.empty_body(), store)
            asked = measuring.as_asked_before(store.inspections.document(plate.uid), today)
            with st.spinner("Measuring. This takes a few seconds."):
                _try(
                    plate,
                    lambda: gallery.measure_again(
                        store, plate.uid, lambda data: measure_bytes(data, "photo", asked), nickname()
                    ),
                )
        if len(plate.measurements) > 1:
            _differences(store, plate)


def _differences(store: Store, plate: Inspection) -> None:
    first, last = plate.measurements[-2:]
    before, after = (store.inspections.document(plate.uid, made.uid) for made in (first, last))
    rows = "".join(
        f"<tr><td>{one.pepper}</td><td>{_QUANTITY[one.quantity]}</td>"
        f"<td>{_said(one.quantity, one.before)}</td><td>{_said(one.quantity, one.after)}</td>"
        f"<td>{_by(one)}</td></tr>"
        for one in gallery.difference(before, after)
    )
    head = "".join(f'<th scope="col">{name}</th>' for name in ("Pepper", "Figure", "Before", "Now", "Difference"))
    style.show_html(
        f"<p>{style.text(first.tool)} before, {style.text(last.tool)} now.</p>"
        '<div class="tl-scroll" tabindex="0" role="region" aria-label="What measuring again changed">'
        f'<table class="tl-table"><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
    )


_QUANTITY = {
    "diameter_mm": "Diameter",
    "width_seen_mm": "Width seen",
    "length_mm": "Length",
    "not_fully_coloured": "Not fully colored",
}


def _said(quantity: str, value: float | None) -> str:
    if value is None:
        return "not measured"
    if quantity == "not_fully_coloured":
        return percent(value)
    return f"{inch_fraction(value)} ({value:.1f} mm)"


def _by(one: gallery.Difference) -> str:
    """Return a difference with its sign, in millimeters or in points of a percent."""
    if one.change is None:
        return ""
    share = one.quantity == "not_fully_coloured"
    return f"{100 * one.change:+.1f} points" if share else f"{one.change:+.1f} mm"
