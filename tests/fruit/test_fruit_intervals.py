"""The intervals' benchmark: its score by hand, and that it notices intervals half as wide."""

from dataclasses import replace

import numpy as np
import pytest
from sample_images.maker.found import Donor, causes, donors, follows, read_moves
from tests.benchmarks import intervals, readings
from tests.benchmarks.tables import columns

from truelobe.fruit.priors import lobing, misfit, outline_error

pytestmark = pytest.mark.opencv


def test_wilsons_interval_of_a_share() -> None:
    # 81 of 263: 0.2553 to 0.3662 (Newcombe, Statistics in Medicine 17, 1998, table I, method 3; from memory).
    low, high = intervals.wilson(81, 263)
    assert (low, high) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def normal_rows(scale: float) -> list[intervals.Row]:
    """A thousand figures whose stated spread is `scale` times the true one."""
    rng = np.random.default_rng(8)
    rows = []
    for k in range(1000):
        true, error = 80.0, rng.normal() * 2.0
        value = true + error
        half = 1.96 * 2.0 * scale
        figure = {"true": true, "value": value, "low": value - half, "high": value + half}
        rows.append(
            {
                "difficulty": "easy",
                "family": "first",
                "pose": "lying",
                "said_pose": "lying",
                "said_colour": None,
                "colour": None,
                **dict.fromkeys(("tilted", "no cue", "hidden", "told", "focal", "unsure"), k % 2 == 0),
                "figures": dict.fromkeys(intervals.QUANTITIES, figure),
            }
        )
    return rows


def test_the_benchmark_notices_intervals_half_as_wide() -> None:
    # A normal law: 95 % inside as stated, 67.3 % with half the width; a thousand give these to 0.7 and 1.5 points.
    def share(rows: list[intervals.Row]) -> float:
        true, _, low, high = columns(rows, "diameter")
        return float(((low <= true) & (true <= high)).mean())

    assert share(normal_rows(1.0)) == pytest.approx(0.95, abs=0.022)
    assert share(normal_rows(0.5)) == pytest.approx(0.673, abs=0.045)
    for scale in (1.0, 0.5):
        rows = normal_rows(scale)
        printed = next(x for x in intervals.report(rows).splitlines() if x.lstrip().startswith("all"))
        assert f"{share(rows):.1%}" in printed
        hits = round(share(rows) * len(rows))
        low, high = intervals.wilson(hits, len(rows))
        assert (low < 0.95 < high) == (scale == 1.0)


def test_a_whole_scene_is_measured_and_every_figure_has_its_truth_beside_it() -> None:
    (rows,) = [
        intervals.measure_scene(scene)
        for scene in intervals.outline_scenes(1, intervals.CHECKING, source=intervals.FORMS, difficulty="easy")
    ]
    assert rows
    for row in rows:
        figure = row["figures"]["diameter"]
        assert figure["low"] < figure["value"] < figure["high"]
        # Half and twice are no accuracy claim: they catch a swapped axis, a wrong unit, a mirrored camera.
        assert 0.5 < figure["value"] / figure["true"] < 2.0
        assert row["budget"]["diameter"]["lobing"] > 0


def test_counted_errors_are_kept_in_order_and_even_where_they_must_be() -> None:
    lobes = [lobing("lying", squat=squat, cue=True) for squat in (True, False)]
    rest = [lobing("standing", squat=False, cue=True), lobing("lying", squat=False, cue=False)]
    ways = [
        (name, cue, tilt) for name in ("width", "length") for cue in (True, False) for tilt in (0.0, 18.0, 40.0)
    ]
    even = [misfit(name, "lying", cue=cue, tilt_deg=tilt) for name, cue, tilt in ways]
    even.append(misfit("width", "standing", cue=True, tilt_deg=0.0))
    outline = [outline_error(name, apart) for name in ("width", "length") for apart in (None, 0.5, 2.0, 9.0)]
    for table in (*lobes, *rest, *even, *outline):
        assert list(table.levels) == sorted(table.levels)
        assert 0 <= table.levels[0] < 0.025
        assert 0.975 < table.levels[-1] <= 1
        assert list(table.shares) == sorted(table.shares)
        assert min(table.shares) > -1
    for table in even:
        np.testing.assert_allclose(table.shares, -np.array(table.shares)[::-1], atol=0.01)
    # A lying body is at least as wide as it looks: but for misreading, the excess is not negative.
    for table in lobes:
        assert table.shares[table.levels.index(0.05)] > -0.02


