"""Files made to harm whoever reads them: damaged photos of every format, lies about size, bombs, odd kinds.

Everything follows from a seed. A maker takes a random generator and returns a file's name and bytes.
"""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib
from collections.abc import Callable
from functools import cache

import numpy as np
import pillow_heif
from PIL import Image, ImageDraw

from truelobe.card import card_png

Random = np.random.Generator
Maker = Callable[[Random], tuple[str, bytes]]

pillow_heif.register_heif_opener()

_SAVED_AS = {
    "jpg": ("JPEG", {"quality": 85}),
    "png": ("PNG", {}),
    "webp": ("WEBP", {"quality": 80}),
    "heic": ("HEIF", {"quality": 60}),
    "avif": ("AVIF", {"quality": 60, "speed": 9}),
    "tif": ("TIFF", {"compression": "tiff_lzw"}),
    "gif": ("GIF", {}),
    "bmp": ("BMP", {}),
}


def plate(rng: Random, width: int = 640, height: int = 480) -> Image.Image:
    """Draw something like a plate of peppers, half of them beside the real card, so that reading goes deep."""
    with_card = width >= 640 and rng.random() < 0.5
    if with_card:
        width, height = 2 * width, 2 * height
    picture = Image.new("RGB", (width, height), tuple(int(v) for v in rng.integers(90, 200, 3)))
    pen = ImageDraw.Draw(picture)
    pen.ellipse((width // 6, height // 20, width - width // 6, height - height // 20), fill=(236, 236, 230))
    for _ in range(4):
        x, y, r = rng.integers(width // 3, 2 * width // 3), rng.integers(height // 4, 3 * height // 4), width // 12
        paint = ((180, 30, 25), (40, 110, 40), (230, 180, 30))[rng.integers(3)]
        pen.ellipse((x - r, y - r, x + r, y + r), fill=paint)
    if with_card:
        picture.paste(_card(), (20, 20))
    return picture


@cache
def _card() -> Image.Image:
    return Image.open(io.BytesIO(card_png(72).png)).convert("RGB")


@cache
def _packed_zeros(megabytes: int) -> bytes:
    packer = zlib.compressobj(9)
    return b"".join(packer.compress(bytes(1 << 20)) for _ in range(megabytes)) + packer.flush()


def saved(picture: Image.Image, ending: str, **more: object) -> bytes:
    """Return a picture as a file of that ending."""
    kind, options = _SAVED_AS[ending]
    written = io.BytesIO()
    picture.save(written, kind, **{**options, **more})
    return written.getvalue()


def _good(rng: Random) -> tuple[str, bytearray]:
    ending = str(rng.choice(list(_SAVED_AS)))
    return ending, bytearray(saved(plate(rng), ending))


def random_bytes(rng: Random) -> tuple[str, bytes]:
    """Noise, sometimes behind the first bytes of a real format."""
    ending, good = _good(rng)
    head = bytes(good[: rng.integers(0, 40)]) if rng.random() < 0.6 else b""
    return f"noise.{ending}", head + rng.bytes(int(rng.integers(0, 200_000)))


def cut_off(rng: Random) -> tuple[str, bytes]:
    """A photo that ends too early, down to nothing at all."""
    ending, good = _good(rng)
    return f"cut.{ending}", bytes(good[: int(len(good) * rng.random() ** 2)])


def flipped(rng: Random) -> tuple[str, bytes]:
    """A photo with a few bytes changed, mostly near its head."""
    ending, good = _good(rng)
    reach = len(good) if rng.random() < 0.5 else min(len(good), 2048)
    for place in rng.integers(0, reach, int(rng.integers(1, 80))):
        good[int(place)] = int(rng.integers(256))
    return f"flipped.{ending}", bytes(good)


def shuffled(rng: Random) -> tuple[str, bytes]:
    """A photo with pieces doubled, dropped or swapped."""
    ending, good = _good(rng)
    a, b, c = sorted(int(v) for v in rng.integers(0, len(good), 3))
    pieces = [good[:a], good[a:b], good[b:c], good[c:]]
    order = rng.choice(4, int(rng.integers(2, 7)))
    return f"shuffled.{ending}", b"".join(bytes(pieces[int(i)]) for i in order)


def spliced(rng: Random) -> tuple[str, bytes]:
    """The head of one photo with the body of another format, under a third one's name."""
    (_, one), (_, other) = _good(rng), _good(rng)
    ending = str(rng.choice(list(_SAVED_AS)))
    return f"spliced.{ending}", bytes(one[: int(rng.integers(8, 400))]) + bytes(other[int(rng.integers(0, 200)) :])


def _png(width: int, height: int, chunks: list[tuple[bytes, bytes]], kind: int = 2, depth: int = 8) -> bytes:
    """Build a PNG with right check sums (ISO/IEC 15948), so that only its content lies."""
    header = struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, 0)
    parts = [b"\x89PNG\r\n\x1a\n"]
    for name, body in [(b"IHDR", header), *chunks, (b"IEND", b"")]:
        parts.append(struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body)))
    return b"".join(parts)


def absurd_png_size(rng: Random) -> tuple[str, bytes]:
    """A PNG that says it is up to two milliard pixels wide."""
    width, height = (int(2 ** rng.uniform(0, 31)) for _ in range(2))
    return "huge.png", _png(width, height, [(b"IDAT", zlib.compress(bytes(4096)))])


