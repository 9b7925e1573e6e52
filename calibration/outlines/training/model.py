"""The outline network: a small U-shape of plain convolutions.

Only convolution, ReLU, addition, nearest upsampling and a global mean, so that OpenCV 4.14 and 5.0 both run the
exported file. Input: RGB in -0.5..0.5, sides divisible by 32. Output: the maps of `MAPS` at full size.
"""

from __future__ import annotations

import itertools

import torch
from torch import Tensor, nn
from torch.nn.functional import adaptive_avg_pool2d, interpolate, pixel_shuffle

MAPS = ("fruit", "calyx", "stem", "across", "down", "contact")
"""Logits of body with calyx, calyx, stem; vector to the middle of the fruit, in units of 32 px; contact edge."""

WIDTHS = (16, 24, 48, 88, 144)
"""Channels at strides 2, 4, 8, 16, 32."""
DEPTHS = (2, 3, 4, 3)
"""Residual blocks at strides 4, 8, 16, 32."""
DECODER = (112, 72, 40, 24)
"""Channels on the way up, at strides 16, 8, 4, 2."""


def convolution(inputs: int, outputs: int, size: int = 3, stride: int = 1, groups: int = 1) -> nn.Sequential:
    """Convolution without bias and batch norm: one convolution with bias once folded."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, stride, size // 2, groups=groups, bias=False), nn.BatchNorm2d(outputs)
    )


class Block(nn.Module):
    """Residual block: 5 x 5 depthwise, three times wider 1 x 1, and back."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.look = convolution(width, width, 5, groups=width)
        self.widen = convolution(width, 3 * width, 1)
        self.narrow = convolution(3 * width, width, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Add what the block sees to its input."""
        return x + self.narrow(torch.relu(self.widen(self.look(x))))


class FruitNet(nn.Module):
    """Maps of fruit, calyx, stem, centre vectors and contact edges from a picture; or other maps."""

    def __init__(self, layers: int = 3, maps: int = len(MAPS)) -> None:
        super().__init__()
        self.entry = convolution(layers, WIDTHS[0], stride=2)
        self.down = nn.ModuleList(convolution(few, many, stride=2) for few, many in itertools.pairwise(WIDTHS))
        self.stages = nn.ModuleList(
            nn.Sequential(*(Block(width) for _ in range(depth)))
            for width, depth in zip(WIDTHS[1:], DEPTHS, strict=True)
        )
        self.whole = nn.Conv2d(WIDTHS[-1], WIDTHS[-1], 1)
        self.side = nn.ModuleList(
            nn.Conv2d(width, out, 1, bias=False) for width, out in zip(WIDTHS[-2::-1], DECODER, strict=True)
        )
        self.up = nn.ModuleList(
            convolution(width, out, 1) for width, out in zip((WIDTHS[-1], *DECODER[:-1]), DECODER, strict=True)
        )
        self.merge = nn.ModuleList(
            nn.ModuleList([convolution(width, width), convolution(width, width)]) for width in DECODER
        )
        self.exit = nn.Conv2d(DECODER[-1], 4 * maps, 1)
        nn.init.zeros_(self.exit.bias)
        rare = ((0, -1.0), (1, -5.0), (2, -4.0), (5, -4.0)) if maps == len(MAPS) else ()
        for index, logit in rare:  # how rare each is, to start from
            nn.init.constant_(self.exit.bias[4 * index : 4 * index + 4], logit)

    def forward(self, x: Tensor) -> Tensor:
        """Return the maps at stride 2, four sub-pixels a map: (N, 4 * maps, H / 2, W / 2)."""
        x = torch.relu(self.entry(x))
        levels = [x]
        for down, stage in zip(self.down, self.stages, strict=True):
            x = stage(torch.relu(down(x)))
            levels.append(x)
        # The mean comes after the 1 x 1 convolution: OpenCV 5.0 refuses a convolution of the mean followed by an
        # addition of another shape.
        x = x + adaptive_avg_pool2d(self.whole(x), 1)
        for index, level in enumerate(reversed(levels[:-1])):
            x = interpolate(self.up[index](x), scale_factor=2, mode="nearest")
            x = torch.relu(x + self.side[index](level))
            for merge in self.merge[index]:
                x = torch.relu(merge(x))
        return self.exit(x)


def full_size(maps: Tensor) -> Tensor:
    """Return the maps at full size, in float32: (N, maps, H, W)."""
    return pixel_shuffle(maps.float(), 2)
