"""Photos as phones make them, and files that are not photos."""

import contextlib
import io
import os
import struct
import tracemalloc
import zlib

import colour
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from truelobe.messages import TruelobeError
from truelobe.photo import linear, read_photo

pytestmark = pytest.mark.opencv

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


# ---------------------------------------------------------------- forms


@pytest.mark.parametrize(
    ("form", "options"),
    [
        ("JPEG", {"quality": 95, "subsampling": 0}),
        ("PNG", {}),
        ("WEBP", {"quality": 95}),
        ("AVIF", {"quality": 95}),
        ("HEIF", {"quality": 95}),
    ],
)
def test_every_form_a_phone_saves_is_read(form, options):
    pillow_heif.register_heif_opener()
    photo = read_photo(encoded(scene(), form, **options))
    assert photo.pixels.shape == (120, 160, 3)
    assert photo.pixels.dtype == np.uint8
    # lossy codecs: a few levels in flat areas, chroma at half resolution away from the edge
    assert np.abs(photo.pixels[20, 20].astype(int) - RED).max() <= 8
    assert np.abs(photo.pixels[100, 140].astype(int) - GREEN).max() <= 8
    assert photo.messages == ()
    assert np.array_equal(photo.to_srgb, np.eye(3))


def test_several_pictures_in_a_jpeg_are_one_photo():
    buffer = io.BytesIO()
    scene().save(buffer, "MPO", save_all=True, append_images=[scene(80, 60)])
    photo = read_photo(buffer.getvalue())
    assert photo.size_px == (160, 120)
    assert photo.messages == ()


def test_first_frame_of_an_animation_is_taken_and_told():
    frames = encoded(scene(), "WEBP", save_all=True, append_images=[Image.new("RGB", (160, 120))], lossless=True)
    photo = read_photo(frames)
    assert tuple(photo.pixels[0, 0]) == RED
    assert [message.code for message in photo.messages] == ["photo-several-frames"]
    assert photo.messages[0].severity == "note"


# ---------------------------------------------------------------- metadata


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_photo_stands_upright(orientation, form):
    # Exif 2.32, 4.6.4: where row 0 and column 0 of the stored picture lie in the scene
    stored = np.asarray(scene())
    undo = {
        1: lambda p: p,
        2: lambda p: p[:, ::-1],
        3: lambda p: p[::-1, ::-1],
        4: lambda p: p[::-1],
        5: lambda p: p.transpose(1, 0, 2),
        6: lambda p: np.rot90(p),  # row 0 is the right side: turned back a quarter to the left
        7: lambda p: p[::-1, ::-1].transpose(1, 0, 2),
        8: lambda p: np.rot90(p, -1),
    }[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    image = Image.fromarray(np.ascontiguousarray(undo(stored)))
    options = {"JPEG": {"quality": 95, "subsampling": 0}, "WEBP": {"lossless": True}}.get(form, {})
    photo = read_photo(encoded(image, form, exif=exif.tobytes(), **options))
    assert photo.pixels.shape == stored.shape
    assert np.abs(photo.pixels.astype(int) - stored).max() <= (30 if form == "JPEG" else 0)


def exif_of_a_phone():
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Maker\0", "  Phone 7\x07 "
    exif[0x013B] = "somebody"
    block = exif.get_ifd(0x8769)
    block[0xA405] = 26
    block[0x9003] = "2026:05:14 10:00:00"
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 1.0, 2.0)})
    return exif.tobytes()


def test_focal_length_and_camera_are_kept_and_nothing_else():
    photo = read_photo(encoded(scene(), "JPEG", exif=exif_of_a_phone()), name="plate.jpg")
    assert photo.focal_35mm == 26.0
    assert photo.camera == "Maker Phone 7"
    assert set(vars(photo)) == {"pixels", "to_srgb", "focal_35mm", "camera", "sha256", "name", "messages"}
    assert "somebody" not in repr(photo)
    assert "2026" not in repr(photo)


def test_heif_keeps_the_focal_length():
    pillow_heif.register_heif_opener()
    photo = read_photo(encoded(scene(), "HEIF", exif=exif_of_a_phone()))
    assert photo.focal_35mm == 26.0


