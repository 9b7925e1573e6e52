"""One plate of the gallery, whole: picture, figures, notes, what was changed, measuring again."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image

from truelobe import gallery
from truelobe.gallery.masks import photo_of
from truelobe.messages import TruelobeError
from truelobe.pages import style
from truelobe.report import overlay, words
from truelobe.store import Inspection, Photo, Store
from truelobe.store.documents import in_kept_photo
from truelobe.units import inch_fraction, percent


def show_plate(store: Store, uid: str, *, editing: bool = True) -> None:
    """Draw one plate."""
    plate = store.inspections.get(uid)
    if st.button("Back to the gallery"):
        del st.query_params["plate"]
        st.rerun()
    st.title(plate.title or f"Plate of {plate.plate_date:%B %-d, %Y}")
    document = store.inspections.document(uid)
    if plate.binned_at:
        st.warning("This plate is in the bin.")
    measured = document is not None and plate.status != "not measured"
    style.lead(words.summary(document) if document and measured else "Not measured.")
    _pictures(store, plate, document)
    if plate.teaching_note:
        style.show_html(f'<p class="tl-next">{style.text(plate.teaching_note)}</p>')
    if document and measured:
        _peppers(plate, document)
    elif document:
        style.say_all(document["messages"], "refusal")
    _about(plate)
    if editing:
        _edit(store, plate)
        _history(store, plate)
        _again(store, plate)


def _pictures(store: Store, plate: Inspection, document: dict[str, Any] | None) -> None:
    """Show the photos; the measured one with outlines, or bare for a projector."""
    bare = st.toggle("Bare photo", help="Hides outlines and numbers, so that a team can look first.")
    measured = photo_of(document, plate.photos) if document else None
    current = next((made.uid for made in plate.measurements if made.current), None)
    for number, photo in enumerate(plate.photos, start=1):
        drawn = photo == measured and not bare and document is not None
        if drawn and current:
            picture = _outlined(photo.sha256, plate.uid, current)
            st.image(picture, alt=words.alt_text(document or {"peppers": []}), width="stretch")
        else:
            st.image(_bare(photo.sha256), alt=f"Photo {number} of the plate", width="stretch")


@st.cache_data(max_entries=12, show_spinner=False)
def _bare(sha256: str) -> bytes:
    return overlay.as_jpeg(overlay.bare(_pixels(sha256)))


@st.cache_data(max_entries=12, show_spinner=False)
def _outlined(sha256: str, uid: str, measurement: str) -> bytes:
    from truelobe.pages.gallery import opened_store

    store = opened_store()
    photo: Photo = store.photos.get(sha256)
    document = store.inspections.document(uid, measurement) or {"peppers": []}
    return overlay.as_jpeg(
        overlay.draw_plate(_pixels(sha256), in_kept_photo(document, (photo.crop_x, photo.crop_y)))
    )


def _pixels(sha256: str) -> Any:
    from truelobe.pages.gallery import opened_store

    with Image.open(io.BytesIO(opened_store().photos.read(sha256))) as image:
        return np.asarray(image.convert("RGB"))


def _peppers(plate: Inspection, document: dict[str, Any]) -> None:
    """One table row per figure and decision, words and signs."""
    grades = {pepper.number: pepper.grade for pepper in plate.peppers}
    pieces = []
    for pepper in document["peppers"]:
        rows = "".join(
            f"<dt>{style.text(one.label)}</dt><dd>{style.text(one.first)}"
            f"<small>{style.text(one.second)}{' by hand' if one.by_hand else ''}</small></dd>"
            for one in words.readings(pepper)
        )
        said = "".join(
            f"<li>{style.sign(one['outcome'])}<span><strong>{style.text(one['outcome'])}</strong> "
            f"{style.text(words.limit_words(one))} ({style.text(one['rule'])})</span></li>"
            for one in pepper["decisions"]
        )
        grade = grades.get(pepper["number"])
        tag = f'<span class="tl-tag">{style.text(grade)}</span>' if grade else ""
        pieces.append(
            f'<article class="tl-card"><div><h3>Pepper {pepper["number"]}, '
            f"{style.text(pepper['colour'] or 'color unknown')}{tag}</h3>"
            f"<dl>{rows}</dl><ul>{said}</ul></div></article>"
        )
    style.show_html(f'<div class="tl-cards">{"".join(pieces)}</div>')


def _about(plate: Inspection) -> None:
    """Say who, when, under which rules, and what was found by hand."""
    with st.expander("About this plate"):
        lines = [
            f"Plate date: {plate.plate_date:%B %-d, %Y}. Kept {plate.kept_at:%B %-d, %Y}"
            + (f" by {plate.who}." if plate.who else ".")
        ]
        lines += [f"Grade: {plate.grade} ({plate.grade_rules})."] if plate.grade else []
        lines += [f"Tags: {', '.join(plate.tags)}."] if plate.tags else []
        lines += [f"Notes: {plate.notes}"] if plate.notes else []
        found = [f"{one.name} ({'plate' if one.number == 0 else f'pepper {one.number}'})" for one in plate.defects]
        lines += [f"Defects found by hand: {', '.join(found)}."] if found else []
        lines += [
            f"Photo {number}: {photo.width_px} x {photo.height_px} pixels"
            + (", cut to plate and card." if photo.cropped else ", kept whole.")
            for number, photo in enumerate(plate.photos, start=1)
        ]
        lines += [f"Measured {made.made_at:%B %-d, %Y} with {made.tool}." for made in plate.measurements]
        for line in lines:
            st.text(line)


def _edit(store: Store, plate: Inspection) -> None:
    """Let people write about the plate; the second of two editors is told."""
    with st.expander("Edit, mark as an example"), st.form(f"edit-{plate.uid}"):
        st.text_input("Title", plate.title, key=f"title-{plate.uid}-{plate.version}")
        st.text_area("Notes", plate.notes, key=f"notes-{plate.uid}-{plate.version}")
        st.text_input("Tags, with commas", ", ".join(plate.tags), key=f"tags-{plate.uid}-{plate.version}")
        st.date_input("Plate date", plate.plate_date, key=f"date-{plate.uid}-{plate.version}")
        st.toggle("Graded example", plate.example, key=f"example-{plate.uid}-{plate.version}")
        st.text_area(
            "What it teaches",
            plate.teaching_note,
            placeholder="12 % green at the shoulder: inside the house rule, not under the U.S. rule.",
            key=f"note-{plate.uid}-{plate.version}",
        )
        st.text_input("Your nickname", key="nickname")
        saved = st.form_submit_button("Save", type="primary")
    if saved:
        typed = {
            name: st.session_state[f"{name}-{plate.uid}-{plate.version}"]
            for name in ("title", "notes", "tags", "date", "example", "note")
        }
        _try(
            lambda: store.inspections.edit(
                plate.uid,
                plate.version,
                st.session_state["nickname"],
                title=typed["title"],
                notes=typed["notes"],
                tags=typed["tags"].split(","),
                plate_date=typed["date"],
                example=typed["example"],
                teaching_note=typed["note"],
            )
        )
    left, right = st.columns(2)
    nickname = st.session_state.get("nickname", "")
    if left.button("Undo the last change", width="stretch"):
        _try(lambda: store.inspections.undo(plate.uid, plate.version, nickname))
    if plate.binned_at:
        if right.button("Put back", type="primary", width="stretch"):
            _try(lambda: store.inspections.put_back(plate.uid, plate.version, nickname))
    elif right.button("Delete", help="Goes to the bin; it can be put back.", width="stretch"):
        _try(lambda: store.inspections.bin(plate.uid, plate.version, nickname))


def _try(change: Any) -> None:
    """Make a change and draw anew; where it is refused, say so and leave everything as it is."""
    try:
        change()
    except TruelobeError as error:
        style.say(error.message)
        return
    st.rerun()


def _history(store: Store, plate: Inspection) -> None:
    with st.expander("History"):
        for change in store.inspections.history(plate.uid):
            who = f" by {change.who}" if change.who else ""
            parts = ", ".join(name.replace("_", " ") for name in change.after)
            taken = " (taken back)" if change.undone and change.action != "undone" else ""
            st.text(f"{change.at:%b %-d, %H:%M}: {change.action}{who}{': ' + parts if parts else ''}{taken}")


def _again(store: Store, plate: Inspection) -> None:
    """Measure the photo with today's tool; show what changed."""
    from truelobe.pages.gallery_move import measure_bytes

    if not plate.photos:
        return
    with st.expander("Measure again"):
        st.write("Both measurements are kept, and the difference is shown.")
        if st.button("Measure again with this version"):
            with st.spinner("Measuring. This takes a few seconds."):
                _try(lambda: gallery.measure_again(store, plate.uid, lambda data: measure_bytes(data, "photo")))
        if len(plate.measurements) < 2:
            return
        before, after = (store.inspections.document(plate.uid, made.uid) for made in plate.measurements[-2:])
        rows = "".join(
            f"<tr><td>{one.pepper}</td><td>{_QUANTITY[one.quantity]}</td>"
            f"<td>{_said(one.quantity, one.before)}</td><td>{_said(one.quantity, one.after)}</td></tr>"
            for one in gallery.difference(before, after)
        )
        style.show_html(
            '<div class="tl-scroll"><table class="tl-table"><thead><tr><th>Pepper</th><th>Figure</th>'
            f"<th>Before</th><th>Now</th></tr></thead><tbody>{rows}</tbody></table></div>"
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
