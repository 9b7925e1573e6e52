"""The drawn card against its layout and against published sizes."""

import argparse
import io
import re

import colour
import cv2
import numpy as np
import pypdfium2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from truelobe.card import PAPER_MM, card_pdf, card_png, load_layout
from truelobe.card.layout import marker_bits
from truelobe.commands.card import add_card
from truelobe.messages import TruelobeError

pytestmark = pytest.mark.opencv

LAYOUT = load_layout()
PER_MM = 20  # pixels per mm in the drawings looked at: 508 dots per inch


@pytest.fixture(scope="module")
def drawing():
    picture = card_png(PER_MM * 25.4, 4271)
    assert picture.pixels_per_metre == PER_MM * 1000
    return np.asarray(Image.open(io.BytesIO(picture.png)))


def middle_of_line(profile, offset_mm):
    """Position of a thin dark line, in mm: darkness-weighted mean of pixel centres."""
    darkness = 255.0 - profile
    darkness[darkness < 20] = 0
    return offset_mm + (np.average(np.arange(len(profile)), weights=darkness) + 0.5) / PER_MM


def cut(drawing, x, y, width=0.0, height=0.0):
    """Grey profile of a strip that starts at x, y (mm), averaged over 0.5 mm across it."""
    grey = drawing[:, :, 1].astype(float)
    x0, y0 = round(x * PER_MM), round(y * PER_MM)
    if width:
        return grey[y0 : y0 + 10, x0 : x0 + round(width * PER_MM)].mean(axis=0)
    return grey[y0 : y0 + round(height * PER_MM), x0 : x0 + 10].mean(axis=1)


def test_id1_frame_has_the_size_of_iso_7810(drawing):
    # ISO/IEC 7810 ID-1: 85.60 x 53.98 mm
    x, y = LAYOUT.id1_frame.origin_mm
    middle_y, middle_x = y + 25.0, x + 41.6
    left = middle_of_line(cut(drawing, x - 0.5, middle_y - 0.6, width=1), x - 0.5)
    right = middle_of_line(cut(drawing, x + 85.1, middle_y - 0.6, width=1), x + 85.1)
    top = middle_of_line(cut(drawing, middle_x, y - 0.5, height=1), y - 0.5)
    bottom = middle_of_line(cut(drawing, middle_x, y + 53.48, height=1), y + 53.5)
    # rounding a start to whole pixels costs at most 0.025 mm each
    assert right - left == pytest.approx(85.60, abs=0.05)
    assert bottom - top == pytest.approx(53.98, abs=0.05)


def test_bars_have_their_nominal_length(drawing):
    across = [middle_of_line(cut(drawing, x - 1, 133.4, width=2), x - 1) for x in (5.0, 185.0)]
    down = [middle_of_line(cut(drawing, 6.0, y - 1, height=2), y - 1) for y in (5.0, 135.0)]
    assert across[1] - across[0] == pytest.approx(LAYOUT.across.length_mm, abs=0.01)
    assert down[1] - down[0] == pytest.approx(LAYOUT.down.length_mm, abs=0.01)
    assert (LAYOUT.across.length_mm, LAYOUT.down.length_mm) == (180.0, 130.0)


def test_saddle_points_are_where_the_layout_says(drawing):
    grey = np.ascontiguousarray(drawing[:, :, 1])
    # a pixel's centre is half a pixel inside its edge
    nominal = (LAYOUT.charuco.corners_mm * PER_MM - 0.5).astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found = cv2.cornerSubPix(grey, nominal.reshape(-1, 1, 2).copy(), (15, 15), (-1, -1), criteria).reshape(-1, 2)
    assert len(found) == 28
    assert np.abs(found - nominal).max() < 0.05  # px, 0.0025 mm: the rasteriser's 1/256 steps and 8-bit rounding


def test_the_board_is_read_by_the_reference_detector(drawing):
    # OpenCV's own ChArUco reader, given our squares, agrees about the saddle points it can see
    board = LAYOUT.charuco
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(book).detectMarkers(cv2.resize(drawing, None, fx=0.5, fy=0.5))
    seen = dict(zip(np.ravel(ids).tolist(), (c.reshape(4, 2) for c in corners), strict=True))
    digits = LAYOUT.code.digits(LAYOUT.edition_index, 4271)
    assert set(seen) == set(range(28)) | {LAYOUT.code.first_id + d for d in digits}
    for marker_id in range(28):
        assert np.abs(seen[marker_id] / (PER_MM / 2) - board.markers_mm[marker_id]).max() < 0.3  # mm


def test_patches_show_their_nominal_colour(drawing):
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    for patch in LAYOUT.patches:
        x, y = patch.centre_mm
        seen = drawing[round(y * PER_MM), round(x * PER_MM)] / 255
        lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(seen), d65)
        # one 8-bit step is up to 0.5 in dark colours
        assert colour.delta_E(lab, patch.lab, method="CIE 2000") < 0.6, patch.name


def test_colours_suit_peppers_and_lie_inside_srgb():
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    colours = [patch for patch in LAYOUT.patches if patch.kind == "colour"]
    assert len(colours) >= 12
    for patch in LAYOUT.patches:
        linear = colour.XYZ_to_sRGB(colour.Lab_to_XYZ(patch.lab, d65), apply_cctf_encoding=False)
        assert linear.min() > 0.008, patch.name
        assert linear.max() < 0.99, patch.name
        assert patch.u_de00 >= 2
    hues = [np.degrees(np.arctan2(patch.lab[2], patch.lab[1])) % 360 for patch in colours]
    assert sum(250 < hue < 330 for hue in hues) >= 2  # blue and purple
    for side in ("left", "right"):
        assert sum(patch.side == side for patch in LAYOUT.patches) >= 6


