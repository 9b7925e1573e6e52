"""A photo made ready to be kept: upright, cut to plate and card, stripped of what measuring does not need.

What stays: the pixels, the color profile, the 35 mm focal length, make and model. Place, time, owner, serial
numbers and embedded previews go. The cut starts on JPEG's 16 pixel grid and is written with the photo's own
quantization tables, so that writing it again costs next to nothing; `whole_again` puts it back where it lay.
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from typing import Any

import pillow_heif
from PIL import ExifTags, Image, ImageOps, JpegImagePlugin

from truelobe.messages import TruelobeError
from truelobe.photo import MAX_MEGAPIXELS
from truelobe.store.shelf import sha256_of

MAX_PIXELS = MAX_MEGAPIXELS * 1_000_000
THUMBNAIL_SIDE = 512
GRID = 16
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")
_BROKEN = (
    OSError,
    ValueError,
    SyntaxError,
    EOFError,
    IndexError,
    RuntimeError,
    OverflowError,
    struct.error,
    zlib.error,
)
_BOMBS = (Image.DecompressionBombError, Image.DecompressionBombWarning)
_TYPES = {"JPEG": "image/jpeg", "PNG": "image/png"}
Box = tuple[int, int, int, int]


@dataclass(frozen=True)
class PreparedPhoto:
    """Bytes ready for the shelf, and what they are. See `truelobe.store.Photo` for the fields' meaning."""

    data: bytes
    thumbnail: bytes
    media_type: str
    original_sha256: str
    width_px: int
    height_px: int
    original_width_px: int
    original_height_px: int
    crop_x: int
    crop_y: int
    focal_35mm: float | None
    camera: str | None
    name: str


def prepare_photo(source: bytes, crop: Box | None = None, *, name: str = "") -> PreparedPhoto:
    """Make a photo ready to be kept. Decodes it: call it where decoding is bounded.

    Parameters
    ----------
    source : bytes
        The file as it was handed in.
    crop : (x0, y0, x1, y1) of int, optional
        What to keep, in upright pixels, x1 and y1 exclusive; widened to the 16 pixel grid. None keeps the whole.
    name : str
        As the coach knows the file.

    Raises
    ------
    TruelobeError
        ``photo-unreadable``, ``photo-too-large`` or ``crop-outside``.
    """
    image = _open(source)
    focal, camera = _camera(image)
    tables, sampling = _jpeg_habits(image)
    profile = image.info.get("icc_profile")
    png = image.format == "PNG"
    upright = _three_channels(_decoded(image))
    box = _on_grid(crop, upright.size) if crop else (0, 0, *upright.size)
    part = upright.crop(box) if crop else upright
    zoom = max(upright.size) / max(part.size)
    exif = _exif(focal * zoom if focal else None, camera)
    data = _png(part, exif, profile) if png else _jpeg(part, exif, profile, tables, sampling)
    return PreparedPhoto(
        data=data,
        thumbnail=_thumbnail(part, profile),
        media_type=_TYPES["PNG" if png else "JPEG"],
        original_sha256=sha256_of(source),
        width_px=part.width,
        height_px=part.height,
        original_width_px=upright.width,
        original_height_px=upright.height,
        crop_x=box[0],
        crop_y=box[1],
        focal_35mm=focal,
        camera=camera,
        name=name,
    )


def whole_again(data: bytes, size: tuple[int, int], corner: tuple[int, int], focal_35mm: float | None) -> bytes:
    """Put a kept part back where it lay on a gray picture of the original's size, so that it measures as before.

    Parameters
    ----------
    data : bytes
        The kept file.
    size : (width, height)
        Of the original, upright.
    corner : (x, y)
        Where the part's upper left pixel lay.
    focal_35mm : float or None
        Of the original.
    """
    image = _open(data)
    tables, sampling = _jpeg_habits(image)
    profile, png = image.info.get("icc_profile"), image.format == "PNG"
    canvas = Image.new("RGB", size, (128, 128, 128))
    canvas.paste(_three_channels(_decoded(image)), corner)
    exif = _exif(focal_35mm, _camera(image)[1])
    return _png(canvas, exif, profile) if png else _jpeg(canvas, exif, profile, tables, sampling)


