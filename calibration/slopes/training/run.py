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
from calibration.slopes.training.views import VIEW_PX, Views, batch, plain_batch
from torch import Tensor, nn
from torch.nn.functional import avg_pool2d, smooth_l1_loss

MAPS = 4
LEAST_COSINE = 0.2
PLACE_PX = (7, 13, 25)
"""Sides of the places whose area is held against the truth: 5 to 17 mm of a pepper of 80 mm."""
_KEEPS = 0.998


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


def loss(answer: Tensor, normal: Tensor, weight: Tensor) -> Tensor:
    """Return how far the answer is off."""
    true = torch.log(inverse(normal))
    here = weight * (true < math.log(3.5))
    total = (smooth_l1_loss(answer[:, :1], true, beta=0.05, reduction="none") * here).sum() / here.sum()
    parts = smooth_l1_loss(answer[:, 2:], normal, beta=0.05, reduction="none")
    total = total + 0.7 * (parts * weight).sum() / weight.sum()
    for side in PLACE_PX:
        off, spread, counts = placed(answer, normal, weight, side)
        spread = spread.clamp(-4.5, 1.0)
        likely = 0.5 * (off / torch.exp(spread)) ** 2 + spread
        total = total + 0.1 * likely[counts].mean() + 2.0 * (off[counts] ** 2).mean()
    return total


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
    net = FruitNet(4, MAPS).to(device, memory_format=torch.channels_last)
    mean = FruitNet(4, MAPS).to(device, memory_format=torch.channels_last).eval()
    mean.load_state_dict(net.state_dict())
    optimiser = torch.optim.AdamW(net.parameters(), lr=options.rate, weight_decay=0.02)
    seconds, began, step, told = options.minutes * 60, time.monotonic(), 0, time.monotonic()
    while (spent := time.monotonic() - began) < seconds:
        warm = min(1.0, 0.05 + spent / 20)
        rate = options.rate * warm * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * spent / seconds)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            given, normal, weight = batch(shown, options.batch)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            raw = net(given.contiguous(memory_format=torch.channels_last))
        error = loss(full_size(raw), normal, weight)
        optimiser.zero_grad(set_to_none=True)
        error.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        step += 1
        pairs = zip(mean.state_dict().values(), net.state_dict().values(), strict=True)
        floating = [(old, new) for old, new in pairs if old.is_floating_point()]
        keeps = min(_KEEPS, (1 + step) / (10 + step))
        torch._foreach_lerp_([old for old, _ in floating], [new for _, new in floating], 1 - keeps)
        if time.monotonic() - told > 40:
            print(
                f"{spent / 60:.2f} min step {step} loss {float(error.detach()):.4f} {checked(mean, kept)}",
                flush=True,
            )
            print(f"  {shown.refresh()} views to learn from, {kept.refresh()} kept apart", flush=True)
            told = time.monotonic()
    print(checked(mean, kept), flush=True)
    options.out.parent.mkdir(parents=True, exist_ok=True)
    torch.save(mean.state_dict(), options.out.with_suffix(".pt"))
    write_onnx(mean, options.out, (1, 4, VIEW_PX, VIEW_PX))
    print(f"wrote {options.out}", flush=True)


if __name__ == "__main__":
    main()
