"""What a photo's bytes stand for: profiles, primaries, light, greys, inks and palettes."""

import struct

import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_files import AMBER, GREEN, RED, encoded, scene, sixteen_bit_png
from PIL import Image, ImageCms

from truelobe.photo import linear, read_photo

pytestmark = pytest.mark.opencv


def s15(value):
    return struct.pack(">i", round(value * 65536))


def icc_profile(space, curve, extra=None):
    """A display profile with a matrix (ICC.1:2010), made from a colour space of the reference library."""
    d50 = np.array([0.9642, 1.0, 0.8249])
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), d50, transform="Bradford"
    )
    columns = (adapt @ space.matrix_RGB_to_XYZ).T
    tags = {
        b"wtpt": b"XYZ \0\0\0\0" + b"".join(map(s15, d50)),
        b"cprt": b"text\0\0\0\0none\0",
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78),
    }
    for name, column in zip((b"r", b"g", b"b"), columns, strict=True):
        tags[name + b"XYZ"] = b"XYZ \0\0\0\0" + b"".join(map(s15, column))
        tags[name + b"TRC"] = curve
    return icc_file(b"mntr", b"XYZ ", tags)


def icc_file(kind, connection, tags):
    start = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, content in tags.items():
        content += bytes(-len(content) % 4)
        table += name + struct.pack(">II", start + len(body), len(content))
        body += content
    head = bytearray(128)
    struct.pack_into(">I", head, 0, start + len(body))
    head[8:12] = b"\x02\x40\0\0"
    head[12:16], head[16:20], head[20:24], head[36:40] = kind, b"RGB ", connection, b"acsp"
    head[68:80] = s15(0.9642) + s15(1.0) + s15(0.8249)
    return bytes(head) + table + body


