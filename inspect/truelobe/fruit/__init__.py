"""Peppers in the picture: find and outline them, then their axis and body."""

from truelobe.fruit.corrections import add_at, merge, split
from truelobe.fruit.finder import find_fruit, model_name, numbered
from truelobe.fruit.silhouette import Silhouette

__all__ = ["Silhouette", "add_at", "find_fruit", "merge", "model_name", "numbered", "split"]
