"""The annotated pictures show what the document says, where it says so."""

import cv2
import numpy as np
import pytest
from tests.pages import example_plate

from truelobe.report import overlay


@pytest.fixture(scope="module")
def pixels():
    return example_plate.picture()


def changed(picture, plain):
    return (np.abs(np.asarray(picture, int) - np.asarray(plain, int)) > 60).any(axis=2)


def test_the_picture_is_no_larger_than_asked_and_keeps_its_shape(pixels):
    assert overlay.draw_plate(pixels, example_plate.document()).size == (1600, 1200)
    assert overlay.bare(pixels, longest=300).size == (300, 225)


def test_a_small_photo_is_not_blown_up(pixels):
    small = np.ascontiguousarray(pixels[::8, ::8])
    empty = example_plate.document(peppers=[])
    assert overlay.draw_plate(small, empty).size == (300, 225)


def test_white_lines_cased_in_ink_run_along_every_outline(pixels):
    document = example_plate.document()
    shown = np.asarray(overlay.draw_plate(pixels, document), int)
    for pepper in document["peppers"][:4]:
        edge = (np.array(pepper["outline_px"][0]) + 0.5) * (1600 / 2400) - 0.5
        on_line = shown[np.round(edge[:, 1]).astype(int), np.round(edge[:, 0]).astype(int)]
        # White nearly everywhere; the ring on the stem end and the end of the axis may cross it.
        assert (on_line.min(axis=1) > 225).mean() > 0.9


def test_a_sketch_is_outlined_anew_each_time(pixels):
    sketch = overlay.Sketch(pixels, longest=800)
    bare = np.asarray(sketch.bare())
    assert np.array_equal(bare, overlay.bare(pixels, longest=800))
    one, other = (np.array(p["outline_px"][0]) for p in example_plate.document()["peppers"][:2])
    for ring, elsewhere in ((one, other), (other, one)):
        shown = np.asarray(sketch.outlined([ring]), int)
        for line, white in ((ring, True), (elsewhere, False)):
            edge = np.round((line + 0.5) * (800 / 2400) - 0.5).astype(int)
            on_line = shown[edge[:, 1], edge[:, 0]]
            assert ((on_line.min(axis=1) > 225).mean() > 0.9) == white
    assert np.array_equal(bare, sketch.bare())


def test_a_doubtful_outline_is_broken(pixels):
    document = example_plate.document()
    shown = np.asarray(overlay.draw_plate(pixels, document), int)
    edge = (np.array(document["peppers"][4]["outline_px"][0]) + 0.5) * (1600 / 2400) - 0.5
    white = shown[np.round(edge[:, 1]).astype(int), np.round(edge[:, 0]).astype(int)].min(axis=1) > 225
    assert 0.25 < white.mean() < 0.75


def test_counted_skin_is_hatched_and_the_rest_stays_as_photographed(pixels):
    document, skin = example_plate.document(), example_plate.skin()
    with_skin = overlay.draw_plate(pixels, document, skin)
    differs = changed(with_skin, overlay.draw_plate(pixels, document))
    allowed = np.zeros(pixels.shape[:2], bool)
    for masks in skin.values():
        left, top, right, bottom = masks.box
        allowed[top:bottom, left:right] |= masks.counted | masks.left_out
    grown = cv2.resize(allowed.astype(np.uint8), with_skin.size, interpolation=cv2.INTER_AREA) > 0
    marked_share = differs[grown].mean()
    for _ in range(6):  # the thin edge and the rims of the dots may step this many pixels over the border
        grown |= np.roll(grown, 1, 0) | np.roll(grown, -1, 0) | np.roll(grown, 1, 1) | np.roll(grown, -1, 1)
    assert not (differs & ~grown).any()
    assert marked_share > 0.25


def test_numbers_stand_off_the_fruit_and_off_each_other(pixels):
    document = example_plate.document()
    canvas = overlay._Canvas(pixels, (0, 0, 2400, 1800), 1600)
    radius = 7.2 * canvas.line
    places = np.array(overlay._number_places(canvas, document["peppers"], radius))
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)) + 1e9 * np.eye(len(places))
    assert apart.min() > 2 * radius
    for pepper in document["peppers"]:
        outline = canvas.place(pepper["outline_px"][0])
        assert np.hypot(*(places[:, None] - outline[None]).transpose(2, 0, 1)).min() > radius
    assert (places > 0).all()
    assert (places < np.array(canvas.size)).all()


