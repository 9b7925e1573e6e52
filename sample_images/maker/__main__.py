"""`python -m sample_images.maker JOB ...`: make scenes in many processes, with progress as they finish."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from .jobs import plate_one, run_all, train_one
from .plates import DIFFICULTIES, SETS, plate_seeds


def _size(text: str) -> tuple[int, int]:
    width, height = text.lower().split("x")
    return int(width), int(height)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m sample_images.maker", description=__doc__)
    jobs = parser.add_subparsers(dest="job", required=True)
    train = jobs.add_parser(
        "train", help="training scenes: scene_*.npz for the outline network, slopes_*.npz for the pepper network"
    )
    train.add_argument("--count", type=int, default=4)
    train.add_argument("--seed", type=int, default=0)
    train.add_argument("--textures", type=Path, help="folder of photographs that may serve as table tops")
    train.add_argument("--noisy", action="store_true", help="leave the tracing noise in")
    train.add_argument("--size", type=_size, default=(1280, 960))
    train.add_argument("--spp", type=int, default=8)
    train.add_argument("--near", type=float, default=0.0, help="share of scenes seen from near, 0 to 1")
    train.add_argument("--spread", type=float, default=0.0, help="share of scenes with many peppers side by side")
    train.add_argument("--forms", choices=("first", "any"), default="first", help="the first family, or many")
    plates = jobs.add_parser("plates", help="plates with a card: photo and truth of each")
    plates.add_argument("--set", choices=list(SETS), required=True)
    plates.add_argument("--count", type=int, default=60)
    plates.add_argument("--first", type=int, default=0, help="leave out so many at the start")
    plates.add_argument("--only", choices=DIFFICULTIES, nargs="+", default=DIFFICULTIES, help="these difficulties")
    plates.add_argument("--size", type=_size, default=(1600, 1200))
    plates.add_argument("--spp", type=int, default=384)
    plates.add_argument("--most", type=int, default=112_000, help="bytes a photo may have")
    plates.add_argument("--keep-radiance", action="store_true", help="keep the linear radiance too")
    plates.add_argument("--again", action="store_true", help="develop again, from kept radiance if any")
    plates.add_argument("--heic", action="store_true", help="write a HEIC beside each photo (needs pillow-heif)")
    for each in (train, plates):
        each.add_argument("--out", type=Path, required=True)
        each.add_argument("--workers", type=int, default=1)
        each.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb", "scalar_rgb"])
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    given = vars(_parser().parse_args(arguments))
    given["out"].mkdir(parents=True, exist_ok=True)
    if given["job"] == "train":
        seeds = [given["seed"] + k for k in range(given["count"])]
        return min(1, run_all(train_one, seeds, given, given["workers"]))
    items = [one for one in plate_seeds(given["set"], given["count"])[given["first"] :] if one[2] in given["only"]]
    return min(1, run_all(plate_one, items, given, given["workers"]))


if __name__ == "__main__":
    sys.exit(main())
