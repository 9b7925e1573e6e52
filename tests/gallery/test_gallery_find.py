"""Finding plates, on both databases; an independent filter in plain Python says what should be found."""

import random
from datetime import date, timedelta

import pytest
from tests.benchmarks.search import fill
from tests.store import plates

from truelobe.gallery import (
    SORTS,
    Query,
    choices,
    count,
    find,
    hang,
    make_wall,
    on_wall,
    save_search,
    saved_searches,
    search,
    uids,
)
from truelobe.messages import TruelobeError
from truelobe.store import Defect, Grade

FEW = 100


@pytest.fixture
def kept(store, keep):
    """A dozen plates of every kind."""
    chance = random.Random(3)
    documents = {}
    for n in range(12):
        document = plates.any_document(n)
        fields = {
            "title": f"{chance.choice(['Éarly', 'Late'])} plate {n}",
            "notes": chance.choice(["green at the shoulder", "even color all round"]),
            "who": chance.choice(["Fox", "Owl"]),
            "plate_date": date(2026, 3, 1) + timedelta(days=chance.randrange(9)),
            "tags": tuple(chance.sample(["drill", "contest", "small"], chance.randrange(3))),
            "defects": (Defect(chance.choice(["scar", "decay"]), 1),),
            "grade": Grade(chance.choice(["first", "second"]), "House 1"),
            "example": chance.random() < 0.3,
        }
        documents[keep(store, document, n, **fields).uid] = (document, fields)
    return documents


def all_pages(store, query, limit=5):
    after, seen = None, []
    while True:
        page = find(store, query, after=after, limit=limit)
        seen += page.cards
        after = page.after
        if after is None:
            return seen


def some_pepper(test):
    return lambda document, fields: any(test(pepper) for pepper in document["peppers"])


def outcome(pepper, rule, word):
    return any(one["rule"] == rule and one["outcome"] == word for one in pepper["decisions"])


CASES = [
    (Query(), lambda document, fields: True),
    (Query(words="early SHOULD"), lambda d, f: "Éarly" in f["title"] and "shoulder" in f["notes"]),
    (Query(words="plate 7"), lambda d, f: any(w.startswith("7") for w in f["title"].split())),
    (Query(words='"plate" OR * NEAR('), lambda d, f: False),
    (Query(colours=("red", "green")), some_pepper(lambda p: p["colour"] in ("red", "green"))),
    (Query(diameter_mm=(75, 80)), some_pepper(lambda p: 75 <= p["diameter_mm"]["value"] <= 80)),
    (Query(length_mm=(None, 70)), some_pepper(lambda p: p["length_mm"]["value"] <= 70)),
    (Query(not_fully_coloured=(0.1, 0.2)), some_pepper(lambda p: 0.1 <= p["not_fully_coloured"]["value"] <= 0.2)),
    (
        Query(diameter_mm=(75, None), not_fully_coloured=(None, 0.1)),
        some_pepper(lambda p: p["diameter_mm"]["value"] >= 75 and p["not_fully_coloured"]["value"] <= 0.1),
    ),
    (
        Query(outcomes=("missed",), rule="House rule", diameter_mm=(80, None)),
        some_pepper(lambda p: outcome(p, "House rule", "missed") and p["diameter_mm"]["value"] >= 80),
    ),
    (Query(outcomes=("too close",)), some_pepper(lambda p: outcome(p, "U.S. standard", "too close"))),
    (Query(grade="second"), lambda d, f: f["grade"].plate == "second"),
    (Query(defect="decay"), lambda d, f: f["defects"][0].name == "decay"),
    (Query(tag="drill", who="Fox"), lambda d, f: "drill" in f["tags"] and f["who"] == "Fox"),
    (
        Query(first_day=date(2026, 3, 5), last_day=date(2026, 3, 9)),
        lambda d, f: date(2026, 3, 5) <= f["plate_date"] <= date(2026, 3, 9),
    ),
    (Query(examples=True), lambda d, f: f["example"]),
    (Query(measured=False), lambda d, f: False),
]


