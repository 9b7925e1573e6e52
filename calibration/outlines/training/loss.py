"""How far the network's answers are from the targets."""

from __future__ import annotations

import torch
from calibration.outlines.training.crops import Targets
from torch import Tensor
from torch.nn.functional import binary_cross_entropy_with_logits, max_pool2d, smooth_l1_loss

_EDGE_WINDOW = 7
"""Fruit within 3 px of an edge counts three times more."""


def losses(answer: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Return the weighted parts of the loss; their sum is minimised. `answer` is float32 (N, 6, H, W)."""
    fruit = targets.parts[:, :1]
    edge = max_pool2d(fruit, _EDGE_WINDOW, 1, 3) + max_pool2d(1 - fruit, _EDGE_WINDOW, 1, 3) - 1
    parts = {
        "fruit": 1.5 * _cross(answer[:, :1], fruit, targets.fruit_asked * (1 + 2 * edge)),
        "calyx": 3.0 * _cross(answer[:, 1:2], targets.parts[:, 1:2], targets.parts_asked),
        "stem": 3.0 * _cross(answer[:, 2:3], targets.parts[:, 2:3], targets.parts_asked),
        "contact": 0.7 * _cross(answer[:, 5:6], targets.contact, targets.parts_asked, positive=4.0),
        "vector": 0.5 * _vector(answer[:, 3:5], targets),
    }
    asked = torch.cat([targets.fruit_asked, targets.parts_asked, targets.parts_asked], 1)
    parts["dice"] = 0.4 * _dice(torch.sigmoid(answer[:, :3]), targets.parts, asked)
    return parts


def _cross(answer: Tensor, target: Tensor, weight: Tensor, positive: float = 1.0) -> Tensor:
    one_by_one = binary_cross_entropy_with_logits(
        answer, target, reduction="none", pos_weight=torch.tensor(positive, device=answer.device)
    )
    return (one_by_one * weight).sum() / weight.sum().clamp(min=1)


def _vector(answer: Tensor, targets: Targets) -> Tensor:
    one_by_one = smooth_l1_loss(answer, targets.vector, reduction="none", beta=0.25).sum(1, keepdim=True)
    return (one_by_one * targets.vector_asked).sum() / targets.vector_asked.sum().clamp(min=1)


def _dice(answer: Tensor, target: Tensor, asked: Tensor) -> Tensor:
    """Soft Dice, one figure a map (Milletari, Navab & Ahmadi 2016), summed."""
    both = (answer * target * asked).sum((0, 2, 3))
    either = ((answer + target) * asked).sum((0, 2, 3))
    return (1 - (2 * both + 1) / (either + 1)).sum()