def absurd_jpeg_size(rng: Random) -> tuple[str, bytes]:
    """A JPEG whose frame header claims another size, up to 65535 each way."""
    good = bytearray(saved(plate(rng), "jpg"))
    start = good.find(b"\xff\xc0")
    good[start + 5 : start + 9] = struct.pack(">HH", *(int(v) for v in rng.integers(0, 65536, 2)))
    return "huge.jpg", bytes(good)


def pixel_bomb(rng: Random) -> tuple[str, bytes]:
    """A few kilobytes that unpack to hundreds of megapixels of nothing."""
    side = int(rng.integers(9_000, 30_000))
    return "bomb.png", _png(side, side, [(b"IDAT", _packed_zeros(110))], kind=0, depth=1)


def chunk_bomb(rng: Random) -> tuple[str, bytes]:
    """A good PNG with a text or colour profile that unpacks to 200 MB."""
    body = _packed_zeros(200)
    name = (b"zTXt", b"iCCP", b"iTXt")[rng.integers(3)]
    head = b"x\x00\x01\x00\x00\x00" if name == b"iTXt" else b"x\x00\x00"
    rows = zlib.compress(bytes((1 + 3 * 200) * 150))
    return "chunks.png", _png(200, 150, [(name, head + body), (b"IDAT", rows)])


@cache
def _gzipped_zeros() -> bytes:
    return gzip.compress(bytes(32 << 20), 9)


def packed_bomb(rng: Random) -> tuple[str, bytes]:
    """An archive that unpacks to a gigabyte, called a photo."""
    if rng.random() < 0.5:
        zeros = _gzipped_zeros()
        return "packed.jpg", zeros * int(rng.integers(1, 32))
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(8):
            archive.writestr(f"{number}.jpg", bytes(16 << 20))
    return "packed.heic", written.getvalue()


def absurd_tags(rng: Random) -> tuple[str, bytes]:
    """A JPEG whose EXIF says impossible things."""
    exif = Image.Exif()
    exif[0x0112] = int(rng.choice([0, 9, 255, 65535]))
    exif[0x010F] = "A" * int(rng.integers(0, 20_000))
    block = exif.get_ifd(0x8769)
    block[0xA405] = int(rng.choice([0, 1, 65535]))
    block[0x920A] = (0.0, 1e9)[rng.integers(2)]
    written = bytearray(exif.tobytes())
    for place in rng.integers(6, len(written), int(rng.integers(0, 12))):
        written[int(place)] = int(rng.integers(256))
    return "tags.jpg", saved(plate(rng), "jpg", exif=bytes(written[:65_000]))


def broken_profile(rng: Random) -> tuple[str, bytes]:
    """A photo with a colour profile of noise."""
    profile = bytearray(rng.bytes(int(rng.integers(0, 4000))))
    if len(profile) > 132:
        profile[0:4], profile[36:40] = struct.pack(">I", len(profile)), b"acsp"
        profile[128:132] = struct.pack(">I", int(rng.choice([0, 1, 9, 2**31])))
    ending = str(rng.choice(["jpg", "png", "webp"]))
    return f"profile.{ending}", saved(plate(rng), ending, icc_profile=bytes(profile))


def odd_kind(rng: Random) -> tuple[str, bytes]:
    """A sound picture of a kind or shape that phones don't make."""
    base = plate(rng)
    odd = [
        (base.convert("CMYK"), "jpg"),
        (base.convert("L"), "jpg"),
        (base.convert("P"), "png"),
        (base.convert("LA"), "png"),
        (base.convert("1"), "png"),
        (base.convert("RGBA"), "webp"),
        (Image.fromarray(np.asarray(base.convert("L")).astype(np.uint16) * 257), "png"),
        (base.resize((1, 1)), "png"),
        (base.resize((1, 9000)), "png"),
        (base.resize((9000, 1)), "jpg"),
    ]
    picture, ending = odd[rng.integers(len(odd))]
    return f"odd.{ending}", saved(picture, ending)


def many_frames(rng: Random) -> tuple[str, bytes]:
    """An animation of many frames."""
    frames = [plate(rng, 160, 120) for _ in range(12)] * int(rng.integers(1, 8))
    ending = str(rng.choice(["webp", "png", "gif"]))
    return f"frames.{ending}", saved(frames[0], ending, save_all=True, append_images=frames[1:])


def not_a_picture(rng: Random) -> tuple[str, bytes]:
    """Text, markup or a program under a photo's name."""
    kinds = [
        b"<svg xmlns='http://www.w3.org/2000/svg' width='1e9' height='1e9'/>",
        b"%PDF-1.7\n" + rng.bytes(400),
        b"<html><script>alert(1)</script></html>",
        b"\x7fELF" + rng.bytes(2000),
        "größe,1\n".encode("utf-16") * 50,
        b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 99999 99999\n",
    ]
    return f"wrong.{rng.choice(list(_SAVED_AS))}", kinds[rng.integers(len(kinds))]


MAKERS: tuple[Maker, ...] = (
    random_bytes,
    cut_off,
    flipped,
    shuffled,
    spliced,
    absurd_png_size,
    absurd_jpeg_size,
    pixel_bomb,
    chunk_bomb,
    packed_bomb,
    absurd_tags,
    broken_profile,
    odd_kind,
    many_frames,
    not_a_picture,
)
