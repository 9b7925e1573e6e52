"""Read a photo safely: upright, with known colour primaries, and nothing else kept of it.

The file is read once, into memory; everything is taken from those bytes. Kept are the pixels, the colour profile's
matrix, the focal length (35 mm equivalent) and the camera's make and model. Place, time, names and thumbnails are
dropped here. Profiles with a matrix are kept as they are: their bytes are not squeezed into sRGB, which would clip
saturated peppers, but the matrix to linear sRGB travels along.
"""

from __future__ import annotations

import hashlib
import io
import stat
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageCms, UnidentifiedImageError

from truelobe import icc
from truelobe.messages import Message, TruelobeError

MAX_MEGAPIXELS = 60
MAX_FILE_MB = 150
MIN_SIDE_PX = 64

_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")
_READS = "JPEG, PNG, WebP, HEIC or AVIF"
# What the decoders raise on damaged files
_BROKEN: tuple[type[Exception], ...] = (OSError, SyntaxError, ValueError, IndexError, EOFError, OverflowError)
_BROKEN += (RuntimeError, struct.error, zlib.error)
_BOMBS = (Image.DecompressionBombError, Image.DecompressionBombWarning)

# Exif 2.32 tags
_MAKE, _MODEL, _ORIENTATION, _EXIF_BLOCK, _FOCAL_35MM = 0x010F, 0x0110, 0x0112, 0x8769, 0xA405
# What puts each orientation upright
_TURNS: dict[int, Callable[[NDArray[np.uint8]], Any]] = {
    2: lambda pixels: cv2.flip(pixels, 1),
    3: lambda pixels: cv2.rotate(pixels, cv2.ROTATE_180),
    4: lambda pixels: cv2.flip(pixels, 0),
    5: cv2.transpose,
    6: lambda pixels: cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE),
    7: lambda pixels: cv2.flip(cv2.transpose(pixels), -1),
    8: lambda pixels: cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
_STRIP_ROWS = 64  # about a megabyte of a phone photo: it stays in the processor's cache