def test_photo_without_exif_has_no_focal_length():
    photo = read_photo(encoded(scene(), "JPEG"))
    assert photo.focal_35mm is None
    assert photo.camera is None


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data:UserWarning")
@given(st.binary(max_size=200))
@settings(max_examples=30, deadline=None)
def test_broken_exif_counts_as_none(noise):
    photo = read_photo(encoded(scene(64, 64), "JPEG", exif=b"Exif\0\0II*\0\x08\0\0\0" + noise))
    assert min(photo.size_px) == 64


def test_sha256_is_the_files():
    # FIPS 180-4 through the standard library, over the very bytes
    import hashlib

    content = encoded(scene())
    assert read_photo(content).sha256 == hashlib.sha256(content).hexdigest()


# ---------------------------------------------------------------- colour


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


def sixteen_bit_png(values, colour_type):
    """A PNG with 16 bits a sample, which Pillow reads but cannot write in colour (PNG specification, 11.2)."""

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    height, width = values.shape[:2]
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in values)
    head = struct.pack(">IIBBBBB", width, height, 16, colour_type, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def test_sixteen_bit_png():
    wide = np.full((80, 90, 3), (200 * 257, 30 * 257, 128 * 257))
    assert tuple(read_photo(sixteen_bit_png(wide, 2)).pixels[0, 0]) == (200, 30, 128)
    grey = read_photo(sixteen_bit_png(np.full((80, 90), 128 * 257), 0))
    assert tuple(grey.pixels[0, 0]) == (128, 128, 128)
    assert [message.code for message in grey.messages] == ["photo-greyscale"]


# ---------------------------------------------------------------- what is not a photo


def test_file_missing_folder_and_special_file(tmp_path):
    assert code_of(tmp_path / "none.jpg") == "photo-missing"
    assert code_of(tmp_path) == "photo-not-a-file"
    os.mkfifo(tmp_path / "pipe")
    assert code_of(tmp_path / "pipe") == "photo-not-a-file"


def test_zero_bytes(tmp_path):
    (tmp_path / "a.jpg").touch()
    assert code_of(tmp_path / "a.jpg") == "photo-empty"
    assert code_of(b"") == "photo-empty"


@pytest.mark.parametrize("content", [b"\0" * 100, b"%PDF-1.7\n", b"<svg/>", b"GIF89a" + bytes(30), b"hello"])
def test_not_an_image(content):
    assert code_of(content) == "photo-not-an-image"


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF", "AVIF"])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.9])
def test_cut_short_is_refused(form, share):
    rng = np.random.default_rng(3)
    image = Image.fromarray(rng.integers(0, 256, (200, 200, 3), dtype=np.uint8))
    content = encoded(image, form)
    assert code_of(content[: int(share * len(content))]) in ("photo-damaged", "photo-not-an-image")


@given(
    st.integers(0, 2000),
    st.binary(min_size=1, max_size=40),
    st.sampled_from(["JPEG", "PNG", "WEBP", "AVIF", "HEIF"]),
)
@settings(max_examples=80, deadline=None)
def test_scrambled_files_end_in_a_message_or_a_photo(at, noise, form):
    content = encoded(scene(64, 64), form)
    with contextlib.suppress(TruelobeError):  # any other error fails the test
        assert read_photo(content[:at] + noise + content[at + len(noise) :]).pixels.ndim == 3


def png_header_only(width, height):
    whole = sixteen_bit_png(np.zeros((1, 1, 3)), 2)
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return whole[:12] + body + struct.pack(">I", zlib.crc32(body)) + whole[33:]


@pytest.mark.filterwarnings("ignore:Image size:PIL.Image.DecompressionBombWarning")
@pytest.mark.parametrize("size", [(10_000, 6_001), (12_000, 9_000), (20_000, 15_000), (65_500, 65_500)])
def test_too_many_pixels_are_refused_before_decoding(size):
    tracemalloc.start()
    assert code_of(png_header_only(*size)) == "photo-too-large"
    assert tracemalloc.get_traced_memory()[1] < 20e6
    tracemalloc.stop()


def test_a_preview_is_too_small():
    assert code_of(encoded(scene(63, 100))) == "photo-too-small"


def test_file_that_changes_while_read_does_not_matter(tmp_path):
    path = tmp_path / "plate.png"
    path.write_bytes(encoded(scene()))
    whole = path.read_bytes()
    photo = read_photo(path)
    path.write_bytes(b"gone")
    assert photo.name == "plate.png"
    assert photo.sha256 == read_photo(whole).sha256
    assert np.array_equal(photo.pixels, np.asarray(scene()))
