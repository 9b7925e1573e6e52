"""Thirty people at once, on SQLite and on PostgreSQL: no lost update, and no error shown to anybody."""

import threading
from concurrent.futures import ThreadPoolExecutor

from tests.store import plates

from truelobe import gallery
from truelobe.messages import TruelobeError
from truelobe.store import NewInspection, prepare_photo

WRITERS, READERS, STEPS = 15, 15, 3


def test_thirty_writers_and_readers_at_once(store):
    photo = prepare_photo(plates.photo(1, (320, 240)))
    shared = store.inspections.keep(NewInspection((photo,), plates.any_document(1), notes="0")).uid
    start = threading.Barrier(WRITERS + READERS)

    def write(number):
        start.wait()
        for step in range(STEPS):
            own = NewInspection((photo,), plates.any_document(number), title=f"{number} {step}")
            store.inspections.keep(own)
            while True:  # as the page does: look again, then make the change again
                seen = store.inspections.get(shared)
                try:
                    store.inspections.edit(shared, seen.version, notes=str(int(seen.notes) + 1))
                    break
                except TruelobeError as error:
                    if error.message.code != "changed-meanwhile":
                        raise
            draft = store.drafts.start("inspection", {"n": 0})
            store.drafts.write(draft.uid, draft.version, {"n": 1})
            store.settings.put("last", number)

    def read(number):
        start.wait()
        seen = 0
        for _ in range(STEPS):
            page = gallery.find(store, gallery.Query(diameter_mm=(70, None)))
            seen = max(seen, len(page.cards))
            assert int(store.inspections.get(shared).notes) >= 0
            assert store.photos.intact(store.inspections.get(shared).photos[0].sha256)
        return seen

    with ThreadPoolExecutor(WRITERS + READERS) as people:
        done = [people.submit(write, n) for n in range(WRITERS)]
        done += [people.submit(read, n) for n in range(READERS)]
        for one in done:
            one.result()
    assert store.inspections.get(shared).notes == str(WRITERS * STEPS)
    assert gallery.count(store, gallery.Query(), at_most=1000) == WRITERS * STEPS + 1
    assert len(store.drafts.all()) == WRITERS * STEPS
    assert gallery.check(store).clean


def test_a_photo_is_not_lost_between_one_who_keeps_it_and_one_who_removes_it(store):
    photo = prepare_photo(plates.photo(1, (320, 240)))
    start = threading.Barrier(8)

    def keep(_):
        start.wait()
        return [store.inspections.keep(NewInspection((photo,))).uid for _ in range(4)]

    def remove(_):
        start.wait()
        for _ in range(4):
            for uid in gallery.uids(store, gallery.Query())[:2]:
                store.inspections.remove([uid])

    with ThreadPoolExecutor(8) as people:
        work = [people.submit(keep if n % 2 else remove, n) for n in range(8)]
        for one in work:
            one.result()
    assert gallery.check(store).clean
