"""Write split.json: which real photographs may be trained on and which only check.

    python split.py FOLDER_WITH_peppers_AND_other_produce

Split by picture, before anything was trained. Running it again gives the same file.
"""

import json
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

SEED = 20251125
# Seen by eye, before any training: these pictures show (or may show) the same heap as a check picture.
# They neither train nor check. Per color: "split numbers; split numbers".
SAME_HEAP = {
    "Green": "test 001 008 015 018; train 003 005 006 010 017 024 025 026",
    "Orange": "test 002 003 015 022 026; train 003 007 011 012 015 016 021 025 026; val 002",
    "Red": "test 002 003 008 022; train 002 005 007 010 011 013 014 018 019 020 021 025 026 031 032 033",
    "Yellow": "test 002 005 007 008 010 014 016 019; train 002 005 006 010 011 014 025 026",
}
CHECK_PER_COLOUR = 7  # 4 colours: 28 pictures to outline by hand


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("*.jpg"))


def same_heap() -> set[str]:
    return {
        f"{words.split()[0]}_{colour}-Bell-Pepper_{number}.jpg"
        for colour, text in SAME_HEAP.items()
        for words in text.split(";")
        for number in words.split()[1:]
    }


def split(photos: Path) -> dict[str, object]:
    rng = np.random.default_rng(SEED)
    by_colour: dict[str, list[str]] = defaultdict(list)
    for name in names(photos / "peppers"):
        by_colour[name.split("_")[1].split("-")[0].lower()].append(name)
    check = sorted(
        name
        for colour in sorted(by_colour)
        for name in rng.choice(by_colour[colour], CHECK_PER_COLOUR, replace=False).tolist()
    )
    produce = names(photos / "other_produce")
    produce_check = sorted(rng.choice(produce, len(produce) // 2, replace=False).tolist())
    everything = {name for group in by_colour.values() for name in group}
    left_out = same_heap()
    if not left_out <= everything or left_out & set(check):
        raise ValueError("the same-heap list names a missing or a check picture")
    return {
        "seed": SEED,
        "how": "peppers sorted by name, per color (alphabetical) 7 drawn without replacement for check, "
        "the rest train, but for the heaps also seen in a check picture (left_out); "
        "then half of other_produce drawn for check, the rest train; numpy default_rng(seed)",
        "peppers": {
            "check": check,
            "train": sorted(everything - set(check) - left_out),
            "left_out": sorted(left_out),
        },
        "other_produce": {"check": produce_check, "train": sorted(set(produce) - set(produce_check))},
    }


if __name__ == "__main__":
    target = Path(__file__).with_name("split.json")
    target.write_text(json.dumps(split(Path(sys.argv[1])), indent=1) + "\n")
