"""Develop linear radiance into pictures such as phones make, differently each time, on the accelerator."""

from __future__ import annotations

import math

import torch
from calibration.outlines.training.pictures import srgb_encoded
from torch import Tensor
from torch.nn.functional import avg_pool2d, conv2d, interpolate, pad

_GREY = torch.tensor([0.2126, 0.7152, 0.0722])
_BLUR_REACH = 4

# Quantisation tables of ITU-T T.81, Annex K, tables K.1 and K.2 (the usual JPEG tables), row by row.
_LUMA = [
    16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56,
    14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
    49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
]  # fmt: skip
_CHROMA = [
    17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99,
    47, 66, 99, 99, 99, 99, 99, 99, *[99] * 32,
]  # fmt: skip


def developed(radiance: Tensor, *, real: bool = False, uneven: float = 1.0) -> Tensor:
    """Return pictures in -0.5..0.5, as the network takes them.

    Parameters
    ----------
    radiance : Tensor, float32 (N, 3, H, W)
        Linear light. Scenes come at any exposure and are metered here; photographs are taken as they are.
    real : bool
        Photographs: less is changed, because light, lens and noise are in them already.
    uneven : float
        How unevenly a scene may be lit from one end of the crop to the other.
    """
    light = radiance if real else _metered(radiance)
    light = light * 2 ** (_spread(light, -0.5, 0.4) if real else _spread(light, -1.1, 0.6))
    light = _balanced(light, real)
    light = light * _uneven(light, 0.5 * uneven if real else uneven)
    light = _blurred(light, 1.0 if real else 1.8)
    light = _noisy(light, 0.3 if real else 1.0)
    picture = _curve(light)
    picture = _saturated(picture)
    picture = _sharpened(picture)
    return _compressed(picture).clamp(0, 1) - 0.5


def plain(radiance: Tensor) -> Tensor:
    """Return pictures in -0.5..0.5 without chance, for checking."""
    return srgb_encoded(_metered(radiance)) - 0.5


def _spread(like: Tensor, low: float, high: float, channels: int = 1) -> Tensor:
    """Uniform chance, one (or three) a picture."""
    return low + (high - low) * torch.rand(len(like), channels, 1, 1, device=like.device)


def _coin(like: Tensor, chance: float) -> Tensor:
    return (torch.rand(len(like), 1, 1, 1, device=like.device) < chance).float()


def _luminance(light: Tensor) -> Tensor:
    return (light * _GREY.to(light.device)[:, None, None]).sum(1, keepdim=True)


def _metered(radiance: Tensor) -> Tensor:
    """Expose between a grey mean and a bright end just short of clipping."""
    grey = _luminance(radiance)[:, 0, ::6, ::6].flatten(1)
    mean = 0.22 / grey.mean(1).clamp(min=1e-6)
    bright = 0.85 / torch.quantile(grey, 0.95, dim=1).clamp(min=1e-6)
    return radiance * torch.sqrt(mean * bright)[:, None, None, None]


def _balanced(light: Tensor, real: bool) -> Tensor:
    """White balance between as lit and grey world, and a spread of 9 % a channel (4 % for photographs).

    One rendered picture in eight is far off: a phone under a colored lamp, or fooled by a colored cloth.
    """
    chance = torch.randn(len(light), 3, 1, 1, device=light.device)
    if real:
        return light * torch.exp(0.04 * chance)
    spread = torch.exp((0.09 + 0.17 * _coin(light, 0.125)) * chance)
    mean = light.clamp(max=1.5).mean((2, 3), keepdim=True).clamp(min=1e-5)
    grey_world = (mean.mean(1, keepdim=True) / mean) ** _spread(light, 0.0, 1.0)
    return light * grey_world.clamp(0.4, 2.5) * spread


def _uneven(light: Tensor, strength: float) -> Tensor:
    """A slope of light in any direction, and darker corners."""
    height, width = light.shape[-2:]
    down = torch.linspace(-1, 1, height, device=light.device)[:, None] * height / width
    across = torch.linspace(-1, 1, width, device=light.device)
    turn = _spread(light, 0.0, 2 * math.pi)
    slope = _spread(light, 0.0, 0.45 * strength) * (torch.cos(turn) * across + torch.sin(turn) * down)
    corner = _spread(light, 0.0, 0.3 * strength) * (across**2 + down**2)
    return torch.exp(slope - corner)


