"""Find the data that the tool ships: `calibration/` and `sample_images/`.

In a wheel they lie inside the package as `_data/`; in a checkout they lie at its root. An editable install puts
copies where `importlib.resources` does not look, so the checkout's own folders are the second place.
"""

from __future__ import annotations

from pathlib import Path

from truelobe.messages import TruelobeError

_PACKAGE = Path(__file__).resolve().parent


def data_path(*parts: str) -> Path:
    """Return the path of a shipped file or folder.

    Parameters
    ----------
    *parts : str
        First ``"calibration"`` or ``"sample_images"``, then the path below it.

    Raises
    ------
    TruelobeError
        ``data-missing`` when the installation is incomplete.
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parents[1]):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise TruelobeError(
        "data-missing",
        f"A file that belongs to the tool is missing: {'/'.join(parts)}.",
        "Install the tool again.",
    )
