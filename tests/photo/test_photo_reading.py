"""Photos as phones make them, and files that are not photos."""

import contextlib
import io
import os
import struct
import tracemalloc
import zlib

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_files import GREEN, RED, code_of, encoded, scene, sixteen_bit_png
from PIL import Image

from truelobe.messages import TruelobeError
from truelobe.photo import read_photo

pytestmark = pytest.mark.opencv

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
