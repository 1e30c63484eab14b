"""Picture formats: each file here reads one family's header within bounds, and its pixels."""

from __future__ import annotations

from typing import Protocol

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.records import Picture

from . import bmp, jpeg, png, pnm, tiff
from .header import Header


class _Format(Protocol):
    def header(self, data: bytes, name: str, /) -> Header: ...
    def pixels(self, data: bytes, head: Header, name: str, /) -> Picture: ...


SUFFIXES = frozenset({".tif", ".tiff", ".png", ".bmp", ".pgm", ".ppm", ".pnm", ".jpg", ".jpeg"})
"""File name endings that are taken for pictures, in lower case."""

_KINDS: dict[str, _Format] = {"TIFF": tiff, "PNG": png, "JPEG": jpeg, "BMP": bmp, "PGM": pnm}


def kind_of(data: bytes) -> str | None:
    """Format by the first bytes, whatever the name says; None when it is none of ours.

    >>> kind_of(b"P5 2 2 255 abcd")
    'PGM'
    """
    if data.startswith(tiff.MAGICS):
        return "TIFF"
    if data.startswith(png.MAGIC):
        return "PNG"
    if data.startswith(jpeg.MAGIC):
        return "JPEG"
    if data.startswith(pnm.MAGICS):
        return "PGM"
    if data.startswith(bmp.MAGIC):
        return "BMP"
    return None


def read_header(data: bytes, name: str) -> Header:
    """The header of a picture file, the file's completeness checked as far as its format allows.

    Raises Unfinished for what looks half-written, BadFrame for what can't be used at all.
    """
    if not data:
        raise unfinished("empty", name=name)
    kind = kind_of(data)
    if kind is None:
        if not any(data[:4096]):
            raise unfinished("all-zero-file", name=name, size=len(data))
        raise bad_frame("wrong-type", name=name)
    return _KINDS[kind].header(data, name)


def read_pixels(data: bytes, head: Header, name: str) -> Picture:
    """The stored samples: (rows, columns) or (rows, columns, channels), channels in BGR order."""
    return _KINDS[head.kind].pixels(data, head, name)


__all__ = ["SUFFIXES", "Header", "kind_of", "read_header", "read_pixels"]