def _blurred(light: Tensor, most: float) -> Tensor:
    """Gaussian blur up to `most` pixels, drawn out along a random direction at times (a moving hand)."""
    number = len(light)
    turn = _spread(light, 0.0, math.pi)
    small = _spread(light, 0.05, 1.0) ** 1.5 * most
    large = small + _coin(light, 0.25) * _spread(light, 0.0, most)
    reach = torch.arange(-_BLUR_REACH, _BLUR_REACH + 1, device=light.device, dtype=torch.float32)
    across, down = torch.meshgrid(reach, reach, indexing="xy")
    along = across * torch.cos(turn) + down * torch.sin(turn)
    aside = down * torch.cos(turn) - across * torch.sin(turn)
    kernel = torch.exp(-0.5 * ((along / large.clamp(min=0.2)) ** 2 + (aside / small.clamp(min=0.2)) ** 2))
    kernel = kernel / kernel.sum((2, 3), keepdim=True)
    stacked = pad(light, (_BLUR_REACH,) * 4, mode="replicate").reshape(1, number * 3, *_grown(light))
    return conv2d(stacked, kernel.repeat_interleave(3, 0), groups=number * 3).reshape(light.shape)


def _grown(light: Tensor) -> tuple[int, int]:
    return light.shape[-2] + 2 * _BLUR_REACH, light.shape[-1] + 2 * _BLUR_REACH


def _noisy(light: Tensor, strength: float) -> Tensor:
    """Shot and read noise; half the time softened, as a phone's noise removal leaves it."""
    shot = _spread(light, 0.0, 1.0) ** 2 * 0.0016 * strength
    read = _spread(light, 0.0, 1.0) ** 2 * 0.012 * strength
    noise = torch.randn_like(light)
    soft = avg_pool2d(noise, 3, 1, 1, count_include_pad=False) * 2
    noise = torch.lerp(noise, soft, _coin(light, 0.5))
    return light + noise * torch.sqrt(shot * light.clamp(0, 2) + read**2)


def _curve(light: Tensor) -> Tensor:
    """A soft shoulder at times, the sRGB curve, contrast and gamma."""
    light = light.clamp(min=0)
    light = torch.lerp(light, 1 - torch.exp(-1.3 * light), _spread(light, 0.0, 1.0) * _coin(light, 0.6))
    picture = srgb_encoded(light)
    picture = torch.lerp(picture, picture * picture * (3 - 2 * picture), _spread(light, -0.2, 0.7))
    return picture.clamp(1e-4, 1) ** torch.exp(_spread(light, -0.25, 0.25))


def _saturated(picture: Tensor) -> Tensor:
    """Saturation 0.65 to 1.45 and a small turn of hue."""
    grey = _luminance(picture)
    picture = grey + (picture - grey) * _spread(picture, 0.65, 1.45)
    turn = _spread(picture, -0.06, 0.06)
    return (picture + turn * (picture.roll(1, 1) - picture.roll(-1, 1)) / math.sqrt(3)).clamp(0, 1)


def _sharpened(picture: Tensor) -> Tensor:
    soft = avg_pool2d(picture, 3, 1, 1, count_include_pad=False)
    return (picture + _coin(picture, 0.6) * _spread(picture, 0.0, 1.2) * (picture - soft)).clamp(0, 1)


def _compressed(picture: Tensor) -> Tensor:
    """JPEG blocks (ITU-T T.81) of quality 40 to 95 on two pictures of three, half of them with halved colour."""
    quality = _spread(picture, 40, 95)
    scale = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    red, green, blue = (picture * 255).unbind(1)
    luma = 0.299 * red + 0.587 * green + 0.114 * blue
    colour = torch.stack([(blue - luma) * 0.564, (red - luma) * 0.713], 1)
    luma = _quantised(luma[:, None] - 128, _LUMA, scale) + 128
    halved = interpolate(_quantised(avg_pool2d(colour, 2), _CHROMA, scale), scale_factor=2.0, mode="bilinear")
    colour = torch.lerp(_quantised(colour, _CHROMA, scale), halved, _coin(picture, 0.5))
    blue, red = luma + 1.773 * colour[:, :1], luma + 1.403 * colour[:, 1:]
    green = (luma - 0.299 * red - 0.114 * blue) / 0.587
    coded = (torch.cat([red, green, blue], 1) / 255).clamp(0, 1)
    return torch.lerp(picture, coded, _coin(picture, 0.67))


def _quantised(plane: Tensor, table: list[int], scale: Tensor) -> Tensor:
    """Round the 8 x 8 cosine coefficients as a coder of that quality does."""
    number, channels, height, width = plane.shape
    order = torch.arange(8, device=plane.device, dtype=torch.float32)
    cosine = torch.cos((2 * order[None] + 1) * order[:, None] * math.pi / 16) * 0.5
    cosine[0] /= math.sqrt(2)
    steps = torch.tensor(table, device=plane.device, dtype=torch.float32).reshape(8, 8)
    steps = (steps * scale[..., None, None]).round().clamp(min=1)
    blocks = plane.reshape(number, channels, height // 8, 8, width // 8, 8).transpose(3, 4)
    coded = (cosine @ blocks @ cosine.T / steps).round() * steps
    return (cosine.T @ coded @ cosine).transpose(3, 4).reshape(plane.shape)
