"""What the tool says beside the figures: on one pepper, on the plate, on the photo as a whole."""

from __future__ import annotations

from collections.abc import Sequence

from truelobe.camera import View
from truelobe.card import PrintScale
from truelobe.fruit import Silhouette
from truelobe.messages import Message
from truelobe.photo import Photo

OBLIQUE_DEG = 42.0
MUCH_HIDDEN = 0.25


def on_pepper(silhouette: Silhouette, *, axis_unsure: bool, length_seen: bool) -> list[Message]:
    """Say what a coach should know of one measured pepper."""
    number = silhouette.number
    said = []
    if axis_unsure:
        said.append(
            Message(
                "axis-unsure",
                f"Pepper {number}: the stem end is hard to tell, so diameter and length may be swapped.",
                "Tap where the stem end is.",
            )
        )
    if not length_seen:
        said.append(
            Message(
                "length-not-seen",
                f"Pepper {number} stands on its end: the photo shows its diameter and hides its length.",
                "Lay it on its side and take one more photo, or measure its length with a ruler.",
                "note",
            )
        )
    if silhouette.hidden_fraction > MUCH_HIDDEN:
        said.append(
            Message(
                "partly-hidden",
                f"Pepper {number} is partly hidden ({silhouette.hidden_fraction:.0%} or so).",
                "Move it clear of its neighbors and take the photo again.",
            )
        )
    return said


def on_unmeasured(silhouette: Silhouette) -> Message:
    """Ask about an outline that the finder is not sure of, or that the photo's frame cuts off."""
    number = silhouette.number
    if silhouette.cut_off:
        return Message(
            "outline-cut-off",
            f"Pepper {number}: the photo's edge cuts it off, so it is not measured.",
            "Take the photo again with the whole pepper in it, or keep it if next to nothing is missing.",
        )
    return Message(
        "outline-doubtful",
        f"Pepper {number}: the outline is doubtful, so it is not measured yet.",
        "Look at the outline: keep it if it is a pepper rightly outlined, else remove it.",
    )


def on_green_among_coloured(plate: str) -> Message:
    """Ask about an all-green pepper on a plate of another color."""
    return Message(
        "green-among-colored",
        f"One pepper is all green among {plate} ones, so it counts as not colored.",
        "If it is meant to be a green pepper, set its color to green.",
    )


def on_plate(
    before: Sequence[Message], scale: PrintScale, view: View, silhouettes: Sequence[Silhouette], photo: Photo
) -> tuple[Message, ...]:
    """Say what a coach should know of the photo as a whole, after what photo, card and color said `before`."""
    said = list(before)
    if scale.source == "assumed":
        said.append(
            Message(
                "print-not-measured",
                "This print of the card was never measured, so it counts as actual size, give or take 1 %. "
                'A print made with "fit to page" is 3 to 6 % off.',
                "Measure the card's two bars with a ruler and type them in.",
            )
        )
    if view.tilt_deg > OBLIQUE_DEG:
        said.append(
            Message(
                "oblique",
                f"The photo was taken at a slant ({view.tilt_deg:.0f} degrees off straight down).",
                "Hold the phone more nearly above the plate for surer figures.",
            )
        )
    if any(_touches_frame(one, photo) for one in silhouettes):
        said.append(
            Message(
                "plate-out-of-frame",
                "A pepper reaches the edge of the picture, so a part of it is missing.",
                "Step back until the whole plate and the card are in the picture.",
            )
        )
    return _once(said)


def _once(said: Sequence[Message]) -> tuple[Message, ...]:
    """Say each thing once: card and colour look at the same patches and may both complain."""
    return tuple({message.code: message for message in reversed(said)}.values())[::-1]


def _touches_frame(silhouette: Silhouette, photo: Photo) -> bool:
    height, width = photo.pixels.shape[:2]
    outline = silhouette.outline_px[0]
    return bool((outline < 1).any() or (outline[:, 0] > width - 2).any() or (outline[:, 1] > height - 2).any())
