"""Train the pepper network.

    python3 -m calibration.slopes.training.run --views DIR --minutes 8 --out slopes.onnx

Maps: ln(1 / cosine) of the skin to the line of sight; ln of its standard deviation over places the size of a small
blemish; seven whose means over the pepper say where its stem end points, as a mixture of two von Mises-Fisher
distributions on the sphere (mean direction times concentration of each, 3 + 3; log odds of the first against the
second); four more whose means are ln of greatest diameter and length in view pixels, each followed by ln of its
standard deviation; and the normal's parts across and down, only to learn by.
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
from calibration.outlines.training.start import settled, taken_up
from calibration.outlines.training.trainer import Trainer
from calibration.slopes.training.views import VIEW_PX, Truth, Views, batch, plain_batch
from torch import Tensor, nn
from torch.nn.functional import avg_pool2d, logsigmoid, smooth_l1_loss

MAPS = 15
AXIS, SIZE, NORMAL = slice(2, 9), slice(9, 13), slice(13, 15)
USUAL_SIZE = 4.8
"""ln of 120: a pepper's longer side in the view, which the answers of size are counted from."""
LEAST_COSINE = 0.2
PLACE_PX = (7, 13, 25)
"""Sides of the places whose area is held against the truth: 5 to 17 mm of a pepper of 80 mm."""
MOST_CONCENTRATED = 150.0
"""About 5 degrees: an axis is not defined better than that."""


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


def over_pepper(answer: Tensor, mask: Tensor) -> Tensor:
    """Return the means of maps over the pepper (N, maps)."""
    return (answer * mask).sum((2, 3)) / mask.sum((2, 3)).clamp(min=1)


def sized(said: Tensor, size: Tensor) -> tuple[Tensor, Tensor]:
    """Return how far ln of the sizes (N, 2) is off, and ln of the deviation that was said of it."""
    return said[:, ::2] + USUAL_SIZE - size, said[:, 1::2].clamp(-4.5, 1.0)


def log_density(said: Tensor, axis: Tensor) -> Tensor:
    """Return the log density (N,) of directions (N, 3), as a density over the sphere (Mardia & Jupp 2000, 9.3)."""
    parts = []
    for vector in (said[:, :3], said[:, 3:6]):
        size = torch.linalg.vector_norm(vector, dim=1).clamp(min=1e-3)
        held = size.clamp(max=MOST_CONCENTRATED)
        along = (vector * axis).sum(1) * held / size
        parts.append(along - held + torch.log(held / (2 * math.pi * -torch.expm1(-2 * held))))
    odds = said[:, 6]
    return torch.logsumexp(torch.stack([parts[0] + logsigmoid(odds), parts[1] + logsigmoid(-odds)]), 0)


def losses(answer: Tensor, true: Truth) -> dict[str, Tensor]:
    """Return how far the answer is off, in parts."""
    upright = torch.log(inverse(true.normal))
    here = true.weight * (upright < math.log(3.5))
    slope = smooth_l1_loss(answer[:, :1], upright, beta=0.05, reduction="none")
    direction = smooth_l1_loss(answer[:, NORMAL], true.normal, beta=0.05, reduction="none")
    parts = {
        "slope": (slope * here).sum() / here.sum(),
        "normal": 0.7 * (direction * true.weight).sum() / true.weight.sum(),
        "axis": -0.08 * log_density(over_pepper(answer[:, AXIS], true.mask), true.axis).mean(),
    }
    off, spread = sized(over_pepper(answer[:, SIZE], true.mask), true.size)
    parts["size"] = 0.1 * (0.5 * (off / torch.exp(spread)) ** 2 + spread).mean() + 2.0 * (off**2).mean()
    for side in PLACE_PX:
        off, spread, counts = placed(answer, true.normal, true.weight, side)
        spread = spread.clamp(-4.5, 1.0)
        likely = 0.5 * (off / torch.exp(spread)) ** 2 + spread
        parts[f"{side} px"] = 0.1 * likely[counts].mean() + 2.0 * (off[counts] ** 2).mean()
    return parts


