"""Read a bundle that somebody sent. Nothing in it is believed before it is checked.

Refused: names outside the few a bundle has (so no path leads anywhere), links, encrypted or overlapping entries,
anything that unpacks to far more than its size, wrong or missing checksums, missing parts, newer forms, plates
that do not fit the schema, photos that are no photos.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import IO, Any

from jsonschema import ValidationError
from PIL import Image

from truelobe import schema
from truelobe.gallery.masks import photo_name
from truelobe.gallery.written import check_plate, check_walls, plate_from_json
from truelobe.messages import TruelobeError
from truelobe.store import Photo
from truelobe.store.pictures import MAX_PIXELS
from truelobe.store.records import PlateRecord
from truelobe.store.shelf import fsync_folder
from truelobe.store.trouble import said_plainly

FORM = 1
MAX_ENTRIES = 500_000
MAX_FILE = 400_000_000
MAX_TEXT = 8_000_000_000
MAX_LINE = 64_000_000
MAX_DEPTH = 100
TIMES_SMALLER = 60
"""Measurement documents deflate to about a tenth; nothing honest in a bundle deflates to less than a sixtieth."""
_PARTS = ("manifest.json", "checksums.sha256", "plates.jsonl", "walls.json", "masks/coco.json")
_NAME = re.compile(r"photos/[0-9a-f]{64}\.(?:jpg|png)|thumbnails/[0-9a-f]{64}\.webp")
_LINE = re.compile(r"([0-9a-f]{64})  (\S+)\n")


def refused(why: str) -> TruelobeError:
    """Return the error for a bundle that is not taken in."""
    return TruelobeError(
        "bundle-refused",
        f"This bundle was not taken in: {why}. Nothing was changed.",
        "Ask the sender to export it again, and send it as one file.",
    )


@dataclass(frozen=True)
class Bundle:
    """A checked bundle: every file has its right checksum, and every plate fits the schema.

    Attributes
    ----------
    manifest : Mapping
    walls : tuple of Mapping
    """

    path: Path
    manifest: Mapping[str, Any]
    walls: tuple[Mapping[str, Any], ...]
    _file: zipfile.ZipFile
    _checksums: Mapping[str, str]

    def plates(self) -> Iterator[PlateRecord]:
        """Yield the plates one at a time."""
        with self._file.open("plates.jsonl") as lines:
            for line in _lines(lines):
                yield plate_from_json(_json(line))

    def _check_lines(self) -> None:
        with self._file.open("plates.jsonl") as lines:
            for line in _lines(lines):
                _raise_unless(check_plate, _json(line), "a plate in it does not fit")

    def read(self, photo: Photo, sha256: str) -> bytes:
        """Return the bytes of a photo or of its thumbnail."""
        return self._file.read(photo_name(photo) if sha256 == photo.sha256 else _thumbnail_name(photo))

    def unpack(self, photo: Photo, folder: Path) -> list[tuple[Path, str]]:
        """Write a photo and its thumbnail into a folder, durable; return the files with their SHA-256."""
        files = []
        for name, sha256 in ((photo_name(photo), photo.sha256), (_thumbnail_name(photo), photo.thumbnail_sha256)):
            target = folder / sha256
            if not target.exists():
                _write_durably(target, self._file.read(name))
            files.append((target, sha256))
        return files


def _write_durably(target: Path, data: bytes) -> None:
    with target.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    fsync_folder(target.parent)


@contextmanager
def open_bundle(path: Path) -> Iterator[Bundle]:
    """Open a bundle and check all of it.

    Raises
    ------
    TruelobeError
        ``bundle-refused``, ``bundle-newer`` or ``file-missing``.
    """
    try:
        with said_plainly(), zipfile.ZipFile(path) as file:
            yield _checked(path, file)
    except FileNotFoundError:
        raise TruelobeError("file-missing", f"There is no file {path.name}.", "Choose the bundle again.") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, zipfile.LargeZipFile) as error:
        raise refused("the file is damaged or no bundle") from error


def _checked(path: Path, file: zipfile.ZipFile) -> Bundle:
    _check_directory(file, path.stat().st_size)
    manifest = _manifest(file)
    checksums = _checksums(file, manifest)
    names = {info.filename for info in file.infolist()} - {"manifest.json", "checksums.sha256"}
    if names != set(checksums):
        raise refused("its list of files and its files differ")
    for name, sha256 in checksums.items():
        with file.open(name) as entry:
            if _sha256_of(entry) != sha256:
                raise refused("a checksum is wrong")
    walls = _json(file.read("walls.json"))
    _raise_unless(check_walls, walls, "its walls do not fit")
    bundle = Bundle(path, manifest, tuple(walls), file, checksums)
    _check_plates(bundle)
    return bundle


def _check_directory(file: zipfile.ZipFile, size: int) -> None:
    infos = file.infolist()
    names = [info.filename for info in infos]
    if len(infos) > MAX_ENTRIES or len(set(names)) != len(names):
        raise refused("it holds too many files, or one twice")
    if missing := set(_PARTS) - set(names):
        raise refused(f"{sorted(missing)[0]} is missing")
    for info in infos:
        _check_entry(info)
    spans = sorted((info.header_offset, info.header_offset + 30 + info.compress_size) for info in infos)
    if any(following[0] < span[1] for span, following in pairwise(spans)) or spans[-1][1] > size:
        raise refused("its files lie over each other")
    if sum(info.file_size for info in infos) > TIMES_SMALLER * size + 1_000_000:
        raise refused("it unpacks to far more than its size")


def _check_entry(info: zipfile.ZipInfo) -> None:
    known = info.filename in _PARTS
    if not known and not _NAME.fullmatch(info.filename):
        raise refused("it holds a file that no bundle has")
    mode = info.external_attr >> 16
    if info.is_dir() or (mode and not stat.S_ISREG(mode) and stat.S_IFMT(mode)):
        raise refused("it holds a link or a folder")
    if info.flag_bits & 0x1:
        raise refused("it is encrypted")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise refused("it is packed in an unknown way")
    if info.file_size > (MAX_TEXT if known else MAX_FILE):
        raise refused("a file in it is too large")


def _manifest(file: zipfile.ZipFile) -> dict[str, Any]:
    if file.getinfo("manifest.json").file_size > 1_000_000:
        raise refused("its manifest is too large")
    manifest = _json(file.read("manifest.json"))
    form = manifest.get("bundle") if isinstance(manifest, dict) else None
    if isinstance(form, int) and not isinstance(form, bool) and form > FORM:
        raise TruelobeError(
            "bundle-newer",
            f"This bundle has form {form}; this version of the tool reads form {FORM}. Nothing was changed.",
            "Install the newest version, then import it again.",
        )
    try:
        schema.check(manifest, "bundle-1")
    except ValidationError as error:
        raise refused("its manifest does not fit") from error
    return dict(manifest)


def _checksums(file: zipfile.ZipFile, manifest: Mapping[str, Any]) -> dict[str, str]:
    if file.getinfo("checksums.sha256").file_size > 200 * MAX_ENTRIES:
        raise refused("its list of checksums is too large")
    listed = file.read("checksums.sha256")
    if hashlib.sha256(listed).hexdigest() != manifest["checksums_sha256"]:
        raise refused("a checksum is wrong")
    found: dict[str, str] = {}
    for line in io.StringIO(listed.decode("ascii", errors="replace"), newline="\n"):
        match = _LINE.fullmatch(line)
        if match is None or match[2] in found:
            raise refused("its list of checksums can't be read")
        found[match[2]] = match[1]
    return found


def _sha256_of(entry: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while piece := entry.read(1 << 20):
        digest.update(piece)
    return digest.hexdigest()


def _check_plates(bundle: Bundle) -> None:
    """Look at every plate and photo once."""
    bundle._check_lines()
    plates, measurements, seen = set(), set(), set()
    for record in bundle.plates():
        if record.uid in plates or any(made.uid in measurements for made, _ in record.measurements):
            raise refused("a plate stands in it twice")
        plates.add(record.uid)
        measurements |= {made.uid for made, _ in record.measurements}
        for photo in record.photos:
            if photo.sha256 not in seen:
                _check_photo(bundle, photo)
                seen.add(photo.sha256)
    if len(plates) != bundle.manifest["plates"] or len(seen) != bundle.manifest["photos"]:
        raise refused("plates or photos are missing")
    if any(uid not in plates for wall in bundle.walls for uid in wall["plates"]):
        raise refused("a wall shows a plate that is missing")


def _check_photo(bundle: Bundle, photo: Photo) -> None:
    expected = {photo_name(photo): photo.sha256, _thumbnail_name(photo): photo.thumbnail_sha256}
    for name, sha256 in expected.items():
        if bundle._checksums.get(name) != sha256:
            raise refused("a photo is missing or is not what it says")
    data = bundle._file.read(photo_name(photo))
    kind = {"image/jpeg": "JPEG", "image/png": "PNG"}[photo.media_type]
    size = (photo.width_px, photo.height_px)
    inside = (
        photo.crop_x + photo.width_px <= photo.original_width_px
        and photo.crop_y + photo.height_px <= photo.original_height_px
        and photo.original_width_px * photo.original_height_px <= MAX_PIXELS
    )
    thumbnail = bundle._file.read(_thumbnail_name(photo))
    if not inside or _size(data, kind) != size or photo.bytes != len(data) or _size(thumbnail, "WEBP") is None:
        raise refused("a photo is not what it says")


def _size(data: bytes, kind: str) -> tuple[int, int] | None:
    """Return a picture's size from its head, without decoding it; None when it is no such picture."""
    try:
        with Image.open(io.BytesIO(data), formats=[kind]) as image:
            return image.size if image.width * image.height <= MAX_PIXELS else None
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _thumbnail_name(photo: Photo) -> str:
    return f"thumbnails/{photo.thumbnail_sha256}.webp"


def _lines(entry: IO[bytes]) -> Iterator[bytes]:
    while line := entry.readline(MAX_LINE + 1):
        if len(line) > MAX_LINE or not line.endswith(b"\n"):
            raise refused("a plate in it is too large or cut off")
        yield line


def _raise_unless(check: Any, written: Any, why: str) -> None:
    try:
        check(written)
    except (ValueError, TypeError, OverflowError) as error:
        raise refused(f"{why} ({error})") from error


def _json(data: bytes) -> Any:
    """Read JSON strictly: valid UTF-8, no NaN, no number beyond a float, not nested without end."""
    try:
        written = json.loads(data.decode("utf-8"), parse_constant=_no_constant, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise refused("a part of it can't be read") from error
    if _depth(written) > MAX_DEPTH:
        raise refused("a part of it is nested too deeply")
    return written


def _no_constant(name: str) -> float:
    raise ValueError(name)


def _finite(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise ValueError(text)
    return value


def _depth(written: Any) -> int:
    depth, level = 0, [written]
    while level and depth <= MAX_DEPTH:
        depth += 1
        level = [
            inner
            for outer in level
            if isinstance(outer, dict | list)
            for inner in (outer.values() if isinstance(outer, dict) else outer)
        ]
    return depth
