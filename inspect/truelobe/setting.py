"""What all peppers of a photo share: card, print, camera, the height they lie at, and the correction of colors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from truelobe.camera import View, shifted_views, view_from_card
from truelobe.card import CardSighting, PrintScale
from truelobe.colour import ColourCorrection, References, correct_from_card, load_references
from truelobe.fruit import Silhouette
from truelobe.fruit.ground import Ground, ground_between
from truelobe.fruit.measure import ViewErrors
from truelobe.messages import TruelobeError
from truelobe.photo import Photo
from truelobe.request import CardPlace, Request

# Floor of the plate over the card's plane, mm, with its standard uncertainty: by where the card lies, as the coach
# says or as the picture shows. Paper plates lift the fruit by 1 to 3 mm, trays by 2 to 8, dinner plates by 6 to 12
# and boards by 10 to 25 (common household ware, no published source); where nobody can tell, all stay possible.
FLOOR_MM: dict[str | None, tuple[float, float]] = {"table": (7.0, 5.0), "plate": (0.0, 1.5), None: (5.0, 5.5)}
PLACE_SEEN: dict[Ground, CardPlace] = {"same": "plate", "other": "table"}
U_FLOOR_GIVEN_MM = 1.5
TOO_OBLIQUE_DEG = 65.0


@dataclass(frozen=True)
class Setting:
    """What all peppers of a photo share."""

    photo: Photo
    sighting: CardSighting
    scale: PrintScale
    view: View
    errors: ViewErrors
    correction: ColourCorrection
    references: References
    request: Request
    card_place_seen: CardPlace | None = None


def looked_from(photo: Photo, sighting: CardSighting, request: Request) -> View:
    """Return where the camera stood.

    Raises
    ------
    TruelobeError
        ``too-oblique``.
    """
    view = view_from_card(sighting, photo, request.scale_of(sighting.print_number), request.profile)
    if view.tilt_deg > TOO_OBLIQUE_DEG:
        raise TruelobeError(
            "too-oblique",
            f"The photo looks at the plate from the side ({view.tilt_deg:.0f} degrees off straight down).",
            "Hold the phone above the plate, looking straight down, and take it again.",
        )
    return view


def set_up(photo: Photo, sighting: CardSighting, view: View, request: Request) -> Setting:
    """Gather what can be known before anything is measured."""
    scale = request.scale_of(sighting.print_number)
    floor, u_floor = FLOOR_MM[request.card_place]
    if request.plate_height_mm is not None:
        floor, u_floor = request.plate_height_mm, U_FLOOR_GIVEN_MM
    shifted = shifted_views(view, sighting, photo, scale, request.profile)
    return Setting(
        photo,
        sighting,
        scale,
        view,
        ViewErrors(shifted, floor, u_floor),
        correct_from_card(photo, sighting),
        request.references or load_references(),
        request,
    )


def grounded(setting: Setting, silhouettes: Sequence[Silhouette]) -> Setting:
    """Where nobody said what the card lies on, look, and take the height of the plate's floor from that."""
    request, sighting = setting.request, setting.sighting
    if request.card_place is not None or request.plate_height_mm is not None:
        return setting
    rings = [one.outline_px[0] for one in silhouettes]
    ground = ground_between(setting.photo.pixels, sighting.outline_px, sighting.layout.size_mm, rings)
    if ground is None:
        return setting
    place = PLACE_SEEN[ground]
    floor, u_floor = FLOOR_MM[place]
    errors = replace(setting.errors, floor_mm=floor, u_floor_mm=u_floor)
    return replace(setting, errors=errors, card_place_seen=place)
