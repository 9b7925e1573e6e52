"""Cut turned, mirrored and scaled crops out of scenes and real pictures, with soft targets.

Everything runs on the accelerator, so that the processor's cores stay free to render. Pixel centres lie at whole
numbers; label pixels are half as large as picture pixels, so four of them make one soft (area-true) target.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from calibration.outlines.training.pictures import PictureStore
from calibration.outlines.training.scenes import HEIGHT, PARTS, WIDTH, SceneStore
from torch import Tensor
from torch.nn.functional import avg_pool2d, grid_sample, max_pool2d

CROP = (384, 512)
"""Height and width of a training crop."""
VECTOR_UNIT = 32.0
OUTSIDE = 255
_OWNERS = 64
_CONTACT_REACH = 5
"""Window, in pixels, in which two peppers must both show for a contact edge: 2 px to either side."""


@dataclass(frozen=True)
class Targets:
    """What the network should say, and where it is asked; all float32 (N, 1 or 2, H, W).

    `parts` holds soft fruit, calyx and stem (N, 3, H, W); `fruit_asked` where fruit counts, `parts_asked` where
    calyx, stem and contact count, `vector_asked` where the centre vector counts.
    """

    parts: Tensor
    vector: Tensor
    contact: Tensor
    fruit_asked: Tensor
    parts_asked: Tensor
    vector_asked: Tensor

    @staticmethod
    def joined(several: list[Targets]) -> Targets:
        """Join batches."""
        names = Targets.__dataclass_fields__
        return Targets(**{name: torch.cat([getattr(one, name) for one in several]) for name in names})


def random_placements(number: int, device: torch.device, scale: tuple[float, float] = (0.65, 1.8)) -> Tensor:
    """Return affine maps, float32 (N, 2, 3), from crop pixels to source pixels: any roll, mirror, scale, place."""
    turn = torch.rand(number, device=device) * 2 * math.pi
    low, high = (math.log(limit) for limit in scale)
    zoom = torch.exp(torch.rand(number, device=device) * (high - low) + low)
    mirror = torch.where(torch.rand(number, device=device) < 0.5, -1.0, 1.0)
    place = 0.22 + 0.56 * torch.rand(number, 2, device=device)
    return placements(turn, zoom, mirror, place * torch.tensor([WIDTH, HEIGHT], device=device) - 0.5)


def placements(turn: Tensor, zoom: Tensor, mirror: Tensor, place: Tensor, size: tuple[int, int] = CROP) -> Tensor:
    """Return affine maps that put source point `place` (N, 2) in the middle of the crop."""
    cosine, sine = torch.cos(turn) / zoom, torch.sin(turn) / zoom
    linear = torch.stack([torch.stack([cosine * mirror, -sine], -1), torch.stack([sine * mirror, cosine], -1)], 1)
    middle = torch.tensor([(size[1] - 1) / 2, (size[0] - 1) / 2], device=turn.device)
    return torch.cat([linear, (place - linear @ middle).unsqueeze(-1)], -1)


def whole_frame(number: int, device: torch.device) -> Tensor:
    """Return the affine maps of untouched whole scenes."""
    return torch.eye(2, 3, device=device).repeat(number, 1, 1)


def _places(affine: Tensor, size: tuple[int, int], fine: int) -> Tensor:
    """Source positions (N, h * fine, w * fine, 2) of the crop's pixels, each split `fine` times along a side."""
    rows = (torch.arange(size[0] * fine, device=affine.device) + 0.5) / fine - 0.5
    columns = (torch.arange(size[1] * fine, device=affine.device) + 0.5) / fine - 0.5
    grid = torch.stack(torch.meshgrid(columns, rows, indexing="xy"), -1)
    return grid @ affine[:, None, :, :2].transpose(-1, -2) + affine[:, None, None, :, 2]


def _sampled(pictures: Tensor, affine: Tensor, size: tuple[int, int]) -> Tensor:
    places = (_places(affine, size, 1) + 0.5) / torch.tensor([WIDTH, HEIGHT], device=affine.device) * 2 - 1
    return grid_sample(pictures.float(), places, mode="bilinear", padding_mode="reflection", align_corners=False)


