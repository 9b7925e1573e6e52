"""Views of single peppers with the slope of their skin, turned, mirrored and developed differently each time.

Reads ``slopes_*.npz`` of ``python -m sample_images.maker train`` from a folder that may still be growing.
"""

from __future__ import annotations

import math
import zipfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
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
LEAST_MASK_PX = 400
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
        new = [path for path in sorted(self.folder.glob("slopes_*.npz")) if path not in self.read][:most]
        self.read.update(new)
        mine = [p for p in new if (int(p.stem.split("_")[1]) % HOLD_OUT_EVERY == 0) == self.held_out]
        with ThreadPoolExecutor(8) as readers:
            fresh = [views for views in readers.map(_read, mine) if views]
        if fresh:
            joined = {name: torch.cat([one[name] for one in fresh]).to(self.device) for name in fresh[0]}
            joined["radiance"] = joined["radiance"].permute(0, 3, 1, 2).contiguous()
            joined["normal"] = joined["normal"].permute(0, 3, 1, 2).contiguous()
            self.all = {k: torch.cat([self.all[k], v]) for k, v in joined.items()} if self.all else joined
        return len(self.all["weight"]) if self.all else 0


def _read(path: Path) -> dict[str, Tensor]:
    """Return the views of one file; none where it is empty or cannot be read."""
    try:
        with np.load(path) as kept:
            read = {name: kept[name] for name in kept.files}
        # One that is no number spoils the whole network, and hours of training with it.
        if not all(np.isfinite(read[name]).all() for name in ("radiance", "axis", "size")):
            raise ValueError("not all of it is finite")
    except (OSError, ValueError, KeyError, zipfile.BadZipFile) as problem:
        print(f"left out {path.name}: {problem}", flush=True)
        return {}
    return {name: torch.from_numpy(layer) for name, layer in read.items()} if len(read["weight"]) else {}


@dataclass(frozen=True)
class Truth:
    """What is true of a batch of views.

    Attributes
    ----------
    normal : Tensor (N, 2, h, w)
        The normal's parts across and down.
    weight : Tensor (N, 1, h, w)
        Where they count.
    mask : Tensor (N, 1, h, w)
        The pepper as the network is told.
    axis : Tensor (N, 3)
    size : Tensor (N, 2)
        ln of greatest diameter and length in view pixels.
    """

    normal: Tensor
    weight: Tensor
    mask: Tensor
    axis: Tensor
    size: Tensor


def batch(views: Views, number: int) -> tuple[Tensor, Truth]:
    """Return layers for the network (N, 4, h, w), changed by chance, and what is true of them."""
    device = views.device
    chosen = torch.randint(len(views.all["weight"]), (number,), device=device)
    turn = torch.rand(number, device=device) * 2 * math.pi
    mirror = torch.where(torch.rand(number, device=device) < 0.5, -1.0, 1.0)
    zoom = torch.exp((torch.rand(number, device=device) * 2 - 1) * 0.16)
    shift = torch.randn(number, 2, device=device) * 2.5
    radiance, true = _placed(views, chosen, turn, mirror, zoom, shift)
    picture = _among_others(developed(_other_pigments(radiance), uneven=0.25), true.mask) + 0.5
    mask = _bitten(_roughened(true.mask))
    return layers(picture, mask), replace(true, mask=mask, weight=true.weight * mask)


def plain_batch(views: Views, chosen: Tensor) -> tuple[Tensor, Truth]:
    """Return untouched views, for checking."""
    still = torch.zeros(len(chosen), device=views.device)
    radiance, true = _placed(views, chosen, still, still + 1, still + 1, still[:, None].repeat(1, 2))
    return layers(plain(radiance).clamp(-0.5, 0.5) + 0.5, true.mask), true


def layers(picture: Tensor, mask: Tensor) -> Tensor:
    """Return what the network is given: the picture at a fixed light of the skin, and the mask, all -0.5..0.5."""
    linear = torch.where(picture <= 0.04045, picture / 12.92, ((picture.clamp(min=0) + 0.055) / 1.055) ** 2.4)
    light = (linear * _GREY.to(picture.device)[:, None, None]).sum(1)
    inside = torch.where(mask[:, 0] > 0.5, light, torch.nan).flatten(1)
    middle = torch.nanmedian(inside, dim=1).values.nan_to_num(LEVEL).clamp(min=1e-4)
    level = srgb_encoded((linear * (LEVEL / middle)[:, None, None, None]).clamp(0, 1))
    return torch.cat([level, mask], 1) - 0.5


def _placed(
    views: Views, chosen: Tensor, turn: Tensor, mirror: Tensor, zoom: Tensor, shift: Tensor
) -> tuple[Tensor, Truth]:
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
    stored = data["axis"][chosen]
    axis = torch.cat([torch.einsum("nji,nj->ni", way, stored[:, :2]), stored[:, 2:]], 1)
    size = data["size"][chosen] + torch.log(zoom)[:, None]
    mask = (look("mask") > 0.5).float()
    return look("radiance", pad="reflection").clamp(0, 60), Truth(normal, weight, mask, axis, size)


def _other_pigments(radiance: Tensor) -> Tensor:
    """Mix the channels of one picture in five: shading must be read in skins and lights never seen."""
    number, device = len(radiance), radiance.device
    mixing = torch.rand(number, 3, 3, device=device) ** 2
    mixing = mixing / mixing.sum(2, keepdim=True)
    mixed = torch.einsum("nij,njhw->nihw", mixing, radiance)
    return torch.where(torch.rand(number, 1, 1, 1, device=device) < 0.2, mixed, radiance)


def _roughened(mask: Tensor) -> Tensor:
    """Grow or shrink some masks by a pixel: found outlines lie that far off."""
    kind = torch.rand(len(mask), 1, 1, 1, device=mask.device)
    grown, shrunk = max_pool2d(mask, 3, 1, 1), -max_pool2d(-mask, 3, 1, 1)
    return torch.where(kind < 0.2, grown, torch.where(kind > 0.75, shrunk, mask))


def _bitten(mask: Tensor) -> Tensor:
    """Take a round piece off some masks, add one to others: outlines miss pieces and take in neighbors."""
    number, device = len(mask), mask.device
    turn = torch.rand(number, device=device) * 2 * math.pi
    away = VIEW_PX * (0.24 + 0.2 * torch.rand(number, device=device))
    radius = VIEW_PX * (0.04 + 0.09 * torch.rand(number, device=device))
    at = torch.arange(VIEW_PX, device=device) - (VIEW_PX - 1) / 2
    off = (at - (away * torch.cos(turn))[:, None])[:, None, :] ** 2 + (at - (away * torch.sin(turn))[:, None])[
        :, :, None
    ] ** 2
    piece = (off < radius[:, None, None] ** 2)[:, None].float()
    kind = torch.rand(number, 1, 1, 1, device=device)
    left = mask * (1 - piece)
    left = torch.where(left.sum((2, 3), keepdim=True) > LEAST_MASK_PX, left, mask)
    return torch.where(kind < 0.12, left, torch.where(kind > 0.88, torch.maximum(mask, piece), mask))


def _among_others(picture: Tensor, mask: Tensor) -> Tensor:
    """Put some peppers into another view's surroundings: whose stem is near must not be taken on trust."""
    own = max_pool2d(mask, 3, 1, 1)
    swapped = torch.rand(len(mask), 1, 1, 1, device=mask.device) < 0.15
    return torch.where(swapped & (own < 0.5), picture.roll(1, 0), picture)