def test_a_number_finds_room_when_the_fruit_fills_the_picture(pixels):
    pepper = example_plate.document()["peppers"][0] | {
        "outline_px": [[[0, 0], [2399, 0], [2399, 1799], [0, 1799]]],
        "centre_px": [1200, 900],
        "axis_px": None,
    }
    assert overlay.draw_plate(pixels, example_plate.document(peppers=[pepper])).size == (1600, 1200)


def test_the_crop_holds_the_whole_pepper(pixels):
    for pepper in example_plate.document()["peppers"]:
        left, top, right, bottom = overlay.crop_box(pepper, 2400, 1800)
        points = np.array(pepper["outline_px"][0])
        assert (points >= (left, top)).all()
        assert (points <= (right - 1, bottom - 1)).all()
        assert max(overlay.draw_pepper(pixels, pepper).size) == 480


def test_dashes_have_even_lengths_and_end_with_a_dash():
    path = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 40.0]])
    dashes = overlay._dashes(path, 8, 6)
    lengths = [np.hypot(*np.diff(d, axis=0).T).sum() for d in dashes]
    assert max(lengths) - min(lengths) < 1e-9
    assert dashes[0][0].tolist() == [0, 0]
    assert dashes[-1][-1].tolist() == [60, 40]


def test_the_jpeg_carries_no_metadata(pixels):
    written = overlay.as_jpeg(overlay.bare(pixels, longest=200))
    assert written[:2] == b"\xff\xd8"
    assert b"Exif" not in written


def with_places():
    """Return a pepper with a marked area left of its middle and a place worth a look right of it."""
    pepper = example_plate.document()["peppers"][0]
    x, y = pepper["centre_px"]
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    line = np.column_stack([x - 90 + 50 * np.cos(turn), y + 50 * np.sin(turn)])
    spot = {"look": "dark", "centre_px": [x + 110, y], "radius_px": 30.0, "contrast": 20.0}
    return pepper | {"blemishes": [{"fact": None, "line_px": line.tolist()}], "spots": [spot]}, line


def test_a_marked_area_has_a_whole_line_and_a_name_and_a_place_worth_a_look_a_broken_ring(pixels):
    pepper, line = with_places()
    assert [name for name, _ in overlay.named_marks(pepper)] == ["1a"]
    document = example_plate.document() | {"peppers": [pepper]}
    shown = np.asarray(overlay.draw_plate(pixels, document), int)
    plain = overlay.draw_plate(pixels, document | {"peppers": [pepper | {"blemishes": [], "spots": []}]})
    scale = 1600 / 2400

    def white(points):
        placed = (np.asarray(points) + 0.5) * scale - 0.5
        return shown[np.round(placed[:, 1]).astype(int), np.round(placed[:, 0]).astype(int)].min(axis=1) > 225

    assert white(line).mean() > 0.85  # the dashed axis may cross it
    turn = np.linspace(0, 2 * np.pi, 200)
    reach = max(1.35 * 30.0, 4 * 1600 / 300 / scale)
    ring = np.array(pepper["spots"][0]["centre_px"]) + reach * np.column_stack([np.cos(turn), np.sin(turn)])
    assert 0.15 < white(ring).mean() < 0.75
    # The name stands at the mark's lower right, and nothing else of the picture changes.
    corner = ((line.max(axis=0) + 0.5) * scale).astype(int)
    differs = changed(shown, plain)
    assert differs[corner[1] - 15 : corner[1] + 15, corner[0] + 4 : corner[0] + 40].any()
    far = np.ones(differs.shape, bool)
    left, top, right, bottom = (int(v * scale) for v in overlay.crop_box(pepper, 2400, 1800))
    far[top:bottom, left:right] = False
    assert not differs[far].any()
    close = overlay.draw_pepper(pixels, pepper)
    assert changed(close, overlay.draw_pepper(pixels, pepper | {"blemishes": [], "spots": []})).any()
