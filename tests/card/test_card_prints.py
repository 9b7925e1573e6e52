"""The true size of a printout."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from truelobe.card import UNMEASURED, load_layout, scale_from_bars
from truelobe.messages import TruelobeError

LAYOUT = load_layout()
ACROSS, DOWN = LAYOUT.across.length_mm, LAYOUT.down.length_mm


def codes(scale):
    return [message.code for message in scale.messages]


def test_exact_print_needs_no_word():
    scale = scale_from_bars(LAYOUT, 180.0, 130.0, 0.3)
    assert (scale.across, scale.down, scale.source) == (1.0, 1.0, "measured")
    assert (scale.u_across, scale.u_down) == pytest.approx((0.3 / 180, 0.3 / 130))
    assert codes(scale) == []


@given(st.floats(0.9, 1.1), st.floats(0.9, 1.1), st.floats(0.05, 1.0))
def test_inches_and_millimetres_agree(across, down, u):
    # the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
    mm = scale_from_bars(LAYOUT, ACROSS * across, DOWN * down, u)
    inch = scale_from_bars(LAYOUT, ACROSS * across / 25.4, DOWN * down / 25.4, u / 25.4, unit="in")
    assert (mm.across, mm.down) == pytest.approx((across, down))
    assert (inch.across, inch.down, inch.u_across) == pytest.approx((mm.across, mm.down, mm.u_across))
    assert codes(inch) == codes(mm)


@pytest.mark.parametrize(("factor", "told"), [(1.004, False), (1.006, True), (0.9961, False), (0.994, True)])
def test_half_a_percent_is_told(factor, told):
    assert codes(scale_from_bars(LAYOUT, ACROSS * factor, DOWN)) == (["print-off-size"] if told else [])
    assert codes(scale_from_bars(LAYOUT, ACROSS, DOWN * factor)) == (["print-off-size"] if told else [])


@pytest.mark.parametrize(
    "factor",
    # sheets' own sizes: ISO 216 A4 210 x 297 mm, US Letter 215.9 x 279.4 mm
    [279.4 / 297, 210 / 215.9],
)
def test_fit_to_page_is_named(factor):
    scale = scale_from_bars(LAYOUT, ACROSS * factor, DOWN * factor)
    assert codes(scale) == ["print-fit-to-page"]
    assert (scale.across, scale.down) == pytest.approx((factor, factor))


@pytest.mark.parametrize(
    ("across", "down", "u"),
    [(7.09, 5.12, 0.3), (130, 180, 0.3), (0, 130, 0.3), (float("nan"), 130, 0.3), (180, -130, 0.3), (180, 130, 0)],
)
def test_impossible_readings_are_refused(across, down, u):
    with pytest.raises(TruelobeError) as caught:
        scale_from_bars(LAYOUT, across, down, u)
    assert caught.value.message.code == "print-reading"


def test_print_never_measured_is_flagged_and_carries_half_a_percent():
    assert (UNMEASURED.across, UNMEASURED.down, UNMEASURED.source) == (1.0, 1.0, "assumed")
    assert UNMEASURED.u_across == UNMEASURED.u_down == 0.005
    assert codes(UNMEASURED) == ["print-not-measured"]
    assert UNMEASURED.messages[0].severity == "flag"
