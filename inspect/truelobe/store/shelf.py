"""Files named by their own SHA-256: on disk, or at an address that fsspec understands.

On disk a file is made durable before anything refers to it: written under another name, file flushed to the
platter (fsync), renamed, folder flushed. A name on the shelf therefore always stands for whole, right bytes.

A file that is about to be referred to, or has just lost its last reference, carries a *mark*. Whoever is killed in
between leaves the mark behind, and `Store.settle` looks those names up; no other file is ever in doubt.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Protocol

from truelobe.messages import TruelobeError

MARKS = ".unsettled"


def sha256_of(data: bytes) -> str:
    """Return the SHA-256 of some bytes as 64 hexadecimal digits (FIPS 180-4)."""
    return hashlib.sha256(data).hexdigest()


def fsync_folder(folder: Path) -> None:
    """Flush a folder's own entries, so that a new name in it survives a power cut. Windows has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class Shelf(Protocol):
    """A place for files named by their SHA-256."""

    def put(self, data: bytes, *, mark: bool = True) -> str:
        """Make bytes durable and return their SHA-256. Putting the same bytes twice keeps one file."""

    def take(self, files: Iterable[tuple[Path, str]]) -> None:
        """Take in files that lie durable on this machine, each with its SHA-256; they may be moved away."""

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a file."""

    def has(self, sha256: str) -> bool:
        """Tell whether a file is there."""

    def names(self) -> Iterator[str]:
        """Yield every name on the shelf, in no order."""

    def mark(self, sha256: str) -> None:
        """Note that nothing may refer to this file."""

    def unmark(self, sha256: str) -> None:
        """Take the mark away; a missing mark is fine."""

    def marked(self) -> list[str]:
        """Return the marked names."""

    def remove(self, sha256: str) -> None:
        """Take a file away; a missing one is fine."""

    def strays(self) -> list[str]:
        """Return what lies there without being a file of the shelf."""


def _missing(sha256: str) -> TruelobeError:
    return TruelobeError(
        "photo-missing",
        f"A photo's file is missing ({sha256[:12]}).",
        "Run truelobe gallery check, then restore the file from a backup.",
    )


class FolderShelf:
    """A shelf in a folder: `ab/abcd...` two levels deep."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str) -> Path:
        """Return where a file lies or would lie."""
        return self.folder / sha256[:2] / sha256

    def put(self, data: bytes, *, mark: bool = True) -> str:
        """Make bytes durable and return their SHA-256."""
        sha256 = sha256_of(data)
        target = self.path(sha256)
        if mark:
            self.mark(sha256)
        if not target.exists():
            self._make_folder(target.parent)
            self._make_folder(self.folder / MARKS)
            handle, waiting = tempfile.mkstemp(dir=self.folder / MARKS, prefix="arriving-")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
                os.replace(waiting, target)
            except BaseException:
                Path(waiting).unlink(missing_ok=True)
                raise
        fsync_folder(target.parent)
        return sha256

    def set_aside(self, name: str, folder: Path) -> bool:
        """Move a file that does not belong here into another folder; tell whether there was one."""
        for file in (self.path(name), self.folder / name):
            if file.is_file() or file.is_symlink():
                folder.mkdir(parents=True, exist_ok=True)
                file.rename(folder / file.name)
                return True
        return False

    def take(self, files: Iterable[tuple[Path, str]]) -> None:
        """Move files that are already durable, on the same disk, to their places."""
        folders = set()
        for file, sha256 in files:
            target = self.path(sha256)
            self.mark(sha256)
            self._make_folder(target.parent)
            os.replace(file, target)
            folders.add(target.parent)
        for folder in sorted(folders):
            fsync_folder(folder)

    def _make_folder(self, folder: Path) -> None:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            fsync_folder(folder.parent)

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a file."""
        try:
            return self.path(sha256).read_bytes()
        except FileNotFoundError:
            raise _missing(sha256) from None

    def has(self, sha256: str) -> bool:
        """Tell whether a file is there."""
        return self.path(sha256).is_file()

    def names(self) -> Iterator[str]:
        """Yield every name on the shelf."""
        for file in self._files():
            if _is_name(file):
                yield file.name

    def strays(self) -> list[str]:
        """Return files that are none of the shelf's: half-written ones and foreign ones."""
        return sorted(str(file.relative_to(self.folder)) for file in self._files() if not _is_name(file))

    def _files(self) -> Iterator[Path]:
        if not self.folder.is_dir():
            return
        for entry in self.folder.iterdir():
            if entry.name == MARKS:
                continue
            yield from entry.iterdir() if entry.is_dir() else (entry,)

    def mark(self, sha256: str) -> None:
        """Note that nothing may refer to this file."""
        self._make_folder(self.folder / MARKS)
        (self.folder / MARKS / sha256).touch()

    def unmark(self, sha256: str) -> None:
        """Take the mark away."""
        (self.folder / MARKS / sha256).unlink(missing_ok=True)

    def marked(self) -> list[str]:
        """Return the marked names, those of half-written files among them."""
        marks = self.folder / MARKS
        return sorted(mark.name for mark in marks.iterdir()) if marks.is_dir() else []

    def remove(self, sha256: str) -> None:
        """Take a file away; a half-written one lies among the marks and goes with its mark."""
        self.path(sha256).unlink(missing_ok=True)


