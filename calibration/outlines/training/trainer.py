"""The training loop: weights, their running mean, the schedule by time, and what is kept between runs."""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

import torch
from calibration.outlines.training.model import FruitNet, full_size
from torch import Tensor, nn

Target = TypeVar("Target")

_WARM_UP_SECONDS = 20.0
_MEAN_KEEPS = 0.998
_FLOOR = 0.01
"""The learning rate ends at this fraction of its height."""


class Trainer(Generic[Target]):
    """Trains one network for a given time.

    Parameters
    ----------
    net : FruitNet
        Starting weights.
    device : torch.device
    rate : float
        Highest learning rate.
    seconds : float
        Length of the whole schedule, over all runs together.
    compiled : bool
        Compile the network first.
    losses : callable
        Takes the maps at full size and the targets, returns the loss in parts by name.
    """

    def __init__(
        self,
        net: FruitNet,
        device: torch.device,
        rate: float,
        seconds: float,
        compiled: bool,
        losses: Callable[[Tensor, Target], dict[str, Tensor]],
    ) -> None:
        self.device, self.losses = device, losses
        self.net = net.to(device, memory_format=torch.channels_last)
        self.mean = copy.deepcopy(self.net).eval()
        self._run = torch.compile(self.net) if compiled else self.net
        vectors = [p for p in self.net.parameters() if p.ndim <= 1]
        kernels = [p for p in self.net.parameters() if p.ndim > 1]
        self.optimiser = torch.optim.AdamW(
            [{"params": kernels, "weight_decay": 0.02}, {"params": vectors, "weight_decay": 0.0}],
            lr=rate,
            fused=device.type == "cuda",
        )
        self.rate, self.seconds = rate, seconds
        self.spent, self.steps, self.crops = 0.0, 0, 0

    def train(
        self, batch: Callable[[], tuple[Tensor, Target]], until: float, every: float, report: Callable[[], None]
    ) -> None:
        """Train until the schedule is through or `until` (monotonic seconds); report every so many seconds."""
        self.net.train()
        last = reported = time.monotonic()
        sums: dict[str, Tensor] = {}
        since = 0
        while self.spent < self.seconds and time.monotonic() < until:
            parts = self._step(*batch())
            for name, value in parts.items():
                sums[name] = sums.get(name, torch.zeros((), device=self.device)) + value.detach()
            since += 1
            now = time.monotonic()
            self.spent += now - last
            last = now
            if now - reported > every:
                print(self._line({name: float(value) / since for name, value in sums.items()}), flush=True)
                report()
                self.net.train()
                sums, since = {}, 0
                last = reported = time.monotonic()

    def _step(self, picture: Tensor, targets: Target) -> dict[str, Tensor]:
        for group in self.optimiser.param_groups:
            group["lr"] = self._rate_now()
        with torch.autocast(self.device.type, dtype=torch.bfloat16, enabled=self.device.type == "cuda"):
            answer = self._run(picture.contiguous(memory_format=torch.channels_last))
        parts = self.losses(full_size(answer), targets)
        self.optimiser.zero_grad(set_to_none=True)
        torch.stack(list(parts.values())).sum().backward()
        norm = nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        if not torch.isfinite(norm):
            # One such step would leave no weight a number.
            print(f"step {self.steps} left out, its gradient is not finite: {parts}", flush=True)
            return {name: torch.zeros_like(value) for name, value in parts.items()}
        self.optimiser.step()
        self.steps += 1
        self.crops += len(picture)
        self._average()
        return parts

    def _rate_now(self) -> float:
        warm = min(1.0, 0.05 + self.spent / _WARM_UP_SECONDS)
        cosine = 0.5 * (1 + math.cos(math.pi * min(self.spent / self.seconds, 1.0)))
        return self.rate * warm * (_FLOOR + (1 - _FLOOR) * cosine)

    @torch.no_grad()
    def _average(self) -> None:
        """Running mean of weights and batch statistics."""
        keeps = min(_MEAN_KEEPS, (1 + self.steps) / (10 + self.steps))
        pairs = zip(self.mean.state_dict().values(), self.net.state_dict().values(), strict=True)
        floating = [(mean, now) for mean, now in pairs if mean.is_floating_point()]
        torch._foreach_lerp_([mean for mean, _ in floating], [now for _, now in floating], 1 - keeps)

    def _line(self, parts: dict[str, float]) -> str:
        shown = "  ".join(f"{name} {value:.4f}" for name, value in parts.items())
        return (
            f"{self.spent / 60:6.2f} min  step {self.steps}  crops {self.crops}"
            f" ({self.crops / max(self.spent, 1e-3):.0f}/s)  rate {self._rate_now():.1e}  {shown}"
        )

    def keep(self, path: Path) -> None:
        """Write everything needed to go on, and the mean weights alone, a quarter of that, to start anew from."""
        part = path.with_suffix(".part")
        torch.save(
            {
                "net": self.net.state_dict(),
                "mean": self.mean.state_dict(),
                "optimiser": self.optimiser.state_dict(),
                "progress": (self.spent, self.steps, self.crops),
            },
            part,
        )
        part.replace(path)
        torch.save({"mean": self.mean.state_dict()}, path.with_name(path.stem + "-mean.pt"))

    def resume(self, path: Path) -> None:
        """Go on where `keep` left off."""
        kept = torch.load(path, map_location=self.device, weights_only=True)
        self.net.load_state_dict(kept["net"])
        self.mean.load_state_dict(kept["mean"])
        self.optimiser.load_state_dict(kept["optimiser"])
        self.spent, self.steps, self.crops = kept["progress"]
