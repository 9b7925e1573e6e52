"""Figures and decisions against the GUM's published examples."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from truelobe.figures import LEVELS, Contribution, Figure, from_draws, from_normal
from truelobe.grading import Limit, decide

finite = st.floats(-1e4, 1e4)
spreads = st.floats(1e-3, 1e3)


def test_one_sided_limit_of_the_guide_on_conformity() -> None:
    # JCGM 106:2012, clause 7.4 example (breakdown voltage of a Zener diode): y = -5.47 V, u = 0.05 V, upper limit
    # -5.40 V, conformance probability 0.92 (from memory; the arithmetic is Phi(1.4) = 0.9192).
    assert from_normal(-5.47, 0.05).probability_below(-5.40) == pytest.approx(0.9192, abs=5e-5)


def test_two_sided_limit_of_the_guide_on_conformity() -> None:
    # JCGM 106:2012, clause 7.4 example (kinematic viscosity): 13.6, u 1.8, limits 12.5 to 16.3, probability 0.66
    # (from memory; the arithmetic is Phi(1.5) - Phi(-0.611) = 0.6626).
    figure = from_normal(13.6, 1.8)
    inside = figure.probability_below(16.3) - figure.probability_below(12.5)
    assert inside == pytest.approx(0.6626, abs=5e-5)


@pytest.mark.parametrize(
    ("guard", "probability"), [(0, 0.5), (1, 0.8413), (1.645, 0.95), (1.96, 0.975), (2, 0.97725), (3, 0.99865)]
)
def test_probability_at_a_guard_band(guard: float, probability: float) -> None:
    # The normal law: conformance probability for a value `guard` standard uncertainties inside an upper limit.
    assert from_normal(10 - guard * 1.2, 1.2).probability_below(10) == pytest.approx(probability, abs=5e-5)


def test_sum_of_four_rectangles_as_in_the_monte_carlo_supplement() -> None:
    # JCGM 101:2008, 9.2.3: four rectangular inputs of standard deviation 1 give u = 2.0 and a 95 % interval of
    # +-2 sqrt(3) (2 - (3/5)^(1/4)) = +-3.8794, not the normal +-3.92 (formula from memory, recomputed).
    rng = np.random.default_rng(1)
    figure = from_draws(rng.uniform(-math.sqrt(3), math.sqrt(3), (400_000, 4)).sum(axis=1))
    assert figure.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert figure.half_width == pytest.approx(2 * math.sqrt(3) * (2 - 0.6**0.25), abs=0.02)


@given(finite, spreads)
def test_a_figure_survives_its_document(value: float, spread: float) -> None:
    figure = from_normal(value, spread, (Contribution("edge", spread, "photo"),))
    assert Figure.from_document(figure.document()) == figure


@given(finite, spreads, st.floats(-3, 3), st.floats(0.01, 3))
def test_probability_rises_with_the_limit(value: float, spread: float, at: float, more: float) -> None:
    figure = from_normal(value, spread)
    low, high = (
        figure.probability_below(value + at * spread),
        figure.probability_below(value + (at + more) * spread),
    )
    assert 0 <= low <= high <= 1


@given(st.lists(st.floats(0, 1).map(lambda x: round(x, 4)), min_size=8, max_size=60))
def test_quantiles_and_probability_come_from_the_same_draws(draws: list[float]) -> None:
    figure = from_draws(draws)
    for level, quantile in zip(LEVELS, figure.quantiles, strict=True):
        spread = figure.quantiles[-1] - figure.quantiles[0]
        if spread > 1e-6 and figure.quantiles.count(quantile) == 1:
            assert figure.probability_below(quantile) == pytest.approx(level, abs=1e-6)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_figure_is_finite(bad: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        from_normal(bad, 1.0)


LIMIT = Limit("U.S. Fancy size", "diameter", 76.2, "mm", "at least")


@pytest.mark.parametrize(
    ("value", "outcome"), [(76.2 + 1.65, "met"), (76.2 - 1.65, "missed"), (76.2, "too close"), (77.8, "too close")]
)
def test_a_limit_is_met_missed_or_too_close(value: float, outcome: str) -> None:
    # ISO 14253-1: a guard band of 1.65 u on one side proves conformity at 95 % (factor from memory).
    assert decide(from_normal(value, 1.0), LIMIT).outcome == outcome


def test_an_empty_limit_is_never_met_and_an_unseen_figure_never_passes() -> None:
    empty = Limit("U.S. No. 2 size", "diameter", None, "mm", "at least")
    assert decide(from_normal(90, 1), empty).outcome == "limit not entered"
    assert decide(None, LIMIT).outcome == "not seen"


@given(st.floats(40, 120), st.floats(0.1, 5), st.floats(40, 120), st.floats(0, 30))
def test_tightening_a_limit_never_helps(value: float, spread: float, limit: float, more: float) -> None:
    order = {"missed": 0, "too close": 1, "met": 2}
    loose = decide(from_normal(value, spread), Limit("a", "diameter", limit, "mm", "at least")).outcome
    tight = decide(from_normal(value, spread), Limit("a", "diameter", limit + more, "mm", "at least")).outcome
    assert order[tight] <= order[loose]
