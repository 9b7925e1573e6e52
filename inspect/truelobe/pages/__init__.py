"""The Streamlit pages: they show and ask, and compute nothing.

Nothing here imports Streamlit until a page runs, so that the worker pool stays usable without it.
"""


def main() -> None:
    """Show the app: called by `app.py` at every run of the script."""
    from truelobe.pages.navigation import show

    show()
