"""Small pictures and their files, for the tests of reading."""

import io
import struct
import zlib

import numpy as np
import pytest
from PIL import Image

from truelobe.messages import TruelobeError
from truelobe.photo import read_photo

RED, GREEN, AMBER = (200, 30, 30), (40, 120, 50), (230, 170, 30)


def scene(width=160, height=120):
    """A picture whose top-left quarter is red, so that its way up shows."""
    pixels = np.full((height, width, 3), GREEN, np.uint8)
    pixels[: height // 2, : width // 2] = RED
    return Image.fromarray(pixels)


def encoded(image, form="PNG", **options):
    buffer = io.BytesIO()
    image.save(buffer, form, **options)
    return buffer.getvalue()


def code_of(source, **options):
    with pytest.raises(TruelobeError) as caught:
        read_photo(source, **options)
    message = caught.value.message
    assert message.text
    assert message.what_to_do
    return message.code


def sixteen_bit_png(values, colour_type):
    """A PNG with 16 bits a sample, which Pillow reads but cannot write in colour (PNG specification, 11.2)."""

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    height, width = values.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in values)
    head = struct.pack(">IIBBBBB", width, height, 16, colour_type, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
