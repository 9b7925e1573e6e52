"""Train the outline network.

    python3 -m calibration.outlines.training.run --scenes DIR --minutes 15 --out net.onnx

Stage one learns from rendered scenes alone, while they are still being rendered. Stage two (``--second-minutes``)
shows it real peppers and real other produce together, in like numbers, never one without the other: given only
as "nothing here", real pictures teach a network that whatever looks real is no pepper. The peppers' targets are
the first stage's own sure pixels; rendered crops stay half of each batch. Both networks are written.

A run can be cut short by ``--stop-after`` seconds and gone on with by ``--resume``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import torch
from calibration.outlines.training.crops import (
    CROP,
    Targets,
    picture_crops,
    random_placements,
    scene_crops,
    whole_frame,
)
from calibration.outlines.training.develop import developed, plain
from calibration.outlines.training.export import write_onnx
from calibration.outlines.training.loss import losses
from calibration.outlines.training.model import MAPS, FruitNet, full_size
from calibration.outlines.training.pictures import PictureStore, listed
from calibration.outlines.training.scenes import HEIGHT, WIDTH, SceneFolder, SceneStore
from calibration.outlines.training.start import settled, taken_up
from calibration.outlines.training.trainer import Trainer
from torch import Tensor

_CHECKED_SCENES = 96


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for."""
    options = _parser().parse_args(arguments)
    torch.manual_seed(options.seed)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = torch.device(options.device)
    until = time.monotonic() + options.stop_after
    scenes = SceneFolder(options.scenes, device)
    _wait(scenes, options.first_scenes)
    peppers, other = _pictures(options, device)
    checkpoint = options.out.with_suffix(".pt")

    net = FruitNet()
    if options.start:
        some = [_rendered(scenes, options.batch)[0] for _ in range(8)]
        net = settled(taken_up(net, options.start).to(device), some)
    first = Trainer(net, device, options.rate, options.minutes * 60, options.compile, losses)
    if options.resume and checkpoint.exists():
        first.resume(checkpoint)
    _train(first, lambda: _rendered(scenes, options.batch), options, until, options.out, scenes, peppers, other)

    if options.second_minutes > 0 and first.spent >= first.seconds:
        if peppers is None or other is None:
            raise SystemExit("stage two needs real peppers and real other produce, both")
        peppers.take(first.mean)
        second = Trainer(
            first.mean, device, options.second_rate, options.second_minutes * 60, options.compile, losses
        )
        out = options.out.with_name(options.out.stem + "-real.onnx")
        second_checkpoint = out.with_suffix(".pt")
        if options.resume and second_checkpoint.exists():
            second.resume(second_checkpoint)

        def batch() -> tuple[Tensor, Targets]:
            return _mixed(scenes, peppers, other, options.batch)

        _train(second, batch, options, until, out, scenes, peppers, other)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=Path, required=True, help="folder of rendered scenes, may be growing")
    parser.add_argument("--out", type=Path, required=True, help="network to write; a checkpoint lies beside it")
    parser.add_argument("--minutes", type=float, default=15, help="length of stage one; 0 with --start skips it")
    parser.add_argument("--stop-after", type=float, default=float("inf"), help="seconds until this run must end")
    parser.add_argument("--resume", action="store_true", help="go on from the checkpoints beside --out")
    parser.add_argument("--start", type=Path, help="weights to start from, ONNX or a checkpoint")
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2.5e-3)
    parser.add_argument("--first-scenes", type=int, default=24, help="wait for so many scenes")
    parser.add_argument("--check-every", type=float, default=60, help="seconds between checks and saves")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--compile", action="store_true", help="compile the network first (about a minute)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--second-minutes", type=float, default=0, help="length of stage two")
    parser.add_argument("--second-rate", type=float, default=6e-4)
    parser.add_argument("--real-peppers", type=Path, help="folder of real pepper pictures")
    parser.add_argument("--real-other", type=Path, help="folder of real pictures of other produce")
    parser.add_argument("--split", type=Path, default=Path("calibration/outlines/real/split.json"))
    return parser