def _is_name(file: Path) -> bool:
    return len(file.name) == 64 and file.parent.name == file.name[:2] and file.is_file() and not file.is_symlink()


class RemoteShelf:
    """A shelf at an fsspec address. Writing is whole or not at all, as object stores promise; no fsync."""

    def __init__(self, address: str) -> None:
        try:
            import fsspec
        except ImportError:
            raise TruelobeError(
                "fsspec-missing",
                "Keeping photos at an address needs the package fsspec.",
                "Install it with: pip install 'truelobe[remote]'.",
            ) from None
        files, root = fsspec.core.url_to_fs(address)
        self._files: Any = files
        self._root: str = root.rstrip("/")

    def _path(self, *parts: str) -> str:
        return "/".join((self._root, *parts))

    def put(self, data: bytes, *, mark: bool = True) -> str:
        """Write bytes and return their SHA-256."""
        sha256 = sha256_of(data)
        if mark:
            self.mark(sha256)
        if not self.has(sha256):
            self._files.makedirs(self._path(sha256[:2]), exist_ok=True)
            self._files.pipe_file(self._path(sha256[:2], sha256), data)
        return sha256

    def set_aside(self, name: str, folder: Path) -> bool:
        """Leave a foreign file where it is: other programs may use the same address."""
        return False

    def take(self, files: Iterable[tuple[Path, str]]) -> None:
        """Copy files in."""
        for file, _ in files:
            self.put(file.read_bytes())

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a file."""
        try:
            data: bytes = self._files.cat_file(self._path(sha256[:2], sha256))
        except FileNotFoundError:
            raise _missing(sha256) from None
        return data

    def has(self, sha256: str) -> bool:
        """Tell whether a file is there."""
        return bool(self._files.isfile(self._path(sha256[:2], sha256)))

    def names(self) -> Iterator[str]:
        """Yield every name on the shelf."""
        yield from (name for name in self._found() if len(name) == 64)

    def strays(self) -> list[str]:
        """Return files whose names are no SHA-256."""
        return sorted(name for name in self._found() if len(name) != 64)

    def _found(self) -> list[str]:
        found: list[str] = self._files.find(self._root) if self._files.exists(self._root) else []
        return [path.rsplit("/", 1)[-1] for path in found if f"/{MARKS}/" not in path]

    def mark(self, sha256: str) -> None:
        """Note that nothing may refer to this file."""
        self._files.makedirs(self._path(MARKS), exist_ok=True)
        self._files.pipe_file(self._path(MARKS, sha256), b"")

    def unmark(self, sha256: str) -> None:
        """Take the mark away."""
        if self._files.exists(self._path(MARKS, sha256)):
            self._files.rm_file(self._path(MARKS, sha256))

    def marked(self) -> list[str]:
        """Return the marked names."""
        marks = self._path(MARKS)
        found: list[str] = self._files.find(marks) if self._files.exists(marks) else []
        return sorted(path.rsplit("/", 1)[-1] for path in found)

    def remove(self, sha256: str) -> None:
        """Take a file away."""
        if self.has(sha256):
            self._files.rm_file(self._path(sha256[:2], sha256))


def open_shelf(address: str) -> FolderShelf | RemoteShelf:
    """Return the shelf at a folder or at an fsspec address (anything with ``://``)."""
    return RemoteShelf(address) if "://" in address else FolderShelf(Path(address))