def _open(source: bytes) -> Image.Image:
    pillow_heif.register_heif_opener()
    too_large = TruelobeError(
        "photo-too-large",
        f"The photo has more than {MAX_MEGAPIXELS} million pixels.",
        "Take it with a lower resolution.",
    )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            image = Image.open(io.BytesIO(source), formats=_FORMATS)
    except _BOMBS as error:
        raise too_large from error
    except _BROKEN as error:
        raise _unreadable() from error
    if image.width * image.height > MAX_PIXELS:
        raise too_large
    return image


def _unreadable() -> TruelobeError:
    return TruelobeError(
        "photo-unreadable",
        "This file can't be read as a photo.",
        "Choose a JPEG, PNG or HEIC photo from the camera.",
    )


def _decoded(image: Image.Image) -> Image.Image:
    try:
        image.load()
        return ImageOps.exif_transpose(image)
    except _BROKEN as error:
        raise _unreadable() from error


def _three_channels(image: Image.Image) -> Image.Image:
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        paper = Image.new("RGBA", image.size, "white")
        return Image.alpha_composite(paper, image.convert("RGBA")).convert("RGB")
    return image if image.mode == "RGB" else image.convert("RGB")


def _camera(image: Image.Image) -> tuple[float | None, str | None]:
    exif = image.getexif()
    focal = _positive(exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm))
    names = [exif.get(tag) for tag in (ExifTags.Base.Make, ExifTags.Base.Model)]
    said = " ".join(str(name).replace("\0", "").strip() for name in names if name)
    return focal, said[:200] or None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 1 <= number <= 2000 else None


def _exif(focal_35mm: float | None, camera: str | None) -> bytes:
    exif = Image.Exif()
    if camera:
        exif[ExifTags.Base.Model] = camera
    if focal_35mm:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = round(focal_35mm)
    return exif.tobytes()


def _jpeg_habits(image: Image.Image) -> tuple[Any, int]:
    """Quantization tables and chroma sampling of a JPEG; good ones where the photo is none."""
    if not isinstance(image, JpegImagePlugin.JpegImageFile) or image.mode != "RGB":
        return None, 0
    sampling = JpegImagePlugin.get_sampling(image)
    return image.quantization, sampling if sampling in (0, 1, 2) else 0


def _jpeg(image: Image.Image, exif: bytes, profile: bytes | None, tables: Any, sampling: int) -> bytes:
    buffer = io.BytesIO()
    habits: dict[str, Any] = {"qtables": tables} if tables else {"quality": 95}
    image.save(buffer, "JPEG", exif=exif, icc_profile=profile, subsampling=sampling, **habits)
    return buffer.getvalue()


def _png(image: Image.Image, exif: bytes, profile: bytes | None) -> bytes:
    buffer = io.BytesIO()
    image.info = {}
    image.save(buffer, "PNG", exif=exif, icc_profile=profile, compress_level=3)
    return buffer.getvalue()


def _thumbnail(image: Image.Image, profile: bytes | None) -> bytes:
    small = image.copy()
    small.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE), Image.Resampling.LANCZOS, reducing_gap=3)
    buffer = io.BytesIO()
    small.save(buffer, "WEBP", quality=82, icc_profile=profile or b"", exif=b"")
    return buffer.getvalue()


def _on_grid(crop: Box, size: tuple[int, int]) -> Box:
    x0, y0, x1, y1 = (max(0, crop[0]), max(0, crop[1]), min(size[0], crop[2]), min(size[1], crop[3]))
    if x1 <= x0 or y1 <= y0:
        raise TruelobeError(
            "crop-outside", "The part to keep lies outside the picture.", "Mark it again, or keep the whole photo."
        )
    return x0 // GRID * GRID, y0 // GRID * GRID, x1, y1
