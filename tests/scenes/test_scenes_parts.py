"""What each part is worth: the table's own arithmetic, and the plain reading beside a ball."""

import numpy as np
import pytest
from tests.benchmarks import parts

from truelobe.camera import Lens, View


def pepper(error: float, *, lies: bool = True, seen: bool = True) -> parts.Pepper:
    """A pepper of 80 mm across and 100 mm long that every way reads wrong by the same."""
    true = {"diameter": 80.0, "width seen": 78.0, "length": 100.0}
    rows = [row for row in parts.ROWS if seen or row != "no pepper network"]
    read = {row: {name: value + error for name, value in true.items()} for row in rows}
    return parts.Pepper("easy", lies, true, read, {name: (True, abs(error) < 2) for name in true})


def test_the_table_says_errors_counts_and_shares() -> None:
    lines = parts.report([pepper(3.0), pepper(-1.0, lies=False), pepper(1.0, seen=False)])
    rows = (*parts.ROWS, "95 %", "without")
    named = {row: next(x for x in lines if x.strip().startswith(row)).split() for row in rows}
    # sqrt((9 + 1 + 1) / 3) of all three, sqrt((9 + 1) / 2) of the two that lie.
    assert lines[0].startswith("easy: 3 peppers, 2 of them lying")
    assert named[parts.WHOLE][-6:] == ["1.91", "(", "3)", "2.24", "(", "2)"]
    assert named["no pepper network"][-2:] == ["(", "1)"]
    # The plain reading's errors 3, -1 and 1 about their mean of 1: sqrt((4 + 4 + 0) / 3).
    assert "1.63" in named[parts.PLAIN]
    assert named["95 %"][-3:] == ["100.0%", "100.0%", "100.0%"]
    assert named["without"][-3:] == ["66.7%", "66.7%", "66.7%"]


def test_the_plain_reading_of_a_ball_is_its_diameter() -> None:
    # Seen from straight above at 450 mm over the plate: tangents touch a ball of 80 mm, 410 mm away, so that on
    # the plane through its middle it shows 40 / sqrt(1 - (40 / 410) ** 2) = 40.19 mm of radius.
    lens = Lens(1200.0, 800.0, 600.0, 0.0, 0.0, 0.001, "profile")
    view = View(lens, np.diag([1.0, 1.0, 1.0]), np.array([0.0, 0.0, 450.0]))
    assert parts.without_tangents(2 * 40.0 / np.sqrt(1 - (40 / 410) ** 2), 410.0) == pytest.approx(80.0)
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    shown = 1200.0 * 40.0 / np.sqrt(410.0**2 - 40.0**2)
    outline = np.stack([800 + shown * np.cos(angle), 600 + shown * np.sin(angle)], axis=-1)
    read = parts.plain_reading(outline, np.array([1.0, 0.0, 0.0]), view, 0.0)
    assert read["diameter"] == pytest.approx(80.0, abs=0.02)
    assert read["length"] == pytest.approx(80.0, abs=0.02)
