"""Every Streamlit option of the app, in one place: colours, and what keeps it on this machine.

`truelobe open` passes all of them on the command line, so that nothing depends on the folder it is called from;
`.streamlit/config.toml` holds the same for `streamlit run app.py` in a checkout, and a test keeps the two alike.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

LARGEST_UPLOAD_MB = 40


@dataclass(frozen=True)
class Palette:
    """The colours of one appearance, as hexadecimal sRGB.

    Text stands on paper and on the grounds at 4.5:1 at least, lines of controls at 3:1 (WCAG 2.2, criteria
    1.4.3 and 1.4.11).
    """

    paper: str
    raised: str
    ink: str
    quiet: str
    line: str
    control: str
    accent: str
    on_accent: str
    warning: str
    refusal: str


LIGHT = Palette(
    paper="#FBFAF6",
    raised="#F1EFE8",
    ink="#1F2933",
    quiet="#5B6770",
    line="#D9D6CC",
    control="#8A8D88",
    accent="#1B4F72",
    on_accent="#FFFFFF",
    warning="#FFF4D6",
    refusal="#F6E3E0",
)
DARK = Palette(
    paper="#14191E",
    raised="#1D242B",
    ink="#ECEAE3",
    quiet="#AAB4BC",
    line="#38424B",
    control="#77838C",
    accent="#8CC4EC",
    on_accent="#10202C",
    warning="#3B3115",
    refusal="#452723",
)

# Okabe & Ito (2008), Color Universal Design: made to be told apart by colour-blind readers.
OKABE_ITO = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00", "#F0E442", "#000000")


def _theme(name: str, palette: Palette) -> dict[str, object]:
    return {
        f"theme.{name}.primaryColor": palette.accent,
        f"theme.{name}.backgroundColor": palette.paper,
        f"theme.{name}.secondaryBackgroundColor": palette.raised,
        f"theme.{name}.textColor": palette.ink,
        f"theme.{name}.borderColor": palette.line,
        f"theme.{name}.linkColor": palette.accent,
    }


def streamlit_options() -> dict[str, object]:
    """Return the options by their Streamlit names."""
    return {
        "browser.gatherUsageStats": False,
        "server.address": "127.0.0.1",
        "server.allowedHosts": ["127.0.0.1", "localhost"],
        "server.showEmailPrompt": False,
        "server.maxUploadSize": LARGEST_UPLOAD_MB,
        "server.fileWatcherType": "none",
        "server.disconnectedSessionTTL": 60,
        # A click while photos are taken in waits its turn. Two runs of one page side by side would each change
        # what the other has read, and the later of the two would be refused.
        "runner.fastReruns": False,
        # Forced after every run, a full collection takes as long again as drawing the page, and holds up every
        # other browser meanwhile. Python collects by itself, and photos live in the worker processes.
        "runner.postScriptGC": False,
        # With the welcome goes what it advertises to programmers, which would lie over a coach's first picture.
        "logger.hideWelcomeMessage": True,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        "theme.font": "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif",
        "theme.headingFont": "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif",
        "theme.baseRadius": "0.4rem",
        "theme.showWidgetBorder": True,
        "theme.chartCategoricalColors": list(OKABE_ITO),
        **_theme("light", LIGHT),
        **_theme("dark", DARK),
    }


def command_line(address: str | None = None) -> list[str]:
    """Return the options as words of Streamlit's command line.

    Parameters
    ----------
    address : str, optional
        This machine's address on a network that the pages are opened to; without it they stay on this machine.
    """
    options = streamlit_options()
    if address is not None:
        options |= {"server.address": "0.0.0.0", "server.allowedHosts": ["127.0.0.1", "localhost", address]}
    return [f"--{name}={word}" for name, value in options.items() for word in _words(name, value)]


def _words(name: str, value: object) -> list[str]:
    if isinstance(value, bool):
        return [str(value).lower()]
    if isinstance(value, list):
        # Streamlit reads lists of colours as JSON, other lists as an option given several times.
        return [json.dumps(value)] if name.startswith("theme.") else [str(one) for one in value]
    return [str(value)]
