"""Every table of the store, gathered so that `Base.metadata` is complete. Add a topic's module here."""

from __future__ import annotations

from truelobe.store import models_gallery, models_judging, models_practice, models_setup
from truelobe.store.base import Base

__all__ = ["Base", "models_gallery", "models_judging", "models_practice", "models_setup"]
