"""One set of options: in the checkout, on the command line, and readable in both appearances."""

import tomllib
from pathlib import Path

import pytest

from truelobe.pages import options

CONFIG = Path(__file__).parents[2] / ".streamlit" / "config.toml"


def flat(tree, prefix=""):
    for name, value in tree.items():
        if isinstance(value, dict):
            yield from flat(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def test_the_checkout_s_file_says_what_the_command_passes():
    assert dict(flat(tomllib.loads(CONFIG.read_text()))) == options.streamlit_options()


def test_nothing_leaves_the_machine():
    words = options.command_line()
    assert "--browser.gatherUsageStats=false" in words
    assert "--server.address=127.0.0.1" in words


def luminance(colour):
    """Relative luminance, WCAG 2.2."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_agrees_with_the_published_extreme():
    assert contrast("#FFFFFF", "#000000") == pytest.approx(21)  # WCAG 2.2, definition of contrast ratio


@pytest.mark.parametrize("palette", [options.LIGHT, options.DARK], ids=["light", "dark"])
def test_text_and_controls_stand_out(palette):
    for ground in (palette.paper, palette.raised, palette.warning, palette.refusal):
        assert contrast(palette.ink, ground) >= 4.5  # WCAG 2.2, 1.4.3
    for ground in (palette.paper, palette.raised):
        assert contrast(palette.quiet, ground) >= 4.5
        assert contrast(palette.accent, ground) >= 4.5

    assert contrast(palette.on_accent, palette.accent) >= 4.5
    assert contrast(palette.control, palette.paper) >= 3  # WCAG 2.2, 1.4.11