@dataclass(frozen=True)
class Photo:
    """A photo, upright.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        RGB, encoded with the sRGB curve, in the primaries that `to_srgb` describes.
    to_srgb : ndarray of float64, shape (3, 3)
        From linear light in the photo's primaries to linear sRGB; the identity for sRGB.
    focal_35mm : float or None
        Focal length as the camera states it, 35 mm equivalent, mm.
    camera : str or None
        Make and model.
    sha256 : str
        Of the file.
    name : str
        For people to know it by.
    messages : tuple of Message
        Notes and flags.
    """

    pixels: NDArray[np.uint8]
    to_srgb: NDArray[np.float64]
    focal_35mm: float | None
    camera: str | None
    sha256: str
    name: str
    messages: tuple[Message, ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.pixels.shape[1], self.pixels.shape[0]


def read_photo(source: Path | bytes, *, name: str = "") -> Photo:
    """Read a photo.

    Parameters
    ----------
    source : Path or bytes
        A file, or what is in it.
    name : str, optional
        Name to show; the file's own without it.

    Raises
    ------
    TruelobeError
        ``photo-missing``, ``photo-not-a-file``, ``photo-not-opened``, ``photo-empty``, ``photo-file-too-large``,
        ``photo-not-an-image``, ``photo-too-large``, ``photo-too-small``, ``photo-damaged``.
    """
    content = source if isinstance(source, bytes) else _content(source)
    shown = name or (source.name if isinstance(source, Path) else "photo")
    if not content:
        raise TruelobeError("photo-empty", f"The file {shown} is empty.", "Copy or take the photo again.")
    if len(content) > MAX_FILE_MB * 10**6:
        raise TruelobeError(
            "photo-file-too-large",
            f"The file {shown} is larger than {MAX_FILE_MB} MB, which no phone photo is.",
            "Choose the photo as the phone saved it.",
        )
    image = _open(content, shown)
    _check_size(image, shown)
    exif = _exif(image)
    frames = _frames(image)
    decoded = _decode(image, shown)
    pixels: NDArray[Any] = _pixels(decoded.image)
    if exif.orientation in _TURNS:
        pixels = _TURNS[exif.orientation](pixels)
    if decoded.curve is not None:
        pixels = cv2.LUT(pixels, decoded.curve)
    return Photo(
        pixels=np.ascontiguousarray(pixels, dtype=np.uint8),
        to_srgb=decoded.to_srgb,
        focal_35mm=exif.focal_35mm,
        camera=exif.camera,
        sha256=hashlib.sha256(content).hexdigest(),
        name=shown,
        messages=decoded.messages + frames,
    )


def linear(pixels: NDArray[np.uint8], photo: Photo) -> NDArray[np.float32]:
    """Return some of a photo's pixels as linear sRGB, not clipped to 0..1.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (..., 3)
        From `photo.pixels`; a part of it, since a whole photo takes four times its memory.
    photo : Photo

    Returns
    -------
    ndarray of float32, shape (..., 3)
        The sRGB curve of IEC 61966-2-1 undone, then the photo's matrix.
    """
    flat = np.ascontiguousarray(pixels).reshape(-1, 1, 3)
    light = cv2.LUT(flat, icc.srgb_curve()) if len(flat) else np.zeros(flat.shape, np.float32)
    if len(flat) and not np.array_equal(photo.to_srgb, np.eye(3)):
        light = cv2.transform(light, photo.to_srgb.astype(np.float32))
    result: NDArray[np.float32] = np.asarray(light, dtype=np.float32).reshape(pixels.shape)
    return result


def _pixels(image: Image.Image) -> NDArray[np.uint8]:
    """Return the bytes of an RGB picture, shape (H, W, 3).

    Strip by strip: asked for a whole large picture at once, Pillow lays two more copies of it in fresh memory,
    which takes longer than decoding it.
    """
    width, height = image.size
    pixels: NDArray[np.uint8] = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        end = min(top + _STRIP_ROWS, height)
        pixels[top:end] = np.asarray(image.crop((0, top, width, end)))
    return pixels


@dataclass(frozen=True)
class _Exif:
    orientation: int = 1
    focal_35mm: float | None = None
    camera: str | None = None


@dataclass(frozen=True)
class _Decoded:
    image: Image.Image
    to_srgb: NDArray[np.float64] = field(default_factory=lambda: np.eye(3))
    curve: NDArray[np.uint8] | None = None  # bytes to bytes of the sRGB curve, (256, 1, 3)
    messages: tuple[Message, ...] = ()


def _content(path: Path) -> bytes:
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            what = "a folder" if stat.S_ISDIR(mode) else "not a file"
            raise TruelobeError("photo-not-a-file", f"{path.name or path} is {what}.", "Choose a photo.")
        with path.open("rb") as file:
            return file.read(MAX_FILE_MB * 10**6 + 1)
    except (FileNotFoundError, ValueError) as error:
        raise TruelobeError(
            "photo-missing", f"There is no file {path.name}.", "Check its name and folder."
        ) from error
    except OSError as error:
        raise TruelobeError(
            "photo-not-opened",
            f"The file {path.name} could not be read: {error.strerror}.",
            "Check that you may open it, or copy it to another folder.",
        ) from error


def _open(content: bytes, shown: str) -> Image.Image:
    _load_decoders()
    try:
        return Image.open(io.BytesIO(content), formats=_FORMATS)
    except _BOMBS as error:
        raise _too_large(shown) from error
    except UnidentifiedImageError as error:
        raise TruelobeError(
            "photo-not-an-image",
            f"The file {shown} is not a photo that can be read here.",
            f"Choose a {_READS} file as the phone or camera saved it.",
        ) from error
    except _BROKEN as error:
        raise _damaged(shown) from error


@lru_cache(maxsize=1)
def _load_decoders() -> None:
    Image.init()  # Pillow loads its rarer decoders only when asked
    pillow_heif.register_heif_opener()


def _check_size(image: Image.Image, shown: str) -> None:
    width, height = image.size
    if width * height > MAX_MEGAPIXELS * 10**6:
        raise _too_large(shown)
    if min(width, height) < MIN_SIDE_PX:
        raise TruelobeError(
            "photo-too-small",
            f"The picture {shown} is only {width} x {height} pixels: nothing can be measured in it.",
            "Choose the photo itself, not its preview.",
        )


def _too_large(shown: str) -> TruelobeError:
    return TruelobeError(
        "photo-too-large",
        f"The picture {shown} has more than {MAX_MEGAPIXELS} megapixels, more than this tool takes.",
        "Take the photo at 12 to 50 megapixels, or save it smaller.",
    )


def _damaged(shown: str) -> TruelobeError:
    return TruelobeError(
        "photo-damaged",
        f"The file {shown} is damaged or cut short: part of the picture is missing.",
        "Copy the photo again, or take it again.",
    )


def _frames(image: Image.Image) -> tuple[Message, ...]:
    # MPO: a JPEG file in which the phone adds a depth or gain map
    if image.format == "MPO" or getattr(image, "n_frames", 1) == 1:
        return ()
    return (
        Message(
            "photo-several-frames",
            "The file holds several pictures; the first was taken.",
            "Send one photo a file if another was meant.",
            "note",
        ),
    )


def _exif(image: Image.Image) -> _Exif:
    """Take orientation, focal length and camera; a broken block counts as none."""
    try:
        block = image.getexif()
        focal = block.get_ifd(_EXIF_BLOCK).get(_FOCAL_35MM)
        return _Exif(_orientation(block.get(_ORIENTATION)), _focal(focal), _camera(block))
    except _BROKEN:
        return _Exif()


def _orientation(value: object) -> int:
    return value if isinstance(value, int) and value in _TURNS else 1


def _focal(value: Any) -> float | None:
    try:
        focal = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return focal if 5 <= focal <= 1000 else None  # 0 stands for unknown (Exif 2.32)


def _camera(block: Image.Exif) -> str | None:
    make, model = (_plain(block.get(tag)) for tag in (_MAKE, _MODEL))
    words = model if model.casefold().startswith(make.casefold()) else f"{make} {model}"
    return words.strip() or None


def _plain(value: object) -> str:
    text = value.decode("ascii", "ignore") if isinstance(value, bytes) else str(value or "")
    return " ".join("".join(c if c.isprintable() else " " for c in text[:64]).split())


def _decode(image: Image.Image, shown: str) -> _Decoded:
    """Decode the first frame to RGB with its primaries known."""
    try:
        image.load()
        profile = image.info.get("icc_profile")
        if image.mode == "CMYK":
            return _from_cmyk(image, profile)
        image, messages = _to_rgb(image)
    except _BOMBS as error:
        raise _too_large(shown) from error
    except MemoryError as error:
        raise _too_large(shown) from error
    except _BROKEN as error:
        raise _damaged(shown) from error
    decoded = _Decoded(image) if not profile or messages[:1] == (_GREY,) else _with_profile(image, profile)
    return replace(decoded, messages=messages + decoded.messages)


_GREY = Message(
    "photo-greyscale",
    "This is a photo without color: sizes can be measured, color coverage cannot.",
    "Take a color photo to have color coverage measured.",
)
_CMYK = Message(
    "photo-cmyk",
    "The photo was saved for a printing press (CMYK) and had to be converted: its colors are doubtful.",
    "Use the photo as the camera saved it.",
)
_CLEAR = Message(
    "photo-transparent",
    "Parts of the picture are transparent; they were taken as white.",
    "Use the photo as the camera saved it.",
)
_CONVERTED = Message(
    "photo-profile-converted",
    "The photo's color profile had to be converted; very strong colors may have been cut.",
    "Use the photo as the camera saved it if it was edited.",
    "note",
)
_IGNORED = Message(
    "photo-profile-ignored",
    "The photo's color profile cannot be read; ordinary color (sRGB) was assumed.",
    "Nothing, as long as the card is in the picture: it corrects the color.",
    "note",
)


def _to_rgb(image: Image.Image) -> tuple[Image.Image, tuple[Message, ...]]:
    messages: tuple[Message, ...] = ()
    if image.mode.startswith(("I", "F")):  # 16-bit grey; 16-bit colour arrives as 8-bit RGB already
        values = np.clip(np.asarray(image, dtype=np.float64) / 257.0, 0, 255)
        image = Image.fromarray(np.rint(values).astype(np.uint8))
    if image.mode in ("RGBA", "LA", "PA", "RGBa", "La") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        if np.asarray(rgba.getchannel("A")).min() < 255:
            messages = (_CLEAR,)
        white = Image.new("RGBA", rgba.size, "white")
        grey = image.mode in ("L", "LA", "La")
        image = Image.alpha_composite(white, rgba).convert("L" if grey else "RGB")
    if image.mode in ("1", "L"):
        messages = (_GREY, *messages)
    return (image if image.mode == "RGB" else image.convert("RGB")), messages


def _from_cmyk(image: Image.Image, profile: bytes | None) -> _Decoded:
    if profile:
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            if source.profile.xcolor_space.strip() == "CMYK":
                return _Decoded(icc.converted(image, source), messages=(_CMYK,))
        except (OSError, ImageCms.PyCMSError):
            pass  # the plain conversion below serves; the flag says that colours are doubtful
    return _Decoded(image.convert("RGB"), messages=(_CMYK,))


def _with_profile(image: Image.Image, profile: bytes) -> _Decoded:
    """Keep the bytes of a matrix profile and say what they mean; convert any other profile."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if source.profile.xcolor_space.strip() != "RGB":
            return _Decoded(image, messages=(_IGNORED,))
        primaries = icc.matrix(source)
        light = icc.curves(profile)
        if primaries is None or light is None:
            return _Decoded(icc.converted(image, source), messages=(_CONVERTED,))
    except (OSError, ValueError, struct.error, ImageCms.PyCMSError):
        return _Decoded(image, messages=(_IGNORED,))
    srgb = icc.srgb_curve().astype(float)
    # closer than half an 8-bit step in the lights, it is sRGB's curve written otherwise (plain 2.2: 0.0036)
    same_curve = np.abs(light - srgb[:, None]).max() < 0.002
    return _Decoded(image, primaries, None if same_curve else icc.byte_curve(light))
