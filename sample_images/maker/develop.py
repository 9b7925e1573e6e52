"""From linear radiance to the file a phone would keep: exposure, white balance, noise, tone, sharpening, coding.

The camera is not a measuring instrument here on purpose: its sensor mixes the channels a little, its tone curve
lifts local contrast, its color is stronger than life.
"""

from __future__ import annotations

import io
import struct
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from . import colours
from .fields import between, chance

Floats = NDArray[np.floating[Any]]
EXIF_IFD, MAKE, MODEL, FOCAL_35MM, ORIENTATION = 0x8769, 0x010F, 0x0110, 0xA405, 0x0112


@dataclass(frozen=True)
class Development:
    """Everything drawn for one picture."""

    exposure_stops: float
    white_share: float  # 0 as lit, 1 fully neutral
    white_slip: tuple[float, float]
    crosstalk: tuple[float, ...]
    vignette: float
    toe: float
    shoulder: float
    local_contrast: float
    saturation: float
    noise: float  # relative standard deviation at middle grey
    smear: float  # denoiser's blur of color, px
    sharpen: float
    sharpen_radius: float
    quality: int
    display_p3: bool
    states_focal: bool


def draw(rng: np.random.Generator, difficulty: str) -> Development:
    """A phone's habits and its luck with this picture."""
    rough = {"easy": 0.5, "normal": 1.0, "hard": 1.5}[difficulty]
    return Development(
        exposure_stops=float(rng.normal() * 0.2 * rough),
        white_share=between(rng, 0.75, 1.0) if difficulty == "easy" else between(rng, 0.5, 1.0),
        white_slip=(float(rng.normal() * 0.02 * rough), float(rng.normal() * 0.02 * rough)),
        crosstalk=tuple(float(v) for v in rng.normal(size=6) * 0.018),
        vignette=between(rng, 0.0, 0.12),
        toe=between(rng, 0.0, 0.25),
        shoulder=between(rng, 0.55, 0.85),
        local_contrast=between(rng, 0.0, 0.3),
        saturation=between(rng, 1.0, 1.22),
        noise=between(rng, 0.004, 0.012) * rough,
        smear=between(rng, 0.6, 1.6),
        sharpen=between(rng, 0.25, 0.8),
        sharpen_radius=between(rng, 0.7, 1.2),
        quality=int(rng.integers(85, 96)),
        display_p3=chance(rng, 0.25),
        states_focal=chance(rng, 0.85),
    )