def test_a_photo_from_the_side_makes_lengths_less_sure_and_never_widths() -> None:
    # A foreshortened length is divided by the cosine of an angle that is guessed; widths lie across it.
    levels = np.linspace(0.03, 0.97, 200)
    for cue in (True, False):
        above, oblique = (misfit("length", "lying", cue=cue, tilt_deg=tilt).draws(levels) for tilt in (0.0, 40.0))
        assert np.std(oblique) > 1.1 * np.std(above)
        assert misfit("width", "lying", cue=cue, tilt_deg=0.0) == misfit("width", "lying", cue=cue, tilt_deg=40.0)


def test_the_table_of_readings_tells_how_far_and_how_much_alike_two_sizes_err() -> None:
    rng = np.random.default_rng(5)
    both = rng.multivariate_normal([0, 0], [[1.0, 0.6], [0.6, 1.44]], 4000)
    u_fit, u_read = np.array([0.05, 0.04]), np.array([0.03, 0.06])
    made = [
        replace(
            donors()[0],
            family=("first", "third", "fourth")[k % 3],
            fit_tilt_deg=tilt,
            fit_off=fitted * u_fit,
            fit_u=u_fit,
            size_off=read * u_read,
            size_u=u_read,
            far_off=0.0,
        )
        for k, (fitted, read) in enumerate(both)
        for tilt in (5.0, 40.0)
    ]
    together = [line.split()[-4:] for line in readings.report(made).splitlines() if "all alike" in line]
    assert len(together) == 4
    for count, fitted, read, alike in together:
        assert int(count) == 4000
        # Four standard errors of 4,000, and half a digit of the print.
        assert float(fitted) == pytest.approx(1.0, abs=0.05)
        assert float(read) == pytest.approx(1.2, abs=0.06)
        assert float(alike) == pytest.approx(0.5, abs=0.055)


def donor_with(fit_off: float, excess: float) -> Donor:
    """A donor whose fit is off by this much, in both sizes, at a stated tenth."""
    off, u = np.full(2, fit_off), np.full(2, 0.1)
    return replace(donors()[0], fit_off=off, fit_u=u, far_off=0.0, excess=excess)


def test_a_lent_reading_errs_alike_with_the_fit_and_misses_lobes() -> None:
    lent = donor_with(0.02, 0.1)
    assert read_moves(lent, lent.causes()) == pytest.approx([0.0, 0.0])
    # An odd form that makes the fit a pepper too large makes the reading too large, by less.
    larger = read_moves(lent, causes(0.1, np.array([0.06, 0.06]), np.full(2, 0.1)))
    assert (larger > 0).all()
    assert (larger < 0.04).all()
    # A more lobed pepper of the same fit is read too small across.
    assert read_moves(lent, causes(0.2, lent.fit_off, lent.fit_u))[0] < 0
    # A mistaken axis counts as three deviations; a length that the pose hides moves nothing.
    far = [read_moves(lent, causes(0.1, np.array([0.3 + more, np.nan]), np.full(2, 0.1))) for more in (0.0, 2.0)]
    np.testing.assert_allclose(far[0], far[1])
    assert far[0][1] == 0


def test_how_far_readings_follow_is_counted_on_the_donors() -> None:
    # What is left of the readings' errors no longer hangs on the causes that were taken out.
    why, off = np.array([one.causes() for one in donors()]), np.array([one.size_off for one in donors()])
    for k in (0, 1):
        known = np.isfinite(why[:, :, k]).all(axis=1)
        left = off[known, k] - why[known, :, k] @ follows()[:, k]
        assert np.abs(np.corrcoef(np.vstack([left, why[known, :, k].T]))[0, 1:]).max() < 1e-6
