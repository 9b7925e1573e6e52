"""Color conversions against published values and an independent library."""

from __future__ import annotations

import colour as reference
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from truelobe.colour import spaces

pytestmark = pytest.mark.opencv

# Sharma, Wu, Dalal, Color Res. Appl. 30(1):21-30, 2005, doi 10.1002/col.20070, Table 1: all 34 pairs.
SHARMA = """
50 2.6772 -79.7751 50 0 -82.7485 2.0425
50 3.1571 -77.2803 50 0 -82.7485 2.8615
50 2.8361 -74.0200 50 0 -82.7485 3.4412
50 -1.3802 -84.2814 50 0 -82.7485 1.0000
50 -1.1848 -84.8006 50 0 -82.7485 1.0000
50 -0.9009 -85.5211 50 0 -82.7485 1.0000
50 0 0 50 -1 2 2.3669
50 -1 2 50 0 0 2.3669
50 2.4900 -0.0010 50 -2.4900 0.0009 7.1792
50 2.4900 -0.0010 50 -2.4900 0.0010 7.1792
50 2.4900 -0.0010 50 -2.4900 0.0011 7.2195
50 2.4900 -0.0010 50 -2.4900 0.0012 7.2195
50 -0.0010 2.4900 50 0.0009 -2.4900 4.8045
50 -0.0010 2.4900 50 0.0010 -2.4900 4.8045
50 -0.0010 2.4900 50 0.0011 -2.4900 4.7461
50 2.5 0 50 0 -2.5 4.3065
50 2.5 0 73 25 -18 27.1492
50 2.5 0 61 -5 29 22.8977
50 2.5 0 56 -27 -3 31.9030
50 2.5 0 58 24 15 19.4535
50 2.5 0 50 3.1736 0.5854 1.0000
50 2.5 0 50 3.2972 0 1.0000
50 2.5 0 50 1.8634 0.5757 1.0000
50 2.5 0 50 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""
PAIRS = np.array([[float(x) for x in row.split()] for row in SHARMA.strip().splitlines()])


def test_all_34_published_pairs() -> None:
    assert len(PAIRS) == 34
    # The table is rounded to four digits, and two pairs sit on the hue wrap where that rounding shows.
    assert np.allclose(spaces.delta_e_2000(PAIRS[:, :3], PAIRS[:, 3:6]), PAIRS[:, 6], atol=1e-4)
    assert np.allclose(spaces.delta_e_2000(PAIRS[:, 3:6], PAIRS[:, :3]), PAIRS[:, 6], atol=1e-4)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(-100, 100), st.floats(-100, 100)), min_size=2, max_size=2))
def test_difference_agrees_with_an_independent_library(pair: list[tuple[float, float, float]]) -> None:
    ours = spaces.delta_e_2000(pair[0], pair[1])
    # colour-science, CIE 2000. Opposite hues (180 degrees apart) are a published discontinuity: leave them out.
    angles = [np.degrees(np.arctan2(b, a)) for _, a, b in pair]
    if abs(abs(angles[0] - angles[1]) - 180) < 0.5 or min(np.hypot(a, b) for _, a, b in pair) < 1e-6:
        return
    assert ours == pytest.approx(reference.delta_E(pair[0], pair[1], method="CIE 2000"), abs=2e-3)


def test_bytes_to_linear() -> None:
    # IEC 61966-2-1: c <= 0.04045: c / 12.92, else ((c + 0.055) / 1.055)^2.4; values worked from that formula.
    table = {0: 0, 1: 0.00030353, 10: 0.00303527, 11: 0.00334654, 46: 0.02732089, 55: 0.03820437, 118: 0.18116424}
    table |= {128: 0.21586050, 188: 0.50288646, 200: 0.57758044, 243: 0.89626935, 254: 0.99110210, 255: 1}
    got = spaces.linear_from_bytes(np.array(list(table), dtype=np.uint8))
    assert np.allclose(got, list(table.values()), atol=6e-8)
    assert float(spaces.decode(0.5)) == pytest.approx(0.2140411, abs=5e-8)


def test_linear_to_bytes() -> None:
    # The same formula turned round, unrounded bytes.
    assert np.allclose(
        spaces.encode([0.01, 0.05, 0.18, 0.5, 0.9]) * 255, [25.462, 63.189, 117.646, 187.516, 243.445], atol=6e-4
    )


@given(st.floats(-1.5, 1.5))
def test_the_curve_turns_round(value: float) -> None:
    assert float(spaces.decode(spaces.encode(value))) == pytest.approx(value, abs=1e-6)


def test_lab_of_primaries_and_pepper_bytes() -> None:
    # Computed with colour-science 0.4.7, D65, 2 degrees.
    primaries = np.eye(3)
    expected = [[53.2329, 80.1112, 67.2237], [87.7370, -86.1829, 83.1878], [32.3026, 79.1981, -107.8504]]
    # Two roundings of the IEC matrix are in use (four and seven digits): 0.03 in a* or b*.
    assert np.allclose(spaces.linear_to_lab(primaries), expected, atol=0.03)
    skin = spaces.linear_from_bytes(np.array([[200, 30, 30], [40, 120, 50]], dtype=np.uint8))
    assert np.allclose(
        spaces.linear_to_lab(skin), [[43.2143, 63.0548, 45.2261], [44.3965, -39.6893, 31.0597]], atol=0.03
    )


def test_grey_is_neutral_and_white_is_100() -> None:
    grey = np.repeat(np.linspace(0, 1, 11)[:, None], 3, axis=1)
    lab = spaces.linear_to_lab(grey)
    assert np.abs(lab[:, 1:]).max() < 1e-3
    assert lab[-1, 0] == pytest.approx(100, abs=1e-3)
    assert lab[0, 0] == pytest.approx(0, abs=1e-3)


def test_lab_outside_the_gamut_agrees_with_an_independent_library() -> None:
    # Real reds leave sRGB: OpenCV's own conversion would return the color of pure red here.
    rng = np.random.default_rng(7)
    linear = rng.uniform(-0.05, 1.3, (500, 3))
    linear[0] = (1.2, -0.05, -0.02)
    xyz = linear @ spaces.SRGB_TO_XYZ.T
    keep = (xyz > 0).all(axis=1)
    white = spaces.WHITE_D65[[0, 2]] / np.array([1, 1])
    total = spaces.WHITE_D65.sum()
    expected = reference.XYZ_to_Lab(xyz[keep], illuminant=np.array([white[0], 1.0]) / total)
    assert keep.sum() > 300
    assert np.allclose(spaces.linear_to_lab(linear[keep]), expected, atol=0.01)


def test_lab_turns_round() -> None:
    rng = np.random.default_rng(8)
    lab = np.column_stack([rng.uniform(5, 95, 300), rng.uniform(-70, 80, 300), rng.uniform(-60, 90, 300)])
    assert np.allclose(spaces.linear_to_lab(spaces.lab_to_linear(lab)), lab, atol=0.01)


def test_bradford_matrices() -> None:
    # Standard white points in five digits; two independent codes agree on these to 1e-7.
    d50, a = (0.96422, 1, 0.82521), (1.0985, 1, 0.35585)
    d65 = spaces.WHITE_D65
    expected_d50 = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    expected_a = [
        [0.8446965, -0.1179225, 0.3948108],
        [-0.1366303, 1.1041226, 0.1291718],
        [0.0798489, -0.1348999, 3.1924009],
    ]
    assert np.allclose(spaces.bradford(d65, d50), expected_d50, atol=1e-7)
    assert np.allclose(spaces.bradford(a, d65), expected_a, atol=1e-7)
    moved = spaces.bradford(d65, d50) @ [0.20654008, 0.12197225, 0.05136952]
    assert np.allclose(moved, [0.21663155, 0.12603750, 0.03856425], atol=1e-7)


def test_display_p3_matrix() -> None:
    space = reference.RGB_COLOURSPACES
    expected = reference.matrix_RGB_to_RGB(space["Display P3"], space["sRGB"], chromatic_adaptation_transform=None)
    assert np.allclose(spaces.P3_TO_SRGB, expected, atol=2e-4)
    # P3 (200, 30, 30) is sRGB (218.5, -35.5, 6.3), unclipped, the curve's straight part carried on below zero:
    # computed with colour-science. Near black, rounding P3's primaries to four digits moves the last by 0.3.
    linear = spaces.P3_TO_SRGB @ spaces.decode(np.array([200, 30, 30]) / 255)
    below = 255 * 12.92 * linear[1]
    assert np.allclose([*(spaces.encode(linear[[0, 2]]) * 255), below], [218.5, 6.3, -35.5], atol=0.4)


def test_shapes_and_empty() -> None:
    assert spaces.linear_to_lab(np.zeros((0, 3))).shape == (0, 3)
    assert spaces.linear_to_lab(np.zeros((2, 5, 3))).shape == (2, 5, 3)
    assert spaces.linear_to_lab(np.zeros((2, 5, 3))).dtype == np.float32
