"""Photos as they are kept: stripped, cut on request, and still good to measure."""

import io

import numpy as np
import pillow_heif
import pytest
from PIL import ExifTags, Image, ImageCms
from tests.store import plates

from truelobe.messages import TruelobeError
from truelobe.store import NewInspection, crop_box, open_store, prepare_photo
from truelobe.store.documents import in_kept_photo
from truelobe.store.pictures import whole_again

SECRETS = (b"Student", b"SN-12345", b"2026:05:14", b"GPS")


def opened(data):
    return Image.open(io.BytesIO(data))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_all_metadata_goes_except_what_measuring_needs(kind):
    source = plates.photo(1, kind=kind, exif=plates.telling_exif())
    kept = prepare_photo(source, (100, 100, 500, 400), name="a")
    image = opened(kept.data)
    inner = image.getexif().get_ifd(ExifTags.IFD.Exif)
    assert (kept.focal_35mm, kept.camera) == (26.0, "Maker Phone 1")
    assert dict(image.getexif().get_ifd(ExifTags.IFD.GPSInfo)) == {}
    assert set(inner) == {ExifTags.Base.FocalLengthIn35mmFilm}
    for data in (kept.data, kept.thumbnail):
        assert not any(secret in data for secret in SECRETS)


def test_heic_is_kept_as_jpeg(tmp_path):
    heif = pillow_heif.from_pillow(opened(plates.photo(1)))
    buffer = io.BytesIO()
    heif.save(buffer, quality=90)
    assert prepare_photo(buffer.getvalue()).media_type == "image/jpeg"


def test_the_color_profile_stays():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    kept = prepare_photo(plates.photo(1, icc_profile=profile), (0, 0, 300, 300))
    assert opened(kept.data).info["icc_profile"] == profile


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_photo_is_kept_upright(orientation):
    """EXIF 2.32, tag 0x0112: all eight orientations, checked against Pillow's own transposition."""
    from PIL import ImageOps

    source = plates.photo(2, (320, 240), exif=plates.telling_exif(orientation), quality=95)
    upright = np.asarray(ImageOps.exif_transpose(opened(source)).convert("RGB"), np.int16)
    kept = prepare_photo(source)
    image = opened(kept.data)
    assert image.getexif().get(ExifTags.Base.Orientation, 1) == 1
    assert image.size == (kept.original_width_px, kept.original_height_px) == upright.shape[1::-1]
    # one more round through 8-bit JPEG with the photo's own tables: a few levels at most, none on average
    error = np.asarray(image.convert("RGB"), np.int16) - upright
    assert np.abs(error).mean() < 1.0


def test_a_cut_photo_measures_as_the_whole_did():
    """The kept part comes back at its place, its pixels as they were within the JPEG's own rounding."""
    source = plates.photo(3, quality=90, exif=plates.telling_exif())
    whole = np.asarray(opened(source).convert("RGB"), np.int16)
    kept = prepare_photo(source, (213, 117, 555, 480))
    assert (kept.crop_x % 16, kept.crop_y % 16) == (0, 0)
    corner = (kept.crop_x, kept.crop_y)
    again = whole_again(kept.data, (kept.original_width_px, kept.original_height_px), corner, kept.focal_35mm)
    image = opened(again)
    assert image.size == (800, 600)
    assert image.getexif().get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] == 26
    inside = (slice(128, 470), slice(220, 550))
    error = np.abs(np.asarray(image.convert("RGB"), np.int16)[inside] - whole[inside])
    # Quantization with the same tables on the same 8 x 8 grid is idempotent up to rounding to whole levels
    # (ITU-T T.81, A.3.4), and chroma is resampled twice; half a level a time on average.
    assert error.mean() < 1.0
    assert np.array_equal(np.asarray(image.convert("L"))[:100, :200], np.full((100, 200), 128))


def test_the_focal_length_in_a_cut_file_is_that_of_the_cut():
    """35 mm equivalents are for the picture's own size: half the picture has twice the equivalent."""
    kept = prepare_photo(plates.photo(1, exif=plates.telling_exif()), (0, 0, 400, 300))
    inner = opened(kept.data).getexif().get_ifd(ExifTags.IFD.Exif)
    assert inner[ExifTags.Base.FocalLengthIn35mmFilm] == 52
    assert kept.focal_35mm == 26


def test_outlines_and_marks_move_with_the_cut():
    document = plates.document([plates.pepper(1, "red", 80, 90, 0.1)])
    document["peppers"][0] |= {
        "spots": [{"look": "dark", "centre_px": [400.0, 300.0], "radius_px": 5.0}],
        "blemishes": [{"fact": None, "line_px": [[390.0, 290.0], [410.0, 290.0], [400.0, 310.0]]}],
    }
    box = crop_box(document)
    kept = prepare_photo(plates.photo(1), box)
    assert 0 < kept.crop_x < 190
    moved = in_kept_photo(document, (kept.crop_x, kept.crop_y))
    x, y = document["peppers"][0]["outline_px"][0][0]
    assert moved["peppers"][0]["outline_px"][0][0] == [x - kept.crop_x, y - kept.crop_y]
    (spot,), (mark,) = moved["peppers"][0]["spots"], moved["peppers"][0]["blemishes"]
    assert spot["centre_px"] == [400 - kept.crop_x, 300 - kept.crop_y]
    assert mark["line_px"][2] == [400 - kept.crop_x, 310 - kept.crop_y]
    assert document["peppers"][0]["outline_px"][0][0] == [x, y]


def test_nothing_found_means_nothing_is_cut():
    assert crop_box(None) is None
    assert crop_box(plates.document(status="refused") | {"made_by": {"tool": "truelobe"}}) is None


@pytest.mark.parametrize(
    ("source", "crop", "code"),
    [
        (b"", None, "photo-unreadable"),
        (b"not a photo at all", None, "photo-unreadable"),
        (plates.photo(1)[:2000], None, "photo-unreadable"),
        (plates.photo(1), (900, 0, 950, 50), "crop-outside"),
        (plates.photo(1), (50, 50, 50, 50), "crop-outside"),
    ],
)
def test_what_cannot_be_kept_is_said_plainly(source, crop, code):
    with pytest.raises(TruelobeError) as said:
        prepare_photo(source, crop)
    assert said.value.message.code == code


def test_absurd_sizes_are_refused_before_they_are_decoded():
    buffer = io.BytesIO()
    Image.new("1", (12_000, 12_000)).save(buffer, "PNG")
    with pytest.raises(TruelobeError) as said:
        prepare_photo(buffer.getvalue())
    assert said.value.message.code == "photo-too-large"


def test_photos_at_an_address(tmp_path, monkeypatch):
    """Any address that fsspec understands; its in-memory file system stands for an object store."""
    monkeypatch.setenv("TRUELOBE_PHOTOS", f"memory://{tmp_path.name}")
    from truelobe import gallery

    store = open_store(tmp_path)
    kept = store.inspections.keep(NewInspection((prepare_photo(plates.photo(1)),)))
    sha256 = kept.photos[0].sha256
    assert store.photos.intact(sha256)
    assert gallery.check(store).clean
    gallery.export_bundle(store, tmp_path / "b.zip")
    store.inspections.remove([kept.uid])
    assert not store.shelf.has(sha256)
    assert store.shelf.marked() == []
    assert gallery.import_bundle(store, tmp_path / "b.zip").new == 1
    assert store.photos.intact(sha256)
    with pytest.raises(TruelobeError):
        store.photos.read("0" * 64)
    store.close()
