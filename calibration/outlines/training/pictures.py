"""Real photographs for stage two: peppers with a network's own sure pixels, other produce as nothing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import torch
from calibration.outlines.training.model import FruitNet, full_size
from calibration.outlines.training.scenes import HEIGHT, WIDTH
from PIL import Image
from torch import Tensor

PADDING = 128
"""Target of the padding round a picture: neither low nor high, so nothing is asked there."""


class PictureStore:
    """Real pictures on one device, each fitted into a scene's frame.

    Attributes
    ----------
    linear : Tensor, float16 (N, 3, 480, 640)
        Linear sRGB.
    target : Tensor, uint8 (N, 480, 640)
        Probability of fruit times 254; `PADDING` beyond the picture.
    empty : Tensor, bool (N,)
        Whether the whole picture holds no pepper.
    """

    LOW, HIGH = round(0.2 * 254), round(0.8 * 254)

    def __init__(self, paths: list[Path], device: torch.device, empty: bool) -> None:
        fitted = [_fitted(Image.open(path).convert("RGB")) for path in paths]
        self.linear = torch.stack([_linear(picture) for picture, _ in fitted]).to(device)
        self.inside = torch.stack([torch.from_numpy(inside) for _, inside in fitted]).to(device)
        self.target = torch.where(self.inside, 0, PADDING).to(torch.uint8)
        self.empty = torch.full((len(paths),), empty, device=device)
        self.count = len(paths)

    def take(self, net: FruitNet) -> None:
        """Make the network's own answers the targets."""
        for index in range(self.count):
            votes = (self._asked(net, index) * 254).round()
            self.target[index] = torch.where(self.inside[index], votes, PADDING).to(torch.uint8)

    def share(self, net: FruitNet) -> float:
        """Return the share of the pictures that the network calls fruit."""
        said = (self._asked(net, index)[self.inside[index]] > 0.5 for index in range(self.count))
        return float(torch.stack([picture.float().mean() for picture in said]).mean())

    @torch.no_grad()
    def _asked(self, net: FruitNet, index: int) -> Tensor:
        """Probability of fruit (480, 640), the mean of four mirrored views."""
        encoded = srgb_encoded(self.linear[index : index + 1].float()) - 0.5
        views = torch.cat([torch.flip(encoded, flip) for flip in ([], [2], [3], [2, 3])])
        answers = torch.sigmoid(full_size(net(views.contiguous(memory_format=torch.channels_last)))[:, 0])
        turned = [torch.flip(answers[view], flip) for view, flip in enumerate(([], [0], [1], [0, 1]))]
        return torch.stack(turned).mean(0)


def srgb_encoded(linear: Tensor) -> Tensor:
    """Encode linear light by the sRGB curve (IEC 61966-2-1)."""
    linear = linear.clamp(0, 1)
    return torch.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear.clamp(min=1e-8) ** (1 / 2.4) - 0.055)


def listed(folder: Path, split: Path, kind: str) -> list[Path]:
    """Return the pictures of a folder that the split file allows for training.

    `kind` is "peppers" or "other_produce"; the file holds lists of file names under kind and "train".
    """
    names = set(json.loads(split.read_text())[kind]["train"])
    return sorted(path for path in folder.iterdir() if path.name in names)


def _fitted(picture: Image.Image) -> tuple[np.ndarray, np.ndarray]:
    """Scale into the frame, padded by reflection, and say which pixels are the picture's own."""
    if picture.height > picture.width:
        picture = picture.transpose(Image.Transpose.ROTATE_90)
    scale = min(WIDTH / picture.width, HEIGHT / picture.height)
    size = (min(round(picture.width * scale), WIDTH), min(round(picture.height * scale), HEIGHT))
    array = np.asarray(picture.resize(size, Image.Resampling.BICUBIC))
    pad = ((0, HEIGHT - size[1]), (0, WIDTH - size[0]))
    inside = np.pad(np.ones(array.shape[:2], bool), pad)
    return np.pad(array, (*pad, (0, 0)), mode="symmetric"), inside


def _linear(picture: np.ndarray) -> Tensor:
    encoded = torch.from_numpy(picture).permute(2, 0, 1).float() / 255
    linear = torch.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    return linear.half()