def test_every_search_finds_what_it_should_in_every_order(store, kept):
    for query, fits in CASES:
        expected = {uid for uid, (document, fields) in kept.items() if fits(document, fields)}
        for sort in SORTS:
            asked = Query(**{**query.__dict__, "sort": sort})
            cards = all_pages(store, asked)
            assert {card.uid for card in cards} == expected, query
            assert len(cards) == len(expected)
            assert uids(store, asked) == [card.uid for card in cards]
        assert count(store, query) == len(expected)


def test_orders_are_what_they_say(store, kept):
    def spans(sort, name):
        return [getattr(card, name) for card in all_pages(store, Query(sort=sort))]

    largest = [span[1] for span in spans("largest first", "diameter_mm")]
    assert largest == sorted(largest, reverse=True)
    green = [span[1] for span in spans("least colored first", "not_fully_coloured")]
    assert green == sorted(green, reverse=True)
    days = spans("plate date, oldest first", "plate_date")
    assert days == sorted(days)
    titles = [card.title for card in all_pages(store, Query(sort="title"))]
    assert titles[0].startswith("Éarly")
    assert titles[-1].startswith("Late")


def test_a_common_condition_finds_the_same_as_a_rare_one(store, monkeypatch):
    """The two ways of looking (rare plates first, or along the order) agree, where both ways are taken."""
    monkeypatch.setattr(search, "FEW", FEW)
    fill(store, 3 * FEW)
    common, rare = Query(not_fully_coloured=(0.02, None)), Query(not_fully_coloured=(0.02, 0.03))
    for sort in SORTS:
        walked = all_pages(store, Query(**{**common.__dict__, "sort": sort}), 100)
        assert len(walked) == len({card.uid for card in walked}) > FEW
        looked_up = [card.uid for card in all_pages(store, Query(**{**rare.__dict__, "sort": sort}), 100)]
        of_walked = [card.uid for card in walked if card.uid in set(looked_up)]
        assert looked_up == of_walked


def test_a_plate_kept_between_two_pages_moves_nobody(store, keep, kept):
    first = find(store, Query(), limit=5)
    keep(store, plates.any_document(99), 99, title="New")
    rest = find(store, Query(), after=first.after, limit=100)
    assert len({card.uid for card in (*first.cards, *rest.cards)}) == 12


def test_the_bin_is_looked_into_only_when_asked(store, kept):
    uid = next(iter(kept))
    store.inspections.bin(uid, 1)
    assert count(store, Query()) == 11
    assert uids(store, Query(binned=True)) == [uid]
    store.inspections.put_back(uid, 2)
    assert count(store, Query(binned=True)) == 0


def test_a_page_key_of_nonsense_is_said_plainly(store, kept):
    with pytest.raises(TruelobeError) as said:
        find(store, Query(), after="nonsense")
    assert said.value.message.code == "page-unknown"


def test_searches_are_saved_by_name(store):
    asked = Query(
        words="shoulder", diameter_mm=(70, None), first_day=date(2026, 3, 1), sort="title", colours=("red",)
    )
    save_search(store, "Shoulders", asked)
    assert saved_searches(store) == {"Shoulders": asked}


def test_the_filters_offer_what_is_there(store, kept):
    offered = choices(store)
    assert offered.who == ("Fox", "Owl")
    assert offered.tags == ("contest", "drill", "small")
    assert offered.rules == ("House rule", "U.S. standard")


def test_a_wall_keeps_the_coachs_order_and_narrows_a_search(store, kept):
    chosen = list(kept)[:3]
    wall = make_wall(store, "Shoulders")
    version = hang(store, wall.uid, wall.version, [chosen[2], chosen[0], chosen[1]])
    assert [card.uid for card in on_wall(store, wall.uid)] == [chosen[2], chosen[0], chosen[1]]
    assert set(uids(store, Query(wall=wall.uid))) == set(chosen)
    hang(store, wall.uid, version, chosen)
    with pytest.raises(TruelobeError) as said:
        hang(store, wall.uid, version, [])
    assert said.value.message.code == "changed-meanwhile"
    assert [card.uid for card in on_wall(store, wall.uid)] == chosen