SRGB_CURVE = b"para\0\0\0\0\0\3\0\0" + b"".join(map(s15, (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
P3 = colour.RGB_COLOURSPACES["Display P3"]
ADOBE = colour.RGB_COLOURSPACES["Adobe RGB (1998)"]


def test_display_p3_keeps_its_bytes_and_says_its_primaries():
    photo = read_photo(encoded(scene(), icc_profile=icc_profile(P3, SRGB_CURVE)))
    assert tuple(photo.pixels[0, 0]) == RED
    # Display P3 (SMPTE EG 432-1 primaries, D65) to sRGB in linear light, from the reference library
    expected = colour.matrix_RGB_to_RGB(P3, colour.RGB_COLOURSPACES["sRGB"])
    # the library's sRGB uses matrices rounded to 4 digits, a profile has 1/65536 steps
    assert np.abs(photo.to_srgb - expected).max() < 0.002
    assert np.abs(photo.to_srgb.sum(axis=1) - 1).max() < 0.001  # white stays white


@pytest.mark.parametrize("byte", [RED, GREEN, AMBER])
def test_display_p3_reads_in_linear_srgb_unclipped(byte):
    image = Image.new("RGB", (80, 80), byte)
    photo = read_photo(encoded(image, icc_profile=icc_profile(P3, SRGB_CURVE)))
    light = linear(photo.pixels[:2, :2], photo)
    expected = colour.RGB_to_RGB(
        np.array(byte) / 255, P3, colour.RGB_COLOURSPACES["sRGB"], apply_cctf_decoding=True
    )
    assert light.dtype == np.float32
    assert np.abs(light - expected).max() < 0.002
    assert light.min() < 0 or byte == AMBER


def test_a_gamma_profile_is_carried_over_to_the_srgb_curve():
    gamma = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(563 / 256 * 256)) + b"\0\0"  # Adobe RGB (1998): 563/256
    photo = read_photo(encoded(Image.new("RGB", (80, 80), GREEN), icc_profile=icc_profile(ADOBE, gamma)))
    expected = colour.RGB_to_RGB(
        np.array(GREEN) / 255, ADOBE, colour.RGB_COLOURSPACES["sRGB"], apply_cctf_decoding=True
    )
    # bytes are rounded once more: half a step, 0.002 in the lights, 0.003 through the matrix
    assert np.abs(linear(photo.pixels[0, 0], photo) - expected).max() < 0.004


def test_srgb_profile_is_no_matter():
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = read_photo(encoded(scene(), icc_profile=icc))
    assert np.array_equal(photo.to_srgb, np.eye(3))
    assert tuple(photo.pixels[0, 0]) == RED
    assert photo.messages == ()


def table_profile():
    """A profile without a matrix: an 8-bit table of 2 x 2 x 2 colours to Lab (ICC.1:2010, 10.9)."""
    corners = [(r, g, b) for r in (0, 1) for g in (0, 1) for b in (0, 1)]
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    lab = [
        colour.XYZ_to_Lab(
            colour.chromatic_adaptation(
                colour.sRGB_to_XYZ(corner), colour.xy_to_XYZ(d65), colour.xy_to_XYZ(d50), transform="Bradford"
            ),
            d50,
        )
        for corner in corners
    ]
    table = b"".join(
        bytes(np.rint([v[0] * 2.55, v[1] + 128, v[2] + 128]).clip(0, 255).astype(int).tolist()) for v in lab
    )
    ramp = bytes(range(256)) * 3
    unity = b"".join(map(s15, np.eye(3).ravel()))
    tag = b"mft1\0\0\0\0" + bytes([3, 3, 2, 0]) + unity + ramp + table + ramp
    tags = {
        b"A2B0": tag,
        b"wtpt": b"XYZ \0\0\0\0" + b"".join(map(s15, (0.9642, 1, 0.8249))),
        b"cprt": b"text\0\0\0\0none\0",
        b"desc": b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78),
    }
    return icc_file(b"scnr", b"Lab ", tags)


def test_profile_without_a_matrix_is_converted_and_told():
    image = Image.new("RGB", (80, 80), (255, 255, 255))
    image.paste((255, 0, 0), (0, 0, 80, 40))
    photo = read_photo(encoded(image, icc_profile=table_profile()))
    assert [message.code for message in photo.messages] == ["photo-profile-converted"]
    # Lab in 8 bits: about one unit, so a few levels
    assert np.abs(photo.pixels[70, 0].astype(int) - 255).max() <= 4
    assert np.abs(photo.pixels[0, 0].astype(int) - (255, 0, 0)).max() <= 12


@given(st.binary(max_size=300), st.integers(0, 500))
@settings(max_examples=60, deadline=None)
def test_a_broken_profile_never_stops_a_photo(noise, cut):
    profile = icc_profile(P3, SRGB_CURVE)
    broken = profile[:cut] + noise + profile[cut + len(noise) :]
    photo = read_photo(encoded(Image.new("RGB", (64, 64), RED), icc_profile=broken))
    assert np.isfinite(linear(photo.pixels[:1, :1], photo)).all()


def test_bytes_to_light_are_the_published_ones():
    # IEC 61966-2-1, computed from its formula
    table = {
        0: 0,
        1: 0.00030353,
        10: 0.00303527,
        11: 0.00334654,
        118: 0.18116424,
        128: 0.21586050,
        200: 0.57758044,
    }
    photo = read_photo(encoded(scene()))
    for byte, light in {**table, 254: 0.99110210, 255: 1.0}.items():
        got = linear(np.full((1, 3), byte, np.uint8), photo)
        assert np.abs(got - light).max() < 5e-8 + 1e-7 * light


def test_linear_takes_any_shape():
    photo = read_photo(encoded(scene(), icc_profile=icc_profile(P3, SRGB_CURVE)))
    for shape in [(3,), (0, 3), (5, 3), (2, 4, 3)]:
        assert linear(np.full(shape, 7, np.uint8), photo).shape == shape


@pytest.mark.parametrize("mode", ["L", "1", "LA"])
def test_greyscale_is_read_and_flagged(mode):
    photo = read_photo(encoded(scene().convert("L").convert(mode)))
    assert [message.code for message in photo.messages] == ["photo-greyscale"]
    assert photo.pixels.shape == (120, 160, 3)


def test_cmyk_is_converted_and_flagged():
    photo = read_photo(encoded(scene().convert("CMYK"), "JPEG", quality=95))
    assert [message.code for message in photo.messages] == ["photo-cmyk"]
    assert np.abs(photo.pixels[20, 20].astype(int) - RED).max() < 12


def test_palette_and_transparency():
    palette = read_photo(encoded(scene().convert("P", palette=Image.Palette.ADAPTIVE)))
    assert np.abs(palette.pixels[0, 0].astype(int) - RED).max() < 4
    clear = scene().convert("RGBA")
    clear.putalpha(Image.new("L", clear.size, 0))
    photo = read_photo(encoded(clear))
    assert tuple(photo.pixels[0, 0]) == (255, 255, 255)
    assert [message.code for message in photo.messages] == ["photo-transparent"]


def test_sixteen_bit_png():
    wide = np.full((80, 90, 3), (200 * 257, 30 * 257, 128 * 257))
    assert tuple(read_photo(sixteen_bit_png(wide, 2)).pixels[0, 0]) == (200, 30, 128)
    grey = read_photo(sixteen_bit_png(np.full((80, 90), 128 * 257), 0))
    assert tuple(grey.pixels[0, 0]) == (128, 128, 128)
    assert [message.code for message in grey.messages] == ["photo-greyscale"]
