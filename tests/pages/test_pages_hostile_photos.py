"""A seeded sample of hostile files; the whole thousand is run by the stress benchmark."""

from tests.benchmarks.stress_photos import MEMORY_BYTES, run


def test_sixty_hostile_files_each_end_in_a_valid_document():
    # Other tests run beside this one: the 10 s are held by the benchmark, which has the machine to itself.
    outcome = run(count=60, seed=20, slack_s=20.0)
    assert outcome.files == 60
    assert outcome.peak_bytes < MEMORY_BYTES
    assert sum(outcome.statuses.values()) == 60
    # Some of the files still show the card, so the measuring itself is reached.
    assert outcome.statuses["refused"] - outcome.codes["no-pepper-found"] < 60
