"""From a measurement document to the columns that a search looks at. The document itself stays as it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from truelobe.store.models_gallery import NOT_MEASURED
from truelobe.store.records import Body


def pepper_rows(document: Body) -> list[dict[str, Any]]:
    """Return one row of searchable figures per pepper."""
    return [_pepper_row(pepper) for pepper in document.get("peppers", ())]


def _pepper_row(pepper: Body) -> dict[str, Any]:
    diameter, length = pepper["diameter_mm"], pepper["length_mm"]
    coverage = pepper.get("whole_skin_not_fully_coloured") or pepper["not_fully_coloured"]
    return {
        "number": pepper["number"],
        "colour": pepper["colour"],
        "pose": pepper["pose"],
        "doubtful": pepper["doubtful"],
        "diameter_mm": _value(diameter),
        "diameter_u_mm": _uncertainty(diameter),
        "width_seen_mm": _value(pepper["width_seen_mm"]),
        "length_mm": _value(length),
        "length_u_mm": _uncertainty(length),
        "not_fully_coloured": _value(coverage),
        "not_fully_coloured_u": _uncertainty(coverage),
    }


def _value(figure: Mapping[str, Any] | None) -> float | None:
    return None if figure is None else float(figure["value"])


def _uncertainty(figure: Mapping[str, Any] | None) -> float | None:
    return None if figure is None else float(figure["standard_uncertainty"])


def decision_rows(document: Body) -> list[dict[str, Any]]:
    """Return one row per decision of the document."""
    return [
        {
            "number": pepper["number"],
            "position": position,
            "rule": decision["rule"],
            "quantity": decision["quantity"],
            "outcome": decision["outcome"],
        }
        for pepper in document.get("peppers", ())
        for position, decision in enumerate(pepper["decisions"])
    ]


def plate_columns(document: Body | None) -> dict[str, Any]:
    """Return the columns of the plate's own row: status, count, and what the plate is sorted by.

    A plate is sorted by its largest pepper and by its least coloured one.
    """
    peppers = pepper_rows(document) if document else []
    diameters = [row["diameter_mm"] for row in peppers if row["diameter_mm"] is not None]
    coverages = [row["not_fully_coloured"] for row in peppers if row["not_fully_coloured"] is not None]
    return {
        "status": _status(document),
        "pepper_count": len(peppers),
        "sort_diameter_mm": max(diameters, default=NOT_MEASURED),
        "sort_not_fully_coloured": max(coverages, default=NOT_MEASURED),
    }


def _status(document: Body | None) -> str:
    if document is None or document["status"] == "refused":
        return "not measured"
    return str(document["status"])


def crop_box(document: Body | None, margin: float = 0.12) -> tuple[int, int, int, int] | None:
    """Return the part of the picture that holds plate and card, or None when neither was found.

    The plate's rim is not measured, so the box around card and peppers is widened by `margin` of its longer side.

    Returns
    -------
    (x0, y0, x1, y1) : int or None
        Upright pixels of the original; x1 and y1 exclusive.
    """
    if document is None or not document["photo"]["width_px"]:
        return None
    card = (document["made_by"].get("card") or {}).get("outline_px") or []
    points = list(card) + [
        point for pepper in document["peppers"] for polygon in pepper["outline_px"] for point in polygon
    ]
    if not points:
        return None
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    room = margin * max(max(xs) - min(xs), max(ys) - min(ys))
    width, height = document["photo"]["width_px"], document["photo"]["height_px"]
    return (
        max(0, int(min(xs) - room)),
        max(0, int(min(ys) - room)),
        min(width, int(max(xs) + room) + 2),
        min(height, int(max(ys) + room) + 2),
    )


def in_kept_photo(document: Body, corner: tuple[int, int]) -> dict[str, Any]:
    """Return a document whose peppers lie in a kept photo's own pixels: the corner it was cut at is taken off."""
    dx, dy = corner

    def moved(point: Any) -> list[float]:
        return [point[0] - dx, point[1] - dy]

    peppers = []
    for pepper in document["peppers"]:
        there = {**pepper, "centre_px": moved(pepper["centre_px"])}
        for name in ("outline_px", "calyx_px", "stem_px"):
            if pepper.get(name):
                there[name] = [[moved(point) for point in polygon] for polygon in pepper[name]]
        axis = pepper.get("axis_px")
        if axis:
            there["axis_px"] = axis | {end: moved(axis[end]) for end in ("stem_end", "blossom_end")}
        if pepper.get("spots"):
            there["spots"] = [spot | {"centre_px": moved(spot["centre_px"])} for spot in pepper["spots"]]
        if pepper.get("blemishes"):
            there["blemishes"] = [
                mark | {"line_px": [moved(point) for point in mark.get("line_px") or ()]}
                for mark in pepper["blemishes"]
            ]
        peppers.append(there)
    return {**document, "peppers": peppers}
