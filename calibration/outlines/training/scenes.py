"""Read rendered scenes from a folder that is still growing, and hold them in the accelerator's memory.

A shard is one ``.npz`` file, written under another name and renamed when whole, with

- ``radiance`` float16 (N, 480, 640, 3): linear sRGB radiance, any exposure, as traced and cleaned of noise;
- ``owner`` uint8 (N, 960, 1280): number of the pepper a pixel shows, from 1; 0 elsewhere. Twice the size: label
  pixel (2i, 2j) to (2i + 1, 2j + 1) lie on radiance pixel (i, j);
- ``part`` uint8 (N, 960, 1280): 0 no pepper, 1 body, 2 calyx, 3 stem.
"""

from __future__ import annotations

import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

HEIGHT, WIDTH = 480, 640
HOLD_OUT_EVERY = 16
"""One shard in so many is kept for checking and never trained on."""
PARTS = 4
"""A label is owner * PARTS + part."""


@dataclass
class SceneStore:
    """Scenes on one device, growing as shards arrive.

    Attributes
    ----------
    radiance : Tensor, float16 (N, 3, 480, 640), channels last
    labels : Tensor, uint8 (N, 960, 1280)
        Owner times 4 plus part; up to 63 peppers in a scene.
    """

    device: torch.device
    radiance: Tensor = field(init=False)
    labels: Tensor = field(init=False)
    count: int = 0

    def __post_init__(self) -> None:
        self.radiance = torch.empty((0, 3, HEIGHT, WIDTH), dtype=torch.float16, device=self.device)
        self.labels = torch.empty((0, 2 * HEIGHT, 2 * WIDTH), dtype=torch.uint8, device=self.device)

    def add(self, radiance: np.ndarray, owner: np.ndarray, part: np.ndarray) -> None:
        """Append scenes; room is doubled when it runs out, so that adding stays cheap."""
        number = len(radiance)
        if self.count + number > len(self.radiance):
            room = max(64, 2 * (self.count + number))
            self.radiance = self._roomier(self.radiance, room)
            self.labels = self._roomier(self.labels, room)
        clean = np.nan_to_num(radiance.astype(np.float32), nan=0.0, posinf=6e4, neginf=0.0).clip(0, 6e4)
        label = np.where((part > 0) & (owner > 0), owner.astype(np.uint16) * PARTS + part, 0).astype(np.uint8)
        place = slice(self.count, self.count + number)
        self.radiance[place] = torch.from_numpy(clean.astype(np.float16)).to(self.device).permute(0, 3, 1, 2)
        self.labels[place] = torch.from_numpy(label).to(self.device)
        self.count += number

    def _roomier(self, old: Tensor, room: int) -> Tensor:
        new = torch.empty((room, *old.shape[1:]), dtype=old.dtype, device=old.device)
        new[: self.count] = old[: self.count]
        return new


class ShardFolder:
    """The shards of a folder, each read once, spread over a training and a hold-out store."""

    def __init__(self, folder: Path, device: torch.device) -> None:
        self.folder = folder
        self.training = SceneStore(device)
        self.held_out = SceneStore(device)
        self._read: set[Path] = set()

    def refresh(self, most: int = 4) -> int:
        """Read up to `most` new shards; return how many came."""
        fresh = [path for path in sorted(self.folder.rglob("*.npz")) if path not in self._read][:most]
        for path in fresh:
            self._read.add(path)
            self._load(path)
        return len(fresh)

    def _load(self, path: Path) -> None:
        try:
            with np.load(path) as shard:
                arrays = tuple(shard[name] for name in ("radiance", "owner", "part"))
        except (OSError, ValueError, KeyError, zipfile.BadZipFile) as error:
            print(f"left out {path.name}: {error}", flush=True)
            return
        # By the order of arrival: the second shard checks, so a check exists from early on.
        store = self.held_out if len(self._read) % HOLD_OUT_EVERY == 2 else self.training
        store.add(*arrays)
