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
CHECK_PER_COLOUR = 7  # 4 colours: 28 pictures to outline by hand


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("*.jpg"))


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
    return {
        "seed": SEED,
        "how": "peppers sorted by name, per color (alphabetical) 7 drawn without replacement for check, "
        "the rest train; then half of other_produce drawn for check, the rest train; numpy default_rng(seed)",
        "peppers": {
            "check": check,
            "train": sorted({n for group in by_colour.values() for n in group} - set(check)),
        },
        "other_produce": {"check": produce_check, "train": sorted(set(produce) - set(produce_check))},
    }


if __name__ == "__main__":
    target = Path(__file__).with_name("split.json")
    target.write_text(json.dumps(split(Path(sys.argv[1])), indent=1) + "\n")