def _wait(scenes: SceneFolder, number: int) -> None:
    while scenes.training.count < number:
        scenes.refresh()
        time.sleep(0.5)


def _pictures(
    options: argparse.Namespace, device: torch.device
) -> tuple[PictureStore | None, PictureStore | None]:
    """Training pictures only; the check pictures are never opened here."""
    if options.real_peppers is None or options.real_other is None:
        return None, None
    return (
        PictureStore(listed(options.real_peppers, options.split, "peppers"), device, empty=False),
        PictureStore(listed(options.real_other, options.split, "other_produce"), device, empty=True),
    )


@torch.no_grad()
def _rendered(scenes: SceneFolder, number: int, size: tuple[int, int] = CROP) -> tuple[Tensor, Targets]:
    scenes.refresh()
    store = scenes.training
    chosen = torch.randint(store.count, (number,), device=store.device)
    light, targets = scene_crops(store, chosen, random_placements(number, store.device), size)
    return developed(light), targets


@torch.no_grad()
def _photographed(store: PictureStore, number: int) -> tuple[Tensor, Targets]:
    chosen = torch.randint(store.count, (number,), device=store.linear.device)
    placed = random_placements(number, store.linear.device, scale=(0.75, 1.7))
    light, targets = picture_crops(store, chosen, placed)
    return developed(light, real=True), targets


def _mixed(scenes: SceneFolder, peppers: PictureStore, other: PictureStore, number: int) -> tuple[Tensor, Targets]:
    several = [
        _rendered(scenes, number - 2 * (number // 4)),
        _photographed(peppers, number // 4),
        _photographed(other, number // 4),
    ]
    return torch.cat([picture for picture, _ in several]), Targets.joined([targets for _, targets in several])


def _train(
    trainer: Trainer,
    batch: Callable[[], tuple[Tensor, Targets]],
    options: argparse.Namespace,
    until: float,
    out: Path,
    scenes: SceneFolder,
    peppers: PictureStore | None,
    other: PictureStore | None,
) -> None:
    """Train, checking and saving at intervals and at the end."""

    def report() -> None:
        line = f"  {scenes.training.count} scenes; hold-out {_checked(trainer.mean, scenes.held_out)}"
        for name, store in (("peppers", peppers), ("other produce", other)):
            if store is not None:
                line += f"; share of fruit on {name} {store.share(trainer.mean):.3f}"
        print(line, flush=True)
        trainer.keep(out.with_suffix(".pt"))
        write_onnx(trainer.mean, out)

    out.parent.mkdir(parents=True, exist_ok=True)
    print(f"  at the start {_checked(trainer.mean, scenes.held_out)}", flush=True)
    if trainer.spent < trainer.seconds:
        trainer.train(batch, until, options.check_every, report)
    report()
    print(f"wrote {out}", flush=True)


@torch.no_grad()
def _checked(net: FruitNet, store: SceneStore) -> str:
    """Pixel IoU of the parts over whole hold-out scenes, and the centre vectors' mean error."""
    both, either = torch.zeros(3), torch.zeros(3)
    wrong = asked = 0.0
    number = min(store.count, _CHECKED_SCENES)
    for index in range(number):
        chosen = torch.tensor([index], device=store.device)
        light, targets = scene_crops(store, chosen, whole_frame(1, store.device), (HEIGHT, WIDTH))
        answer = full_size(net(plain(light).contiguous(memory_format=torch.channels_last)))
        said, true = answer[:, :3] > 0, targets.parts > 0.5
        both += (said & true).sum((0, 2, 3)).cpu()
        either += (said | true).sum((0, 2, 3)).cpu()
        off = 32 * torch.linalg.vector_norm(answer[:, 3:5] - targets.vector, dim=1, keepdim=True)
        wrong += float((off * targets.vector_asked).sum())
        asked += float(targets.vector_asked.sum())
    figures = "  ".join(f"{name} {value:.3f}" for name, value in zip(MAPS, (both / either).tolist(), strict=False))
    return f"({number} scenes) IoU {figures}  vector off {wrong / max(asked, 1):.1f} px"


if __name__ == "__main__":
    main()
