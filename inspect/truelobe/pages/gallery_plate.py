"""One plate of the gallery, whole: picture, figures, what it teaches, where the figures come from."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image

from truelobe.gallery.masks import photo_of
from truelobe.pages import gallery_edit, gallery_store, projector, style
from truelobe.report import overlay, words
from truelobe.store import Inspection, Photo, Store
from truelobe.store.documents import in_kept_photo


def show_plate(store: Store, uid: str, *, editing: bool = True) -> None:
    """Draw one plate."""
    plate = store.inspections.get(uid)
    if st.button("Back to the gallery"):
        del st.query_params["plate"]
        st.rerun()
    st.title(name_of(plate))
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
    _about(plate, document)
    if editing:
        gallery_edit.show_edit(store, plate)


def name_of(plate: Inspection) -> str:
    """Return what a plate is called: its title, else its day."""
    return plate.title or f"Plate of {plate.plate_date:%B %-d, %Y}"


def _pictures(store: Store, plate: Inspection, document: dict[str, Any] | None) -> None:
    """Show the photos; the measured one with outlines, or bare so that a team can look first."""
    if not plate.photos:
        return
    with st.container(horizontal=True, vertical_alignment="center"):
        bare = st.toggle("Bare photo", help="Hides outlines and numbers, so that a team can look first.")
        large = projector.ask(plate.uid)
    for number, photo in enumerate(plate.photos, start=1):
        drawn = _marked(plate, photo, document) if not bare else None
        alt = words.alt_text(document) if drawn and document else f"Photo {number} of the plate"
        st.image(drawn or _bare(photo.sha256), alt=alt, width="stretch")
    if large:
        projector.show(plate.uid, [slide_of(store, plate)], marked=not bare)


def _marked(plate: Inspection, photo: Photo, document: dict[str, Any] | None) -> bytes | None:
    """Return the measured photo with its outlines; None for the others."""
    current = next((made.uid for made in plate.measurements if made.current), None)
    if document is None or current is None or photo != photo_of(document, plate.photos):
        return None
    return _outlined(photo.sha256, plate.uid, current)


def slide_of(store: Store, plate: Inspection) -> projector.Slide:
    """Return a plate as one slide for the large screen: all its photos, its title and what it teaches."""
    document = store.inspections.document(plate.uid)
    pictures = []
    for number, photo in enumerate(plate.photos[:4], start=1):
        bare = projector.address(_bare(photo.sha256), "image/jpeg")
        drawn = _marked(plate, photo, document)
        marked = projector.address(drawn, "image/jpeg") if drawn else bare
        alt = words.alt_text(document) if drawn and document else f"Photo {number} of {name_of(plate)}"
        pictures.append(projector.Shown(marked, bare, alt))
    return projector.Slide(name_of(plate), plate.teaching_note, tuple(pictures))


@st.cache_data(max_entries=48, show_spinner=False)
def _bare(sha256: str) -> bytes:
    return overlay.as_jpeg(overlay.bare(_pixels(sha256)))


@st.cache_data(max_entries=48, show_spinner=False)
def _outlined(sha256: str, uid: str, measurement: str) -> bytes:
    store = gallery_store.opened_store()
    photo: Photo = store.photos.get(sha256)
    document = store.inspections.document(uid, measurement) or {"peppers": []}
    return overlay.as_jpeg(
        overlay.draw_plate(_pixels(sha256), in_kept_photo(document, (photo.crop_x, photo.crop_y)))
    )


def _pixels(sha256: str) -> Any:
    with Image.open(io.BytesIO(gallery_store.opened_store().photos.read(sha256))) as image:
        return np.asarray(image.convert("RGB"))


def _peppers(plate: Inspection, document: dict[str, Any]) -> None:
    """One card per pepper: figures, decisions, words and signs."""
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


def _about(plate: Inspection, document: dict[str, Any] | None) -> None:
    """Say who, when, under which rules, with which tool and card, and what was found by hand."""
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
            f"Photo {number}: {photo.width_px} x {photo.height_px} pixels, "
            + ("cut to plate and card." if photo.cropped else "kept whole.")
            for number, photo in enumerate(plate.photos, start=1)
        ]
        lines += [f"Measured {made.made_at:%B %-d, %Y} with {made.tool}." for made in plate.measurements]
        for line in lines + _made_by(document):
            st.text(line)


def _made_by(document: dict[str, Any] | None) -> list[str]:
    """Return what the current measurement rests on: card, references, line, limits, corrections by hand."""
    made = (document or {}).get("made_by", {})
    card, references = made.get("card") or {}, made.get("references") or {}
    corrected = len(made.get("corrections") or ())
    lines = []
    if card:
        number = card.get("print_number")
        lines.append(f"Card edition {card['edition']}" + (f", print {number:04d}." if number else "."))
    if references.get("edition"):
        line = f", line at ripeness {made['line']:.2f}" if "line" in made else ""
        lines.append(f"Color references {references['edition']}{line}.")
    rules = dict.fromkeys(rule["rule"] for rule in made.get("rules") or ())
    lines += [f"Limits decided: {', '.join(rules)}."] if rules else []
    return [*lines, f"Corrections by hand: {corrected or 'none'}."] if made.get("card") else lines