def _looked_up(maps: Tensor, chosen: Tensor, affine: Tensor, size: tuple[int, int], fine: int) -> Tensor:
    """Nearest labels (N, h * fine, w * fine) as uint8; `OUTSIDE` beyond the source's frame."""
    ratio = maps.shape[-1] // WIDTH
    places = torch.floor((_places(affine, size, fine) + 0.5) * ratio).long()
    column, row = places[..., 0], places[..., 1]
    inside = (column >= 0) & (row >= 0) & (column < maps.shape[-1]) & (row < maps.shape[-2])
    index = row.clamp(0, maps.shape[-2] - 1) * maps.shape[-1] + column.clamp(0, maps.shape[-1] - 1)
    found = maps[chosen].flatten(1).gather(1, index.flatten(1)).reshape(index.shape)
    return torch.where(inside, found, torch.full_like(found, OUTSIDE))


def scene_crops(
    store: SceneStore, chosen: Tensor, affine: Tensor, size: tuple[int, int] = CROP
) -> tuple[Tensor, Targets]:
    """Return crops of linear radiance (N, 3, h, w) and their targets."""
    labels = _looked_up(store.labels, chosen, affine, size, 2)
    outside = labels == OUTSIDE
    part = torch.where(outside, 0, labels % PARTS)
    owner = torch.where(outside, 0, labels // PARTS)
    masks = torch.stack([(part == 1) | (part == 2), part == 2, part == 3], 1).float()
    asked = (max_pool2d(outside[:, None].float(), 2) < 0.5).float()
    vector, of_fruit = _vectors(owner[:, ::2, ::2], part[:, ::2, ::2])
    targets = Targets(
        parts=avg_pool2d(masks, 2),
        vector=vector,
        contact=_contact(owner[:, ::2, ::2], part[:, ::2, ::2]),
        fruit_asked=asked,
        parts_asked=asked,
        vector_asked=asked * of_fruit,
    )
    return _sampled(store.radiance[chosen], affine, size), targets


def _vectors(owner: Tensor, part: Tensor) -> tuple[Tensor, Tensor]:
    """Vector from each pixel to the middle of what shows of its pepper, and where there is a pepper or stem."""
    number, height, width = owner.shape
    keys = owner.long() + _OWNERS * torch.arange(number, device=owner.device)[:, None, None]
    body = ((part == 1) | (part == 2)).float()
    across = torch.arange(width, device=owner.device, dtype=torch.float32).expand(number, height, width)
    down = torch.arange(height, device=owner.device, dtype=torch.float32)[:, None].expand(number, height, width)
    empty = torch.zeros(number * _OWNERS, device=owner.device)
    sums = [
        empty.index_add(0, keys.reshape(-1), (body * value).reshape(-1))
        for value in (torch.ones_like(across), across, down)
    ]
    seen = sums[0][keys]
    centre = torch.stack([sums[1][keys], sums[2][keys]], 1) / seen.clamp(min=1)[:, None]
    vector = (centre - torch.stack([across, down], 1)) / VECTOR_UNIT
    of_fruit = ((part > 0) & (seen > 0)).float()[:, None]
    return vector * of_fruit, of_fruit


def _contact(owner: Tensor, part: Tensor) -> Tensor:
    """Where two different peppers both show within the reach."""
    body = ((part == 1) | (part == 2))[:, None]
    owner = owner[:, None].float()
    reach = _CONTACT_REACH // 2
    highest = max_pool2d(torch.where(body, owner, 0.0), _CONTACT_REACH, 1, reach)
    lowest = -max_pool2d(torch.where(body, -owner, -1e3), _CONTACT_REACH, 1, reach)
    return ((highest > 0) & (lowest < 1e3) & (highest != lowest)).float()


def picture_crops(
    store: PictureStore, chosen: Tensor, affine: Tensor, size: tuple[int, int] = CROP
) -> tuple[Tensor, Targets]:
    """Return crops of real pictures: only fruit is asked, and only where the picture's target is sure."""
    target = _looked_up(store.target, chosen, affine, size, 1)[:, None]
    sure = (target <= store.LOW) | ((target >= store.HIGH) & (target != OUTSIDE))
    nothing_here = store.empty[chosen][:, None, None, None].float()
    fruit = (target >= store.HIGH).float() * sure * (1 - nothing_here)
    zero = torch.zeros_like(fruit)
    inside = (target != OUTSIDE).float()
    targets = Targets(
        parts=torch.cat([fruit, zero, zero], 1),
        vector=torch.cat([zero, zero], 1),
        contact=zero,
        fruit_asked=torch.where(nothing_here > 0, inside, sure.float()),
        parts_asked=inside * nothing_here,
        vector_asked=zero,
    )
    return _sampled(store.linear[chosen], affine, size), targets
