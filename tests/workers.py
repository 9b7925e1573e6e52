"""How parallel workers (pytest-xdist) share the suite out."""

from xdist.scheduler import LoadScopeScheduling

# Tests that share one running app and one measured sample.
SHARED_APP = ("tests/browser/test_browser_measure.py", "tests/browser/test_browser_every_page.py")


class FileByFile(LoadScopeScheduling):
    """One worker runs a file, so that what its tests share is made once.

    A browser test with an app of its own shares nothing and goes to whoever is free.
    """

    def _split_scope(self, nodeid):
        file = nodeid.split("::", 1)[0]
        if file in SHARED_APP:
            return SHARED_APP[0]
        return nodeid if file.startswith("tests/browser/") else file


def longest_first(items):
    """Put the browser tests first: they are long, and what is short evens the workers out at the end."""
    items.sort(key=lambda item: not item.nodeid.startswith("tests/browser/"))
