"""Train the slope network.

    python3 -m calibration.slopes.training.run --views DIR --minutes 8 --out slopes.onnx

Maps: ln(1 / cosine) of the skin to the line of sight, ln of its standard deviation over places the size of a small
blemish, and the normal's parts across and down (only to learn by).
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Sequence
from pathlib import Path

import torch
from calibration.outlines.training.export import write_onnx
from calibration.outlines.training.model import FruitNet, full_size
from calibration.outlines.training.trainer import Trainer
from calibration.slopes.training.views import VIEW_PX, Views, batch, plain_batch
from torch import Tensor, nn
from torch.nn.functional import avg_pool2d, smooth_l1_loss

MAPS = 4
LEAST_COSINE = 0.2
PLACE_PX = (7, 13, 25)
"""Sides of the places whose area is held against the truth: 5 to 17 mm of a pepper of 80 mm."""


def inverse(normal: Tensor) -> Tensor:
    """Return 1 / cosine (N, 1, h, w) of normals given by their two parts."""
    return 1 / torch.sqrt((1 - (normal**2).sum(1, keepdim=True)).clamp(min=LEAST_COSINE**2))


def placed(answer: Tensor, normal: Tensor, weight: Tensor, side: int) -> tuple[Tensor, Tensor, Tensor]:
    """Return ln of measured over true area of square places, ln of its deviation, and which places count."""
    true = inverse(normal)
    whole = avg_pool2d(weight, side, 1, side // 2) > 0.999
    steepest = nn.functional.max_pool2d(true * weight, side, 1, side // 2)
    measured = avg_pool2d(torch.exp(answer[:, :1].clamp(-0.2, 2.0)) * weight, side, 1, side // 2)
    off = torch.log(measured.clamp(min=1e-3) / avg_pool2d(true * weight, side, 1, side // 2).clamp(min=1e-3))
    spread = avg_pool2d(answer[:, 1:2], side, 1, side // 2)
    return off, spread, whole & (steepest < 3.4)


def losses(answer: Tensor, targets: tuple[Tensor, Tensor]) -> dict[str, Tensor]:
    """Return how far the answer is off, in parts; targets are the normal's parts and where they count."""
    normal, weight = targets
    true = torch.log(inverse(normal))
    here = weight * (true < math.log(3.5))
    slope = smooth_l1_loss(answer[:, :1], true, beta=0.05, reduction="none")
    direction = smooth_l1_loss(answer[:, 2:], normal, beta=0.05, reduction="none")
    parts = {
        "slope": (slope * here).sum() / here.sum(),
        "normal": 0.7 * (direction * weight).sum() / weight.sum(),
    }
    for side in PLACE_PX:
        off, spread, counts = placed(answer, normal, weight, side)
        spread = spread.clamp(-4.5, 1.0)
        likely = 0.5 * (off / torch.exp(spread)) ** 2 + spread
        parts[f"{side} px"] = 0.1 * likely[counts].mean() + 2.0 * (off[counts] ** 2).mean()
    return parts


@torch.no_grad()
def checked(net: FruitNet, views: Views, most: int = 512) -> str:
    """Return errors of places on views never trained on, skin within 60 degrees alone."""
    count = min(len(views.all["weight"]), most)
    words = []
    sums = {side: [[], []] for side in PLACE_PX}
    for start in range(0, count, 64):
        given, normal, weight = plain_batch(
            views, torch.arange(start, min(start + 64, count), device=views.device)
        )
        answer = full_size(net(given.contiguous(memory_format=torch.channels_last)))
        for side in PLACE_PX:
            off, spread, counts = placed(answer, normal, weight, side)
            counts &= nn.functional.max_pool2d(inverse(normal), side, 1, side // 2) < 2.0
            sums[side][0].append(off[counts][::29])
            sums[side][1].append(spread[counts][::29])
    for side, (offs, spreads) in sums.items():
        off, spread = torch.cat(offs), torch.cat(spreads)
        held = (off.abs() < 1.96 * torch.exp(spread)).float().mean()
        words.append(f"{side} px: mean {off.mean():+.3f} rms {off.square().mean().sqrt():.3f} in 95 % {held:.3f}")
    return f"{count} views; " + "; ".join(words)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=Path, required=True, help="folder of rendered views, may be growing")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=8)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--rate", type=float, default=2.5e-3)
    parser.add_argument("--first-views", type=int, default=300)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    options = parser.parse_args(arguments)
    torch.manual_seed(1)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = torch.device(options.device)
    shown, kept = Views(options.views, device, False), Views(options.views, device, True)
    while shown.refresh() < options.first_views or not kept.refresh():
        time.sleep(1.0)
    train(options, shown, kept, device)


def train(options: argparse.Namespace, shown: Views, kept: Views, device: torch.device) -> None:
    """Train for the time given, on what has been rendered so far, and write the running mean of the weights."""
    trainer = Trainer(FruitNet(4, MAPS), device, options.rate, options.minutes * 60, False, losses)

    def drawn() -> tuple[Tensor, tuple[Tensor, Tensor]]:
        with torch.no_grad():
            given, normal, weight = batch(shown, options.batch)
        return given, (normal, weight)

    def report() -> None:
        print(f"  {checked(trainer.mean, kept)}", flush=True)
        print(f"  {shown.refresh()} views to learn from, {kept.refresh()} kept apart", flush=True)

    trainer.train(drawn, math.inf, 40, report)
    print(checked(trainer.mean, kept), flush=True)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    trainer.keep(options.out.with_suffix(".pt"))
    write_onnx(trainer.mean, options.out, (1, 4, VIEW_PX, VIEW_PX))
    print(f"wrote {options.out}", flush=True)


if __name__ == "__main__":
    main()
