"""Page "Set a class": four plates, a scenario, official placing and cuts, and what speaks for each pair."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import combinations
from typing import Any

import streamlit as st

from truelobe import gallery
from truelobe.grading.vocabulary import FACTS
from truelobe.judging.classes import ClassDraft, Classes, JudgingClass, shuffled
from truelobe.judging.facts import PairFact, Plate, cannot_be_told, leans_against, pair_facts
from truelobe.judging.scoring import (
    HINT_SOURCE,
    Cuts,
    Placing,
    chance_mean,
    check_cuts,
    cuts_of_officials,
    hint,
    read_placing,
)
from truelobe.messages import TruelobeError
from truelobe.pages import style
from truelobe.pages.gallery_store import opened_store
from truelobe.pages.make_up import make_up
from truelobe.pages.work import Limits, WorkerPool
from truelobe.store import NewInspection, Store, prepare_photo

_MOST_PLATES = 200
_CUTS_BY = {"team": "Our own class: checked", "officials": "A contest's officials: as given"}
_INVALID = {"zero": "scores 0", "left out": "is left out"}
_SHOWN = {"pictures": "Photos on a screen", "table": "Real plates on the table"}


@st.cache_resource(show_spinner=False)
def _pool() -> WorkerPool:
    return WorkerPool(workers=1, limits=Limits(seconds=60))


def show() -> None:
    """Draw the page."""
    try:
        store = opened_store()
        uid = st.query_params.get("class")
        if uid:
            _one(store, Classes(store).get(uid))
        else:
            _list(store)
    except TruelobeError as error:
        style.say(error.message)
        if st.query_params.get("class") and st.button("All classes", key="back-after-error"):
            del st.query_params["class"]
            st.rerun()
    style.foot("Practice aid, not an inspection. A contest's own officials' placing and cuts prevail.")


def _list(store: Store) -> None:
    st.title("Set a class")
    classes = Classes(store)
    style.lead(
        "Four plates, your placing, three cuts. Photos are not needed: cards from real plates can be scored too."
    )
    with st.form("new-class", border=False):
        title = st.text_input("Name of the class", placeholder="Red bells, class 2", max_chars=200)
        if st.form_submit_button("Start this class", type="primary"):
            st.query_params["class"] = classes.keep(ClassDraft(title)).uid
            st.rerun()
    for one in classes.all():
        state = "ready" if one.key else "no official placing yet"
        if st.button(f"{one.title} ({state})", key=f"class-{one.uid}", width="stretch"):
            st.query_params["class"] = one.uid
            st.rerun()
    make_up(store)
    binned = classes.all(binned=True)
    if binned:
        with st.expander(f"In the bin: {len(binned)}"):
            for one in binned:
                if st.button(f"Put back {one.title}", key=f"put-back-{one.uid}"):
                    classes.bin(one.uid, binned=False)
                    st.rerun()


def _one(store: Store, one: JudgingClass) -> None:
    st.title(one.title)
    if st.button("All classes", key="all-classes"):
        del st.query_params["class"]
        st.rerun()
    _plates(store, one)
    _key(store, one)
    _facts(store, one)
    _more(store, one)


def _keep(store: Store, one: JudgingClass, **changes: Any) -> None:
    Classes(store).edit(one.uid, one.version, replace(one, **changes))
    st.rerun()


def _plates(store: Store, one: JudgingClass) -> None:
    st.subheader("The four plates")
    cards = gallery.find(store, limit=_MOST_PLATES).cards
    names = {card.uid: f"{card.title or 'Plate'}, {card.plate_date:%b %d}" for card in cards}
    columns = st.columns(4)
    chosen: list[str | None] = []
    for number, (column, uid) in enumerate(zip(columns, one.plates, strict=True), start=1):
        with column:
            if uid:
                kept = store.inspections.get(uid)
                names.setdefault(uid, kept.title or "Plate")
                if kept.photos:
                    st.image(store.photos.thumbnail(kept.photos[0]), width="stretch", alt=f"Plate {number}")
            picked = st.selectbox(
                f"Plate {number}",
                list(names),
                index=list(names).index(uid) if uid else None,
                format_func=lambda one_uid: names[one_uid],
                placeholder="Only a number",
                key=f"plate-{one.uid}-{one.version}-{number}",
            )
            chosen.append(picked)
    if tuple(chosen) != one.plates:
        _keep(store, one, plates=tuple(chosen))
    with st.expander("Add new photos, measured later or never"):
        files = st.file_uploader(
            "One photo for each plate that has none yet, in order",
            accept_multiple_files=True,
            type=["jpg", "jpeg", "png", "heic", "webp"],
            key=f"photos-{one.uid}-{one.version}",
        )
        if files and st.button("Put them on the free numbers", key=f"take-{one.uid}"):
            _keep(store, one, plates=_photos_in(store, one, [(f.name, f.getvalue()) for f in files]))
    if any(one.plates) and st.button("Shuffle the numbers", key=f"shuffle-{one.uid}"):
        _keep(store, one, **{k: getattr(shuffled(one, random.SystemRandom()), k) for k in ("plates", "official")})


def _photos_in(store: Store, one: JudgingClass, files: list[tuple[str, bytes]]) -> tuple[str | None, ...]:
    free = [n for n, uid in enumerate(one.plates) if uid is None]
    if len(files) > len(free):
        raise TruelobeError(
            "too-many-photos",
            f"{len(files)} photos for {len(free)} free numbers.",
            "Choose fewer, or free a number.",
        )
    plates = list(one.plates)
    for n, (name, data) in zip(free, files, strict=False):
        prepared = _pool().submit(prepare_photo, data, None).result()
        title = f"{one.title}, plate {n + 1}"
        plates[n] = store.inspections.keep(NewInspection(photos=(replace(prepared, name=name),), title=title)).uid
    return tuple(plates)


def _key(store: Store, one: JudgingClass) -> None:
    st.subheader("Official placing and cuts")
    st.caption("The placing is yours, or your officials'. The tool never proposes one.")
    cuts = one.cuts
    with st.form(f"key-{one.uid}"):
        official = st.text_input(
            "Official placing, best plate first",
            "".join(map(str, one.official or ())),
            placeholder="2413",
            max_chars=7,
        )
        columns = st.columns(3)
        labels = ("Top pair", "Middle pair", "Bottom pair")
        before = (cuts.top, cuts.middle, cuts.bottom) if cuts else (None, None, None)
        typed = [
            column.number_input(f"Cut, {label.lower()}", 0, 50, value, 1)
            for column, label, value in zip(columns, labels, before, strict=True)
        ]
        by = st.radio(
            "Whose cuts", list(_CUTS_BY), list(_CUTS_BY).index(one.cuts_by), format_func=_CUTS_BY.__getitem__
        )
        st.caption(f"Hard pairs get 1 to 3, middling 4 to 5, easy 6 to 8. {HINT_SOURCE}")
        if st.form_submit_button("Keep placing and cuts", type="primary"):
            _keep(store, one, official=_official(official), cuts=_cuts(typed, by), cuts_by=by)
    if one.key is not None:
        _say_key(*one.key, one.cuts_by)


def _official(typed: str) -> Placing | None:
    return read_placing(typed) if typed.strip() else None


def _cuts(typed: list[Any], by: str) -> Cuts | None:
    if None in typed:
        return None
    top, middle, bottom = (int(cut) for cut in typed)
    return cuts_of_officials(top, middle, bottom)[0] if by == "officials" else check_cuts(top, middle, bottom)


def _say_key(official: Placing, cuts: Cuts, by: str) -> None:
    pairs = zip(official, official[1:], (cuts.top, cuts.middle, cuts.bottom), strict=False)
    words = "; ".join(f"{a} over {b}: {cut}, {hint(cut)}" for a, b, cut in pairs)
    style.lead(
        f"{words}. A reversed placing scores {50 - cuts.worst_loss}, a guess averages {chance_mean(cuts):g}."
    )
    if by == "officials":
        for note in cuts_of_officials(cuts.top, cuts.middle, cuts.bottom)[1]:
            style.say(note)


def _facts(store: Store, one: JudgingClass) -> None:
    plates = Classes(store).plates(one)
    order = one.official or (1, 2, 3, 4)
    told = list(one.told)
    recorded = [n for n in FACTS if any(p.hand.latest(k, n) for p in plates for k in p.peppers)]
    if recorded:
        chosen = st.multiselect(
            "Told to the students before they place",
            recorded,
            [n for n in told if n in recorded],
            format_func=lambda n: FACTS[n].label,
            key=f"told-{one.uid}-{one.version}",
        )
        if sorted(chosen) != sorted(n for n in told if n in recorded):
            _keep(store, one, told=tuple(chosen))
    facts = {(a, b): pair_facts(plates[a - 1], plates[b - 1]) for a, b in combinations(order, 2)}
    if not any(facts.values()):
        return
    st.subheader("What speaks for either plate")
    for (a, b), those in facts.items():
        _pair(one, plates, a, b, those)


def _pair(one: JudgingClass, plates: tuple[Plate, ...], a: int, b: int, facts: tuple[PairFact, ...]) -> None:
    question = one.official is not None and leans_against(facts, a)
    real = [f for f in facts if f.real]
    with st.expander(
        f"{'? ' if question else ''}{a} and {b}: {len(real)} real difference{'s' * (len(real) != 1)}"
    ):
        if question:
            style.show_html(
                style.message_html(
                    "look-again",
                    f"Everything on record speaks for {b}, and you placed {a} higher.",
                    "Look at the pair again. You may have seen what nobody recorded.",
                )
            )
        unseen = cannot_be_told(facts, one.told) if one.shown == "pictures" else ()
        if unseen:
            names = ", ".join(sorted({f.name.replace("_", " ") for f in unseen}))
            style.show_html(
                style.message_html(
                    "cannot-be-seen",
                    f"The only real difference is one that students can't see or are not told: {names}.",
                    "Tell it before placing, or put real plates on the table.",
                )
            )
        for fact in facts:
            sign = "**real**" if fact.real else "too close" if fact.real is False else "not checked"
            st.markdown(f"- {fact.says} ({sign})")


def _more(store: Store, one: JudgingClass) -> None:
    with st.expander("Name, scenario, time and rules"), st.form(f"more-{one.uid}", border=False):
        title = st.text_input("Name of the class", one.title, max_chars=200)
        produce = st.text_input("Produce", one.produce, max_chars=200)
        scenario = st.text_area("Scenario, in your own words", one.scenario, max_chars=4000)
        seconds = st.number_input("Seconds to place", 5, 3600, one.seconds, 5)
        st.caption("Two minutes is common practice; no published source for produce classes.")
        shown = st.radio(
            "Students look at", list(_SHOWN), list(_SHOWN).index(one.shown), format_func=_SHOWN.__getitem__
        )
        invalid = st.radio(
            "A blank or impossible card",
            list(_INVALID),
            list(_INVALID).index(one.invalid_rule),
            format_func=_INVALID.__getitem__,
        )
        offered = st.checkbox(
            "Students may place it alone on their phones; the key opens when they hand in", one.offered
        )
        if st.form_submit_button("Keep"):
            _keep(
                store,
                one,
                title=title,
                produce=produce,
                scenario=scenario,
                seconds=int(seconds),
                shown=shown,
                invalid_rule=invalid,
                offered=offered,
            )
    if st.button("Put this class into the bin", key=f"bin-{one.uid}"):
        Classes(store).bin(one.uid)
        del st.query_params["class"]
        st.rerun()
