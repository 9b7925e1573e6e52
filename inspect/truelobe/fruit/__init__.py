"""Peppers in the picture: find and outline them, then their axis and body."""

from truelobe.fruit.corrections import add_at, merge, split
from truelobe.fruit.finder import find_fruit, glance, model_name, numbered
from truelobe.fruit.network import FruitMaps
from truelobe.fruit.silhouette import Silhouette

__all__ = ["FruitMaps", "Silhouette", "add_at", "find_fruit", "glance", "merge", "model_name", "numbered", "split"]
