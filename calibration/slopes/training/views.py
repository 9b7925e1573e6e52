"""Views of single peppers with the slope of their skin, turned, mirrored and developed differently each time.

Reads ``slopes_*.npz`` of ``python -m sample_images.maker slopes`` from a folder that may still be growing.
"""

from __future__ import annotations

import math
import zipfile
from pathlib import Path

import numpy as np
import torch
from calibration.outlines.training.develop import developed, plain
from calibration.outlines.training.pictures import srgb_encoded
from torch import Tensor
from torch.nn.functional import grid_sample, max_pool2d

STORED_PX, VIEW_PX = 192, 160
HOLD_OUT_EVERY = 16
LEVEL = 0.18
"""The median light of a pepper's skin as the network sees it: exposure tells nothing about slopes."""
_GREY = torch.tensor([0.2126, 0.7152, 0.0722])


class Views:
    """Views held in the accelerator's memory, growing as files arrive."""

    def __init__(self, folder: Path, device: torch.device, held_out: bool) -> None:
        self.folder, self.device, self.held_out = folder, device, held_out
        self.parts: list[dict[str, Tensor]] = []
        self.read: set[Path] = set()
        self.all: dict[str, Tensor] = {}

    def refresh(self, most: int = 10_000) -> int:
        """Read new files; return how many views there are."""
        fresh = []
        for path in sorted(self.folder.glob("slopes_*.npz")):
            if path in self.read or len(fresh) >= most:
                continue
            self.read.add(path)
            if (int(path.stem.split("_")[1]) % HOLD_OUT_EVERY == 0) != self.held_out:
                continue
            try:
                with np.load(path) as kept:
                    read = {name: kept[name] for name in kept.files}
                # One that is no number spoils the whole network, and hours of training with it.
                if not np.isfinite(read["radiance"]).all():
                    raise ValueError("radiance is not finite")
                if len(read["weight"]):
                    fresh.append({name: torch.from_numpy(layer) for name, layer in read.items()})
            except (OSError, ValueError, zipfile.BadZipFile) as problem:
                print(f"left out {path.name}: {problem}", flush=True)
        if fresh:
            joined = {name: torch.cat([one[name] for one in fresh]).to(self.device) for name in fresh[0]}
            joined["radiance"] = joined["radiance"].permute(0, 3, 1, 2).contiguous()
            joined["normal"] = joined["normal"].permute(0, 3, 1, 2).contiguous()
            self.all = {k: torch.cat([self.all[k], v]) for k, v in joined.items()} if self.all else joined
        return len(self.all["weight"]) if self.all else 0


def batch(views: Views, number: int) -> tuple[Tensor, Tensor, Tensor]:
    """Return layers for the network (N, 4, h, w), true normal parts (N, 2, h, w) and where they count."""
    device = views.device
    chosen = torch.randint(len(views.all["weight"]), (number,), device=device)
    turn = torch.rand(number, device=device) * 2 * math.pi
    mirror = torch.where(torch.rand(number, device=device) < 0.5, -1.0, 1.0)
    zoom = torch.exp((torch.rand(number, device=device) * 2 - 1) * 0.16)
    shift = torch.randn(number, 2, device=device) * 2.5
    radiance, mask, normal, weight = _placed(views, chosen, turn, mirror, zoom, shift)
    picture = developed(radiance, uneven=0.25) + 0.5
    return layers(picture, _roughened(mask)), normal, weight


def plain_batch(views: Views, chosen: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return untouched views, for checking."""
    still = torch.zeros(len(chosen), device=views.device)
    radiance, mask, normal, weight = _placed(
        views, chosen, still, still + 1, still + 1, still[:, None].repeat(1, 2)
    )
    return layers(plain(radiance).clamp(-0.5, 0.5) + 0.5, mask), normal, weight


def layers(picture: Tensor, mask: Tensor) -> Tensor:
    """Return what the network is given: the picture at a fixed light of the skin, and the mask, all -0.5..0.5."""
    linear = torch.where(picture <= 0.04045, picture / 12.92, ((picture.clamp(min=0) + 0.055) / 1.055) ** 2.4)
    light = (linear * _GREY.to(picture.device)[:, None, None]).sum(1)
    inside = torch.where(mask[:, 0] > 0.5, light, torch.nan).flatten(1)
    middle = torch.nanmedian(inside, dim=1).values.clamp(min=1e-4)
    level = srgb_encoded((linear * (LEVEL / middle)[:, None, None, None]).clamp(0, 1))
    return torch.cat([level, mask], 1) - 0.5


def _placed(
    views: Views, chosen: Tensor, turn: Tensor, mirror: Tensor, zoom: Tensor, shift: Tensor
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    cosine, sine = torch.cos(turn), torch.sin(turn)
    # From the view's offsets to the stored ones; orthogonal but for the zoom, so its transpose turns normals back.
    way = torch.stack([torch.stack([cosine * mirror, -sine], -1), torch.stack([sine * mirror, cosine], -1)], 1)
    at = torch.arange(VIEW_PX, device=views.device) - (VIEW_PX - 1) / 2
    grid = torch.stack(torch.meshgrid(at, at, indexing="xy"), -1)
    places = grid @ (way / zoom[:, None, None]).transpose(-1, -2)[:, None] + shift[:, None, None]
    places = places / (STORED_PX / 2)
    data = views.all

    def look(name: str, mode: str = "bilinear", pad: str = "zeros") -> Tensor:
        layer = data[name][chosen].float()
        layer = layer[:, None] if layer.ndim == 3 else layer
        return grid_sample(layer, places, mode=mode, padding_mode=pad, align_corners=False)

    normal = look("normal", "nearest") / 127
    normal = torch.einsum("nji,njhw->nihw", way, normal)
    weight = (look("weight", "nearest") > 0.5).float()
    return look("radiance", pad="reflection").clamp(0, 60), (look("mask") > 0.5).float(), normal, weight


def _roughened(mask: Tensor) -> Tensor:
    """Grow or shrink some masks by a pixel: found outlines lie that far off."""
    kind = torch.rand(len(mask), 1, 1, 1, device=mask.device)
    grown, shrunk = max_pool2d(mask, 3, 1, 1), -max_pool2d(-mask, 3, 1, 1)
    return torch.where(kind < 0.2, grown, torch.where(kind > 0.75, shrunk, mask))
