"""The words on the students' slips: short, plain, easy to type on a phone; a word and two digits.

Some 210 words and 90 numbers make about 19,000 slips. That is little against a machine that may try without end,
so wrong tries are counted and slowed (see `roster`).
"""

from __future__ import annotations

import secrets

_LIST = """
acorn amber anchor apple arrow aspen autumn badge bamboo barn basil basket beach bean berry birch bloom boat
bottle branch brass breeze brick bridge brook brush bucket button cabin cactus candle canoe canvas carrot
castle cedar chalk cherry clay cliff cloud clover cocoa copper coral corn cotton crane creek crow daisy dawn
deer desert dolphin dome dove drum dune eagle ember fable falcon feather fern fiddle field finch flame flint
forest fossil fox frost garden garlic ginger glacier globe goose grain granite grape gravel grove gull hail
hammer harbor hazel heron hill honey hood horn ice iris island ivory ivy jasper jelly jungle kettle kite
ladder lagoon lake lantern larch lark lemon lily linen lion lotus lunar maple marble marsh meadow melon mint
mirror moon moose moss mountain mustard nectar nest nutmeg oak oasis ocean olive onion orchid otter owl paddle
palm panda paper parrot pearl pebble pepper piano pilot pine planet plum pond poppy prairie quartz quill
rabbit radish rain raven reed ribbon ridge river robin rocket rose saddle sage sail salmon sand seal shell
silver sky slate snow sparrow spice spruce star stone storm straw sugar summer sun swan thistle thunder tiger
timber toast topaz tulip tundra turtle valley velvet violet walnut water whale wheat willow wind winter wolf
wood yarrow zebra
"""
WORDS: tuple[str, ...] = tuple(_LIST.split())


def new_word() -> str:
    """Return a fresh word for a slip, such as ``maple 47``."""
    return f"{secrets.choice(WORDS)} {10 + secrets.randbelow(90)}"


def plain_word(typed: str) -> str:
    """Return a typed word without blanks and capitals, as a phone's keyboard adds them.

    >>> plain_word(" Maple 47")
    'maple47'
    """
    return "".join(typed.split()).casefold()[:64]
