"""What is said about an eye: against published examples, a general statistics library, and invented students."""

import numpy as np
import pytest
import statsmodels.api as sm
from tests.practice.simulated_students import percent_student, table, threshold_student

from truelobe.practice.agreement import bland_altman, concordance, fit_eye
from truelobe.practice.progress import LOOKS, allowed, boundaries, judge_change, over_time
from truelobe.practice.threshold import fit_threshold

# Bland & Altman, Lancet 1986; i: 307-310, table 1, first readings with the large and the mini meter (l/min).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_limits_of_agreement_of_the_peak_flow_meters():
    found = bland_altman(LARGE, MINI)
    # The paper prints -2.1 and 38.8, an interval of the bias from -22.0 to 17.8, and 16.3 as error of a limit.
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.spread == pytest.approx(38.8, abs=0.05)
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.limit_error == pytest.approx(16.3, abs=0.05)
    # Its limits take 2 for 1.96.
    assert found.bias - 2 * found.spread == pytest.approx(-79.7, abs=0.1)
    assert found.limits == pytest.approx((-2.118 - 1.96 * 38.765, -2.118 + 1.96 * 38.765), abs=0.01)


def test_concordance_and_its_two_parts():
    found = concordance(LARGE, MINI)
    # Lin, Biometrics 45 (1989) 255-268; r 0.943 stands in the paper of Bland & Altman.
    assert found.precision == pytest.approx(0.943, abs=5e-4)
    assert found.value == pytest.approx(0.94274, abs=1e-5)
    assert found.accuracy == pytest.approx(0.99943, abs=1e-5)
    assert found.value == pytest.approx(found.precision * found.accuracy)
    x = np.arange(1, 6)
    assert concordance(x, x + 1).value == pytest.approx(0.8)  # by hand: 2*2 / (2 + 2 + 1)
    assert concordance(x, 2 * x).value == pytest.approx(8 / 19)
    assert concordance(x, 6 - x).value == pytest.approx(-1)
    assert concordance(x, [3] * 5) is None


def test_logistic_curve_without_lapses_is_logistic_regression():
    rng = np.random.default_rng(5)
    x = rng.uniform(0, 40, 120)
    over = rng.random(120) < 1 / (1 + np.exp(-(x - 16) / 4))
    ours = fit_threshold(x, over, curve="logistic", most_lapses=0)
    theirs = sm.GLM(over.astype(float), sm.add_constant(x), family=sm.families.Binomial()).fit()
    constant, slope = theirs.params
    assert ours.at.value == pytest.approx(-constant / slope, abs=0.01)
    assert ours.width == pytest.approx(1 / slope, rel=2e-3)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-4)


def test_far_from_the_ends_the_fit_is_plain_mean_and_standard_deviation():
    rng = np.random.default_rng(6)
    truth = rng.uniform(40, 60, 200)
    answers = np.rint(truth + rng.normal(3, 6, 200))
    fit = fit_eye(truth, answers)
    assert fit.small is None
    assert fit.bias.value == pytest.approx((answers - truth).mean(), abs=0.02)
    # Rounding to whole percent adds 1/12 to the variance (Sheppard's correction), which the fit takes out.
    assert fit.spread.value == pytest.approx(np.sqrt((answers - truth).var(ddof=1) - 1 / 12), abs=0.03)


def test_an_eye_near_zero_is_not_called_better_than_it_is():
    rng = np.random.default_rng(7)
    truth = np.full(4000, 2.0)
    answers = np.clip(np.rint(truth + rng.normal(0, 6, 4000)), 0, 100)
    assert (answers - truth).mean() > 1  # what cutting off at 0 does to a plain mean
    fit = fit_eye(truth, answers)
    assert abs(fit.bias.value) < 4 * 6 * np.sqrt(2 / 4000)  # half the answers are cut off
    assert fit.spread.value == pytest.approx(6, abs=0.4)


def test_too_few_answers_say_nothing():
    assert fit_eye([10] * 7, [12] * 7) is None
    assert fit_threshold([10, 20] * 7, [0, 1] * 7) is None
    assert fit_threshold([10, 20] * 20, [1, 1] * 20) is None
    assert over_time([5.0] * 9) == ()


def test_a_faultless_eye_gets_a_finite_answer():
    x = np.linspace(1, 40, 40)
    fit = fit_threshold(x, x >= 15)
    assert fit.at.low < 15 < fit.at.high < 25
    assert fit_eye(x, np.rint(x)).spread.value < 1


def test_estimates_of_sixty_students():
    rng, count = np.random.default_rng(8), 60
    rows = table([percent_student(rng) for _ in range(count)])
    rows |= table([threshold_student(rng) for _ in range(count)])
    bounds = {"bias": 1.0, "small patches": 2.3, "spread": 0.7, "threshold": 1.4, "lapse rate": 2.4}
    for name, (error, ratio, holds) in rows.items():
        # 0.3 points, 1.2 x the bound and 92-98 %, each widened by 3 standard errors of so few students; a thousand
        # are in the stress run. A lapse rate at its limit of zero has no Cramer-Rao bound.
        assert abs(error) < 0.3 + 3 * bounds[name] / np.sqrt(count), name
        assert not ratio > 1.2 * (1 + 3 / np.sqrt(2 * count)), name
        assert abs(holds - 0.95) < 0.03 + 3 * np.sqrt(0.05 * 0.95 / count), name


def test_boundaries_of_equal_looks_are_the_published_ones():
    # D. M. Reboussin, D. L. DeMets et al., Control. Clin. Trials 21 (2000) 190-207 and the table in C. Jennison &
    # B. W. Turnbull (2000): Lan-DeMets spending of O'Brien-Fleming type, two-sided 0.05, five looks. From memory.
    found = boundaries(0.025, (1, 2, 3, 4, 5))
    assert found == pytest.approx((4.877, 3.357, 2.680, 2.290, 2.031), abs=0.03)


def falls(rng, before, after, count, round_number=1):
    scale = np.sqrt(np.pi / 2)  # mean error of a normal eye is 0.798 of its spread
    return np.mean(
        [
            judge_change(
                np.abs(rng.normal(0, before * scale, LOOKS[-1])),
                np.abs(rng.normal(0, after * scale, LOOKS[-1])),
                round_number,
            ).better
            for _ in range(count)
        ]
    )


def test_better_is_said_when_and_only_when_it_is_real():
    rng = np.random.default_rng(9)
    error = 3 * np.sqrt(0.05 * 0.95 / 1000)
    assert falls(rng, 7.6, 7.6, 1000) <= 0.04 + error
    assert falls(rng, 7.6, 7.6, 500, 2) <= 0.005 + 3 * np.sqrt(0.005 / 500)
    # 7.6 to 5.2 points: what a training study of plant cover found after some 70 pictures with feedback.
    assert falls(rng, 7.6, 5.2, 400) >= 0.80
    assert falls(rng, 5.2, 7.6, 400) < 0.01


def test_a_claim_is_looked_at_only_at_fixed_places_and_stays():
    before, after = np.full(70, 8.0), np.full(70, 4.0)
    before[::2] += 1
    assert not judge_change(before[:27], after[:27]).better
    assert judge_change(before[:27], after[:27]).next_look == 28
    assert judge_change(before, after[:28]).better
    worse = np.concatenate([after[:28], np.full(42, 30.0)])
    assert judge_change(before, worse).better
    assert sum(allowed(n) for n in range(1, 40)) <= 0.05
