"""`python -m sample_images.maker JOB ...`: make scenes in many processes, with progress as they finish."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from .jobs import run_all, train_one


def _size(text: str) -> tuple[int, int]:
    width, height = text.lower().split("x")
    return int(width), int(height)


def main(arguments: list[str] | None = None) -> int:
    """Entry point."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.maker", description=__doc__)
    jobs = parser.add_subparsers(dest="job", required=True)
    train = jobs.add_parser("train", help="training scenes for the outline finder")
    train.add_argument("--count", type=int, default=4)
    train.add_argument("--seed", type=int, default=0)
    train.add_argument("--textures", type=Path, help="folder of photographs that may serve as table tops")
    train.add_argument("--noisy", action="store_true", help="leave the tracing noise in")
    train.add_argument("--size", type=_size, default=(640, 480))
    train.add_argument("--spp", type=int, default=16)
    for each in (train,):
        each.add_argument("--out", type=Path, required=True)
        each.add_argument("--workers", type=int, default=1)
        each.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb", "scalar_rgb"])
    given = vars(parser.parse_args(arguments))
    given["out"].mkdir(parents=True, exist_ok=True)
    if given["job"] == "train":
        seeds = [given["seed"] + k for k in range(given["count"])]
        return min(1, run_all(train_one, seeds, given, given["workers"]))
    return 2


if __name__ == "__main__":
    sys.exit(main())