def test_nothing_overlaps():
    boxes = [patch.box_mm for patch in LAYOUT.patches]
    side, (x, y) = LAYOUT.charuco.square_mm, LAYOUT.charuco.origin_mm
    boxes += [
        (x + side * column, y + side * row, side, side)
        for black in (True, False)
        for column, row in LAYOUT.charuco.squares(black=black)
    ]
    boxes += [(*place[0], LAYOUT.code.marker_mm, LAYOUT.code.marker_mm) for place in LAYOUT.code.places_mm]
    for i, (x1, y1, w1, h1) in enumerate(boxes):
        assert min(x1, y1) > 0
        assert x1 + w1 < LAYOUT.size_mm[0]
        assert y1 + h1 < LAYOUT.size_mm[1]
        for x2, y2, w2, h2 in boxes[i + 1 :]:
            apart = max(x1 - x2 - w2, x2 - x1 - w1, y1 - y2 - h2, y2 - y1 - h1)
            assert apart > -1e-6


def test_png_states_its_true_resolution():
    picture = card_png(300, 17)
    shown = Image.open(io.BytesIO(picture.png))
    width, height = picture.size_px
    assert shown.size == (width, height)
    at = picture.png.index(b"pHYs") + 4
    across, down, unit = (int.from_bytes(picture.png[at + i : at + j], "big") for i, j in ((0, 4), (4, 8), (8, 9)))
    assert (across, down, unit) == (11800, 11800, 1)  # PNG specification 11.3.5.3: pixels per metre
    assert (width / across * 1000, height / down * 1000) == picture.size_mm == (190.0, 140.0)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_sheet_holds_the_card_at_true_size(paper):
    pdf = card_pdf(paper, 4271)
    page = pypdfium2.PdfDocument(pdf)[0]
    width_mm, height_mm = PAPER_MM[paper]
    assert page.get_width() == pytest.approx(width_mm / 25.4 * 72, abs=0.01)  # a point is 1/72 in
    assert page.get_height() == pytest.approx(height_mm / 25.4 * 72, abs=0.01)
    scale = 600 / 72
    grey = page.render(scale=scale, grayscale=True).to_numpy().squeeze()
    per_mm = np.array([grey.shape[1] / width_mm, grey.shape[0] / height_mm])
    offset = np.array([(width_mm - 190) / 2, 14.0])
    expected = ((LAYOUT.charuco.corners_mm + offset) * per_mm - 0.5).astype(np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found = cv2.cornerSubPix(grey, expected.reshape(-1, 1, 2).copy(), (15, 15), (-1, -1), criteria).reshape(-1, 2)
    span = (np.ptp(found, axis=0) / per_mm) / np.ptp(LAYOUT.charuco.corners_mm, axis=0)
    assert np.abs(span - 1).max() < 1e-4
    assert min(offset[0], width_mm - 190 - offset[0]) >= 6.35  # a quarter inch: common printers' blank edge


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_sheet_text_is_real_text_inside_the_page(paper):
    page = pypdfium2.PdfDocument(card_pdf(paper, 42))[0]
    text = page.get_textpage()
    words = text.get_text_bounded()
    for wanted in ("print 0042", "180.0 mm", "130.0 mm", "7.087 in", "5.118 in", "Practice aid"):
        assert wanted in words
    right = max(text.get_charbox(i)[2] for i in range(text.count_chars()))
    assert right < page.get_width() - 18
    assert re.search(rb"FontFile2", card_pdf(paper, 42))


@given(st.integers(0, 9999))
def test_print_number_survives_its_digits(number):
    digits = LAYOUT.code.digits(LAYOUT.edition_index, number)
    assert all(0 <= digit < 22 for digit in digits)
    assert LAYOUT.code.read(digits) == number


@given(st.integers(0, 9999), st.integers(0, 4), st.integers(1, 21))
def test_one_wrong_digit_always_shows(number, place, shift):
    digits = LAYOUT.code.digits(LAYOUT.edition_index, number)
    digits[place] = (digits[place] + shift) % 22
    assert LAYOUT.code.read(digits) is None


@pytest.mark.parametrize("number", [-1, 10_000])
def test_print_number_out_of_range_is_told(number):
    with pytest.raises(TruelobeError) as caught:
        card_pdf("a4", number)
    assert caught.value.message.code == "card-print-number"


def test_marker_bits_are_the_published_dictionary():
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for marker_id in range(50):
        inner = marker_bits("DICT_4X4_50", marker_id)[1:-1, 1:-1].astype(np.uint8)
        found = book.identify(inner, 0)
        assert found[0]
        assert (found[1], found[2]) == (marker_id, 0)


def run(*words):
    parser = argparse.ArgumentParser()
    add_card(parser.add_subparsers())
    arguments = parser.parse_args(["card", *map(str, words)])
    return arguments.run(arguments)


def test_command_writes_both_and_states_the_sizes(tmp_path, capsys):
    pdf, png = tmp_path / "card.pdf", tmp_path / "card.png"
    assert run("--pdf", pdf, "--paper", "a4", "--png", png, "--dpi", 150, "--print-number", 7) == 0
    said = capsys.readouterr().out
    for wanted in ("190.0 x 140.0 mm", "Line across: 180.0 mm", "Line down: 130.0 mm", "print 0007"):
        assert wanted in said
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert Image.open(png).size == (59 * 19, 59 * 14)


def test_command_names_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(TruelobeError) as caught:
        run("--png", tmp_path / "none" / "card.png")
    assert caught.value.message.code == "file-not-written"


def test_unknown_edition_is_told():
    with pytest.raises(TruelobeError) as caught:
        load_layout("../x")
    assert caught.value.message.code == "card-unknown-edition"
