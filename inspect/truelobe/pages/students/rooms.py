"""Routes of the student application beside placing classes: drills, the lesson, the gallery, measuring by hand."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from truelobe.gallery.search import Query, find
from truelobe.messages import TruelobeError
from truelobe.pages.students.site import Answer, StudentSite, as_json, word_of
from truelobe.practice.hand import INSTRUMENTS, QUANTITIES, keep_reading
from truelobe.practice.lesson import COLOURS, TRAPS, house_words, lesson_picture, us_words
from truelobe.practice.pictures import boundary_colour, overlay
from truelobe.store.trouble import not_found
from truelobe.store.unplaced import plates_of_unplaced
from truelobe.units import millimetres, percent

_OWN_SHOWN = 4
_LINES = tuple(round(0.1 * k, 1) for k in range(1, 10))


def _drills(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    return as_json(site.drills.choices(site.student(request).uid))


def _open(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    with site.writing:
        return as_json(site.drills.open(site.student(request).uid, body))


def _block(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    return as_json(site.drills.block(site.student(request).uid, request.path_params["block"]))


def _answer(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    with site.writing:
        return as_json(site.drills.answer(site.student(request).uid, body))


def _drill_picture(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    student, where = site.student(request), request.path_params
    return _image(site.drills.picture(student.uid, where["block"], where["position"], where["which"]))


def _eye(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    return as_json(site.drills.eye(site.student(request).uid))


def _lesson(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    taught = [_taught(colour) for colour in COLOURS]
    return as_json({"traps": TRAPS, "lines": _LINES, "colours": taught, "own": _own(site)})


def _own(site: StudentSite) -> list[list[str]]:
    """Some peppers of the team's own gallery that are known well enough: picture, and what was measured."""
    some = list(site.drills.shelf.of_gallery().values())[:_OWN_SHOWN]
    said = [f"{percent(p.percent() / 100)}, give or take {p.give_or_take:.0f} points" for p in some]
    return [[f"lesson/own/{picture.id}", words] for picture, words in zip(some, said, strict=True)]


def _own_picture(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    picture = site.drills.shelf.find(request.path_params["picture"])
    if not picture.own:
        raise not_found("picture")
    return _image(site.drills.shelf.overlay(picture))


@lru_cache(maxsize=len(COLOURS))
def _taught(colour: str) -> dict[str, Any]:
    picture = lesson_picture(colour)
    return {
        "colour": colour,
        "rules": [house_words(picture), us_words(picture)],
        "shares": [percent(picture.percent(line) / 100) for line in _LINES],
        "swatches": [boundary_colour(picture, line) for line in _LINES],
    }


def _lesson_picture(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    colour, step = request.path_params["colour"], request.path_params["step"]
    if colour not in COLOURS or not 0 <= step < len(_LINES):
        raise not_found("picture")
    return _image(overlay(lesson_picture(colour), _LINES[step]))


def _plates(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    asked = request.query_params
    return as_json(site.gallery.plates(asked.get("words", ""), asked.get("after")))


def _plate(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    return as_json(site.gallery.plate(request.path_params["plate"]))


def _small(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    with site.drawing:
        return _image(site.gallery.thumbnail(request.path_params["plate"]), "image/jpeg")


def _plate_picture(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    with site.drawing:
        return _image(
            site.gallery.picture(request.path_params["plate"], request.path_params["number"]), "image/jpeg"
        )


def _by_hand(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    site.student(request)
    hidden = plates_of_unplaced(site.store)
    cards = [c for c in find(site.store, Query(measured=True)).cards if c.uid not in hidden and c.pepper_count]
    plates = [[c.uid, c.title or f"Plate of {c.plate_date:%B %-d}", c.pepper_count] for c in cards]
    return as_json({"plates": plates, "quantities": list(QUANTITIES.items()), "instruments": list(INSTRUMENTS)})


def _reading(site: StudentSite, request: Request, body: dict[str, Any]) -> Response:
    student, plate = site.student(request), word_of(body, "plate")
    quantity, instrument, unit = (word_of(body, name) for name in ("quantity", "instrument", "unit"))
    number, reading = body.get("pepper"), body.get("reading")
    if plate in plates_of_unplaced(site.store) or quantity not in QUANTITIES or instrument not in INSTRUMENTS:
        raise not_found("plate")
    if type(number) is not int or not isinstance(reading, int | float) or unit not in ("mm", "in"):
        raise TruelobeError("reading-impossible", "No pepper is that size.", "Check the unit and type it again.")
    mm = millimetres(float(reading)) if unit == "in" else float(reading)
    with site.writing:
        found = keep_reading(site.store, student.uid, plate, number, quantity, instrument, mm)
    return as_json({"words": found.words})


def _image(data: bytes, kind: str = "image/webp") -> Response:
    # Kept by no cache: whoever takes the phone next, or a class that is opened meanwhile, finds nothing there.
    return Response(data, media_type=kind, headers={"Cache-Control": "no-store"})


ROUTES: tuple[tuple[str, Answer] | tuple[str, Answer, str], ...] = (
    ("/api/drills", _drills),
    ("/api/drills/open", _open, "POST"),
    ("/api/drills/answer", _answer, "POST"),
    ("/api/drills/{block}", _block),
    ("/drill/{block}/{position:int}/{which}", _drill_picture),
    ("/api/eye", _eye),
    ("/api/lesson", _lesson),
    ("/lesson/own/{picture}", _own_picture),
    ("/lesson/{colour}/{step:int}", _lesson_picture),
    ("/api/gallery", _plates),
    ("/api/gallery/{plate}", _plate),
    ("/gallery/{plate}/small", _small),
    ("/gallery/{plate}/{number:int}", _plate_picture),
    ("/api/hand", _by_hand),
    ("/api/hand/keep", _reading, "POST"),
)
