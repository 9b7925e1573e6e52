"""Read rendered scenes from a folder that is still growing, and hold them in the accelerator's memory.

The scenes are those of ``python3 -m sample_images.maker train``, one ``.npz`` file each, with

- ``radiance`` float16 (1, 480, 640, 3): linear sRGB radiance, any exposure, as traced and cleaned of noise;
- ``owner`` uint8 (1, 960, 1280): number of the pepper a pixel shows, from 1 to 62; 0 elsewhere. Twice the size:
  label pixels (2i, 2j) to (2i + 1, 2j + 1) lie on radiance pixel (i, j);
- ``part`` uint8 (1, 960, 1280): 0 no pepper, 1 body, 2 calyx, 3 stem.
"""

from __future__ import annotations

import queue
import threading
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

HEIGHT, WIDTH = 480, 640
HOLD_OUT_EVERY = 16
"""One scene in so many is kept for checking and never trained on."""
PARTS = 4
"""A label is owner * PARTS + part."""
_MOST_OWNERS = 62
_POLL_SECONDS = 2.0
_MOST_ROOM = 2048


@dataclass
class SceneStore:
    """Scenes on one device, growing as they arrive.

    Attributes
    ----------
    radiance : Tensor, float16 (room, 3, 480, 640)
    labels : Tensor, uint8 (room, 960, 1280)
        Owner times 4 plus part.
    count : int
        How many of the rows are filled.
    """

    device: torch.device
    radiance: Tensor = field(init=False)
    labels: Tensor = field(init=False)
    count: int = 0

    def __post_init__(self) -> None:
        self.radiance = torch.empty((0, 3, HEIGHT, WIDTH), dtype=torch.float16, device=self.device)
        self.labels = torch.empty((0, 2 * HEIGHT, 2 * WIDTH), dtype=torch.uint8, device=self.device)

    def add(self, radiance: np.ndarray, labels: np.ndarray) -> None:
        """Append a scene; room is doubled when it runs out, so that adding stays cheap, up to a few GB at once."""
        if self.count == len(self.radiance):
            room = self.count + min(max(8, self.count), _MOST_ROOM)
            self.radiance = self._roomier(self.radiance, room)
            self.labels = self._roomier(self.labels, room)
        self.radiance[self.count] = torch.from_numpy(radiance).to(self.device).permute(2, 0, 1)
        self.labels[self.count] = torch.from_numpy(labels).to(self.device)
        self.count += 1

    def _roomier(self, old: Tensor, room: int) -> Tensor:
        new = torch.empty((room, *old.shape[1:]), dtype=old.dtype, device=old.device)
        new[: self.count] = old[: self.count]
        return new


class SceneFolder:
    """The scenes of a folder, each read once by a thread of its own, spread over training and hold-out scenes."""

    def __init__(self, folder: Path, device: torch.device) -> None:
        self.training = SceneStore(device)
        self.held_out = SceneStore(device)
        self._folder = folder
        self._ready: queue.Queue[tuple[np.ndarray, np.ndarray]] = queue.Queue(maxsize=64)
        self._taken = 0
        threading.Thread(target=self._watch, daemon=True).start()

    def refresh(self) -> None:
        """Take in what has been read since the last call."""
        while not self._ready.empty():
            self._taken += 1
            # By the order of arrival: the second scene checks, so a check exists from early on.
            store = self.held_out if self._taken % HOLD_OUT_EVERY == 2 else self.training
            store.add(*self._ready.get())

    def _watch(self) -> None:
        read: set[Path] = set()
        pause = threading.Event()
        while True:
            for path in sorted(set(self._folder.rglob("scene_*.npz")) - read):
                read.add(path)
                scenes = _read(path)
                if scenes is not None:
                    self._ready.put(scenes)
            pause.wait(_POLL_SECONDS)


def _read(path: Path) -> tuple[np.ndarray, np.ndarray] | None:
    """Radiance and labels of one scene; None, and a line, if the file is broken."""
    try:
        with np.load(path) as scene:
            radiance, owner, part = scene["radiance"][0], scene["owner"][0], scene["part"][0]
    except (OSError, ValueError, KeyError, IndexError, zipfile.BadZipFile) as error:
        print(f"left out {path.name}: {error}", flush=True)
        return None
    if radiance.shape != (HEIGHT, WIDTH, 3) or owner.shape != (2 * HEIGHT, 2 * WIDTH):
        print(f"left out {path.name}: {radiance.shape}, {owner.shape}", flush=True)
        return None
    radiance = np.nan_to_num(radiance.astype(np.float32), nan=0.0, posinf=6e4, neginf=0.0).clip(0, 6e4)
    known = (part > 0) & (owner > 0) & (owner <= _MOST_OWNERS)
    return radiance.astype(np.float16), np.where(known, owner * np.uint8(PARTS) + part, 0).astype(np.uint8)
