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

    @torch.no_grad()
    def ask(self, net: FruitNet) -> float:
        """Take the network's answers, the mean of four mirrored views, as targets; return the share of fruit."""
        share = 0.0
        for index in range(self.count):
            encoded = srgb_encoded(self.linear[index : index + 1].float()) - 0.5
            votes = torch.zeros((1, 1, HEIGHT, WIDTH), device=encoded.device)
            for flip in ([], [2], [3], [2, 3]):
                answer = torch.sigmoid(full_size(net(torch.flip(encoded, flip)))[:, :1])
                votes += torch.flip(answer, flip) / 4
            inside = self.inside[index]
            self.target[index] = torch.where(inside, (votes[0, 0] * 254).round(), PADDING).to(torch.uint8)
            share += float((votes[0, 0] > 0.5)[inside].float().mean()) / self.count
        return share


def srgb_encoded(linear: Tensor) -> Tensor:
    """Encode linear light by the sRGB curve (IEC 61966-2-1)."""
    linear = linear.clamp(0, 1)
    return torch.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear.clamp(min=1e-8) ** (1 / 2.4) - 0.055)


def listed(folder: Path, split: Path, name: str) -> list[Path]:
    """Return the pictures of a folder that the split file gives to `name` ("train" or "check").

    The split is a JSON object: split name -> list of file names.
    """
    names = {Path(entry).name for entry in json.loads(split.read_text())[name]}
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