@torch.no_grad()
def checked(net: FruitNet, views: Views, most: int = 512) -> str:
    """Return errors of places on views never trained on, skin within 60 degrees alone."""
    count = min(len(views.all["weight"]), most)
    words, likely, first, sizes = [], [], [], []
    sums: dict[int, tuple[list[Tensor], list[Tensor]]] = {side: ([], []) for side in PLACE_PX}
    for start in range(0, count, 64):
        given, true = plain_batch(views, torch.arange(start, min(start + 64, count), device=views.device))
        answer = full_size(net(given.contiguous(memory_format=torch.channels_last)))
        said = over_pepper(answer[:, AXIS], true.mask)
        sizes.append(torch.stack(sized(over_pepper(answer[:, SIZE], true.mask), true.size)))
        likely.append(log_density(said, true.axis) + math.log(4 * math.pi))
        best = torch.where(said[:, 6:] > 0, said[:, :3], said[:, 3:6])
        first.append(nn.functional.cosine_similarity(best, true.axis) > math.cos(math.radians(20)))
        for side in PLACE_PX:
            off, spread, counts = placed(answer, true.normal, true.weight, side)
            counts &= nn.functional.max_pool2d(inverse(true.normal), side, 1, side // 2) < 2.0
            sums[side][0].append(off[counts][::29])
            sums[side][1].append(spread[counts][::29])
    for side, (offs, spreads) in sums.items():
        off, spread = torch.cat(offs), torch.cat(spreads)
        held = (off.abs() < 1.96 * torch.exp(spread)).float().mean()
        words.append(f"{side} px: mean {off.mean():+.3f} rms {off.square().mean().sqrt():.3f} in 95 % {held:.3f}")
    words.append(f"axis: {torch.cat(likely).mean():.2f} nats over knowing nothing, within 20 degrees")
    off, spread = torch.cat(sizes, 1)
    words[-1] += f" {torch.cat(first).float().mean():.3f}"
    for k, name in enumerate(("diameter", "length")):
        held = (off[:, k].abs() < 1.96 * torch.exp(spread[:, k])).float().mean()
        words.append(f"ln {name}: rms {off[:, k].square().mean().sqrt():.4f} in 95 % {held:.3f}")
    return f"{count} views; {'; '.join(words)}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=Path, required=True, help="folder of rendered views, may be growing")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--start", type=Path, help="weights to start from, ONNX or a checkpoint; the ends may differ"
    )
    parser.add_argument("--minutes", type=float, default=8)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--rate", type=float, default=2.5e-3)
    parser.add_argument("--every", type=float, default=40, help="seconds between looks at what is held out")
    parser.add_argument("--first-views", type=int, default=300)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    options = parser.parse_args(arguments)
    options.out.parent.mkdir(parents=True, exist_ok=True)
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

    def drawn() -> tuple[Tensor, Truth]:
        with torch.no_grad():
            return batch(shown, options.batch)

    net = FruitNet(4, MAPS)
    if options.start:
        net = settled(taken_up(net, options.start).to(device), [drawn()[0] for _ in range(8)])
    trainer = Trainer(net, device, options.rate, options.minutes * 60, False, losses)

    def report() -> None:
        trainer.keep(options.out.with_suffix(".pt"))
        print(f"  {checked(trainer.mean, kept)}", flush=True)
        print(f"  {shown.refresh()} views to learn from, {kept.refresh()} kept apart", flush=True)

    print(f"  at the start {checked(trainer.mean, kept)}", flush=True)
    trainer.train(drawn, math.inf, options.every, report)
    print(checked(trainer.mean, kept), flush=True)
    trainer.keep(options.out.with_suffix(".pt"))
    write_onnx(trainer.mean, options.out, (1, 4, VIEW_PX, VIEW_PX))
    print(f"wrote {options.out}", flush=True)


if __name__ == "__main__":
    main()
