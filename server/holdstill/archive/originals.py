"""Originals by digest: kept before the event that speaks of them is written."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import re
import shutil
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import tifffile

from holdstill.errors import HoldstillError
from holdstill.records import FrameBytes, FrameFile, Nothing, Original, Picture, Storage, picture_digest

from .disk import make_folder, sync_folder, write_whole
from .trouble import from_os_error, storage_trouble

_DIGEST = re.compile(r"[0-9a-f]{64}")
_SHOWN_AS_IS = {".png", ".jpg", ".jpeg", ".bmp"}
_SUFFIX = re.compile(r"\.[a-z0-9]{1,5}")

Develop = Callable[[Path], bytes]
"""A picture file to the bytes of a JPEG (preview) or PNG (full size) that a browser shows."""


class Originals:
    """``<folder>/<aa>/<digest>.<ext>``, written once, never changed.

    `preview_of` and `png_of` turn an original's file into a small JPEG (at most 960 px wide) and a
    full-size PNG; both are handed in, decoding being the intake's work.
    """

    def __init__(self, folder: Path, *, preview_of: Develop, png_of: Develop) -> None:
        self.folder = folder
        self._preview_of = preview_of
        self._png_of = png_of

    def keep(self, original: Original, digest: str | None = None) -> str:
        """Keep `original`; its digest, once file and folder have reached the disk.

        `digest`: what it had when it was looked at; a file that has changed since is refused.
        Raises StorageTrouble, with nothing half-written left behind.
        """
        data, suffix, found = _bytes_of(original)
        if digest is not None and digest != found:
            raise storage_trouble("changed", name=original.name)
        place = self._place(found) or self.folder / found[:2] / (found + suffix)
        try:
            make_folder(place.parent)
            if _holds(place, data):
                sync_folder(place.parent)  # whoever wrote it may have been ended before its name lasted
            else:
                write_whole(place, data, 0o444)  # hand-overs may link to it: nothing must change it
        except OSError as trouble:
            raise from_os_error(trouble, "original", place.parent) from trouble
        return found

    def _place(self, digest: str) -> Path | None:
        if not _DIGEST.fullmatch(digest):
            return None
        return next((p for p in (self.folder / digest[:2]).glob(digest + ".*") if p.is_file()), None)

    def path(self, digest: str) -> Path | Nothing:
        """The file of an original. `Nothing` for a digest that is not kept (or is none)."""
        place = self._place(digest)
        return place if place is not None else Nothing("no such original")

    def shown(self, digest: str) -> Path | bytes | Nothing:
        """The original as a browser can show it: its file, or PNG bytes of the same pixels."""
        place = self._place(digest)
        if place is None:
            return Nothing("no such original")
        if place.suffix in _SHOWN_AS_IS and not _is_deep_png(place):
            return place
        return self._cached(digest, "png", self._png_of)

    def preview(self, digest: str) -> bytes | Nothing:
        """JPEG bytes, at most 960 px wide, made on demand and kept for the next time."""
        return self._cached(digest, "jpg", self._preview_of)

    def _cached(self, digest: str, kind: str, develop: Develop) -> bytes | Nothing:
        place = self._place(digest)
        if place is None:
            return Nothing("no such original")
        kept = self.folder.parent / "previews" / f"{digest}.{kind}"
        with contextlib.suppress(OSError):
            return kept.read_bytes()
        try:
            data = develop(place)
        except HoldstillError:
            return Nothing("undecodable")
        with contextlib.suppress(OSError):  # a cache: a full or read-only disk only costs time
            kept.parent.mkdir(exist_ok=True)
            write_whole(kept, data)
        return data

    def damaged(self) -> list[str]:
        """Digests whose file no longer has that digest; raw pictures are told by their samples."""
        files = sorted(p for p in self.folder.glob("??/*.*") if not p.name.startswith("."))
        return [p.name[:64] for p in files if _digest_of_file(p) != p.name[:64]]


def _holds(place: Path, data: bytes) -> bool:
    """Whether a file is there and whole; one that the disk has damaged is written anew."""
    try:
        return place.stat().st_size == len(data) and place.read_bytes() == data
    except FileNotFoundError:
        return False


def _bytes_of(original: Original) -> tuple[bytes, str, str]:
    """(bytes to write, suffix, digest) of an original."""
    if isinstance(original, FrameBytes) and original.image is not None:
        image = original.image
        return _tiff(image), ".raw.tif", picture_digest(image)
    if isinstance(original, FrameFile):
        try:
            data = original.path.read_bytes()
        except FileNotFoundError as trouble:
            raise storage_trouble("original-gone", name=original.name) from trouble
        except OSError as trouble:
            raise from_os_error(trouble, "original", original.path) from trouble
    else:
        data = original.data or b""
    suffix = Path(original.name).suffix.lower()
    return data, suffix if _SUFFIX.fullmatch(suffix) else ".bin", hashlib.sha256(data).hexdigest()


def _is_deep_png(path: Path) -> bool:
    """True for a PNG of 16 bits a sample, which browsers show as if 65535 were white."""
    with path.open("rb") as file:
        head = file.read(25)
    return head.startswith(b"\x89PNG") and head[24:25] == b"\x10"


def _tiff(image: Picture) -> bytes:
    """Uncompressed TIFF of a raw picture, sample for sample."""
    out = io.BytesIO()
    tifffile.imwrite(out, image, photometric="minisblack" if image.ndim == 2 else "rgb", metadata=None)
    return out.getvalue()


def _digest_of_file(path: Path) -> str:
    if path.name.endswith(".raw.tif"):
        return picture_digest(tifffile.imread(path))
    return hashlib.sha256(path.read_bytes()).hexdigest()


def storage(home: Path, bytes_per_view: int) -> Storage:
    """Free space of the disk that holds `home`, and how many more views it takes.

    `bytes_per_view`: size of a kept shot's originals so far (all cameras), at least 1.
    """
    place = home
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free = shutil.disk_usage(place).free
    except OSError as trouble:
        raise from_os_error(trouble, "session", home) from trouble
    each = max(int(bytes_per_view), 1)
    return Storage(free_bytes=free, bytes_per_view=each, views_left=free // each)


def average_bytes(folder: Path, cameras: int, most: int = 64) -> int:
    """Mean size of (at most `most` of) the originals in `folder` times the number of cameras; 0 when
    there are none. Looks at few files, for it is asked again and again while a session runs."""
    files = islice(folder.glob("??/*.*"), most) if folder.is_dir() else ()
    sizes = [os.path.getsize(p) for p in files]
    return sum(sizes) * cameras // len(sizes) if sizes else 0
