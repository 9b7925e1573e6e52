"""Plates made up from a pool: the wanted steps are met where the pool allows, and missing peppers are named."""

import random
from statistics import fmean

import pytest
from tests.judging.judging_plates import document, figure

from truelobe.judging.proposal import PoolPepper, pool_of, propose
from truelobe.messages import TruelobeError
from truelobe.store import NewInspection, open_store


def pool(values, own=0.5):
    return [
        PoolPepper(f"plate {n // 4}, number {n % 4 + 1}", {"diameter": figure(v, own)})
        for n, v in enumerate(values)
    ]


def test_a_wide_pool_gives_steps_in_the_wanted_proportion():
    chance = random.Random(2)
    many = pool([chance.uniform(60, 95) for _ in range(80)])
    found = propose(many, "diameter", ("hard", "easy", "middling"), 4)
    used = [p.name for plate in found.plates for p in plate]
    assert len(set(used)) == 16
    gaps = [a - b for a, b in zip(found.means, found.means[1:], strict=False)]
    whole = sum(gaps)
    # Eighty peppers lie 0.4 mm apart on average, so a mean of four can be steered to well within a millimetre.
    assert [g / whole for g in gaps] == pytest.approx([1 / 6, 3 / 6, 2 / 6], abs=0.04)
    assert found.real == (True, True, True)
    assert found.shopping == ()
    assert found.means == tuple(fmean(p.figures["diameter"].value for p in plate) for plate in found.plates)


def test_a_pool_of_two_sizes_says_what_to_bring():
    found = propose(pool([90.0] * 6 + [60.0] * 6), "diameter", ("hard", "hard", "hard"), 3)
    assert len(found.shopping) == 2
    assert "about 3-1/8 in across (80 mm)" in found.shopping[0]
    assert "(70 mm)" in found.shopping[1]


def test_a_pool_without_differences_is_not_called_real():
    found = propose(pool([80.0 + 0.01 * n for n in range(12)]), "diameter", ("hard", "hard", "hard"), 3)
    assert found.real == (False, False, False)
    assert found.shopping


def test_a_small_pool_is_told_how_many_are_missing():
    with pytest.raises(TruelobeError) as caught:
        propose(pool([80.0] * 10), "diameter", ("hard", "easy", "easy"), 3)
    assert "2 more" in caught.value.message.what_to_do


def test_the_pool_is_the_measured_peppers_of_kept_plates(tmp_path):
    store = open_store(tmp_path)
    measured = store.inspections.keep(NewInspection(title="Tuesday", document=document([80, 82, 84])))
    again = store.inspections.keep(NewInspection(title="Same photo", document=document([80, 82, 84])))
    bare = store.inspections.keep(NewInspection(title="Not measured"))
    found = pool_of(store, [measured.uid, again.uid, bare.uid])
    store.close()
    assert [round(p.figures["diameter"].value) for p in found] == [80, 82, 84]
    assert set(found[0].figures) == {"diameter", "length", "not fully colored"}