def develop(radiance: NDArray[np.float32], how: Development, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Linear radiance (H, W, 3) to encoded bytes in the file's own primaries (sRGB or Display P3)."""
    light = np.asarray(radiance, np.float32) @ _sensor(how).T
    light *= _white(light, how)
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / ((width / 2) ** 2 + (height / 2) ** 2)
    light *= (1 - how.vignette * r2)[..., None]
    light *= _exposure(light) * 2**how.exposure_stops
    light = _noisy(light, how, rng)
    light = _tone(light, how)
    grey = light @ np.float32([0.2126, 0.7152, 0.0722])
    light = grey[..., None] + how.saturation * (light - grey[..., None])
    if how.display_p3:
        light = light @ (np.linalg.inv(colours.P3_TO_XYZ) @ colours.SRGB_TO_XYZ).T
    encoded = colours.encode(light)
    luma = encoded @ np.array([0.299, 0.587, 0.114])
    edge = luma - gaussian_filter(luma, how.sharpen_radius)
    encoded = np.clip(encoded + how.sharpen * np.clip(edge, -0.1, 0.1)[..., None], 0, 1)
    return (encoded * 255 + rng.random(encoded.shape)).astype(np.uint8)


def _sensor(how: Development) -> Floats:
    """A sensor that is not quite colorimetric; white stays white."""
    matrix = np.zeros((3, 3))
    matrix[~np.eye(3, dtype=bool)] = how.crosstalk
    return (matrix + np.diag(1 - matrix.sum(axis=1))).astype(np.float32)


def _white(light: Floats, how: Development) -> Floats:
    """Gains towards neutral, by shades of grey (Finlayson & Trezzi 2004, norm 6) of what is not too bright."""
    cap = np.percentile(light, 99)
    norm = (np.minimum(light, cap).astype(np.float64) ** 6).mean(axis=(0, 1)) ** (1 / 6)
    gain = (norm[1] / norm) ** how.white_share
    gain[0] *= 1 + how.white_slip[0]
    gain[2] *= 1 + how.white_slip[1]
    return (gain / gain[1]).astype(np.float32)


def _exposure(light: Floats) -> float:
    """Middle tones to a phone's usual level, bright areas kept mostly below clipping."""
    luminance = light @ np.float32([0.2126, 0.7152, 0.0722])
    middle = float(np.exp(np.log(luminance + 1e-4).mean()))
    bright = float(np.percentile(light.max(axis=-1), 99.5))
    return min(0.19 / middle, 0.92 / bright)


def _noisy(light: Floats, how: Development, rng: np.random.Generator) -> Floats:
    """Shot and read noise as left by the phone's denoiser: fine in lightness, smeared in color."""
    sigma = how.noise * np.sqrt(np.clip(light, 0, 4) * 0.18 + 4e-4)
    fine = rng.normal(size=light.shape[:2]).astype(np.float32)[..., None]
    coarse = gaussian_filter(rng.normal(size=light.shape).astype(np.float32), (how.smear, how.smear, 0))
    coarse *= 2 * how.smear
    return np.clip(light + sigma * 2.4 * (0.75 * fine + 0.5 * coarse), 0, None)


def _tone(light: Floats, how: Development) -> Floats:
    """A smooth curve with a toe and a shoulder on luminance, local contrast kept apart from the large shape."""
    luminance = np.maximum(light @ np.float32([0.2126, 0.7152, 0.0722]), 1e-5)
    stops = np.log2(luminance)
    base = gaussian_filter(stops, light.shape[1] / 60)
    lifted = 2 ** (stops + how.local_contrast * np.clip(stops - base, -1.5, 1.5))
    darker = lifted * (1 - how.toe * np.exp(-lifted / 0.05))
    knee = how.shoulder
    over = np.maximum(darker - knee, 0)
    curve = np.minimum(darker, knee) + (1 - knee) * (1 - np.exp(-over / (1 - knee)))
    return np.asarray(light * (curve / luminance)[..., None])


def save(
    pixels: NDArray[np.uint8],
    how: Development,
    *,
    kind: str,
    model: str,
    focal_35mm: float,
    most: int | None = None,
) -> bytes:
    """The file's bytes.

    Parameters
    ----------
    kind : {"jpeg", "heic"}
    most : int, optional
        A JPEG is coded more coarsely (down to quality 80) until it is no larger than this many bytes.
    """
    picture = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[MAKE], exif[MODEL], exif[ORIENTATION] = "Invented", model, 1
    if how.states_focal:
        exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = round(focal_35mm)
    extra: dict[str, Any] = {"exif": exif.tobytes()}
    if how.display_p3:
        extra["icc_profile"] = display_p3_profile()
    buffer = io.BytesIO()
    if kind == "heic":
        import pillow_heif

        pillow_heif.register_heif_opener()
        picture.save(buffer, "HEIF", quality=how.quality - 15, **extra)
        return buffer.getvalue()
    quality = how.quality
    while True:
        buffer = io.BytesIO()
        picture.save(buffer, "JPEG", quality=quality, subsampling=2, optimize=True, **extra)
        if most is None or buffer.tell() <= most or quality <= 80:
            return buffer.getvalue()
        quality -= 2


def as_record(how: Development) -> dict[str, Any]:
    """For the truth file."""
    return {name: (round(v, 4) if isinstance(v, float) else v) for name, v in asdict(how).items()}


def display_p3_profile() -> bytes:
    """A minimal ICC v4 display profile: P3 primaries adapted to D50 (Bradford), the sRGB curve."""
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d50 = np.array([0.9642, 1.0, 0.8249])
    white = colours.P3_TO_XYZ.sum(axis=1)
    adapt = np.linalg.inv(bradford) @ np.diag(bradford @ d50 / (bradford @ white)) @ bradford
    columns = (adapt @ colours.P3_TO_XYZ).T

    def fixed(*values: float) -> bytes:
        return b"".join(struct.pack(">i", round(v * 65536)) for v in values)

    def text(words: str) -> bytes:
        coded = words.encode("utf-16-be")
        return b"mluc\0\0\0\0" + struct.pack(">II", 1, 12) + b"enUS" + struct.pack(">II", len(coded), 28) + coded

    curve = b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    tags = {
        b"desc": text("Display P3"),
        b"cprt": text("No rights reserved"),
        b"wtpt": b"XYZ \0\0\0\0" + fixed(*d50),
    }
    for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True):
        tags[name] = b"XYZ \0\0\0\0" + fixed(*column)
    for name in (b"rTRC", b"gTRC", b"bTRC"):
        tags[name] = curve
    table, body, offset = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        padded = content + b"\0" * (-len(content) % 4)
        table += name + struct.pack(">II", offset + len(body), len(content))
        body += padded
    head = struct.pack(">I", offset + len(body)) + b"\0\0\0\0" + struct.pack(">I", 0x04000000) + b"mntrRGB XYZ "
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28 + fixed(*d50) + b"\0" * 48
    return head + struct.pack(">I", len(tags)) + table + body
