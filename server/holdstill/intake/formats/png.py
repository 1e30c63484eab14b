"""PNG: chunks walked and their sums checked; pixels by OpenCV from the chunks that matter.

Source: W3C Portable Network Graphics (PNG) Specification, third edition, sections 5, 11.2 and
11.3 (chunk layout, IHDR, acTL).
"""

from __future__ import annotations

import struct
import zlib

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.records import Picture

from .header import Header, by_opencv, check_size

MAGIC = b"\x89PNG\r\n\x1a\n"
_KEEP = {b"IHDR", b"PLTE", b"IDAT", b"IEND"}
_CHANNELS = {0: 1, 2: 3, 3: 3, 4: 2, 6: 4}


def _chunks(data: bytes, name: str, *, sums: bool = True) -> list[tuple[bytes, int, int]]:
    """(type, start, end) of every chunk up to IEND, each with its check sum tested."""
    chunks, at = [], len(MAGIC)
    while True:
        if at + 12 > len(data):
            raise unfinished("truncated", name=name, kind="PNG", got=len(data), wanted=at + 12)
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if kind == b"\0\0\0\0":
            raise unfinished("zero-tail", name=name, kind="PNG", got=at, wanted=len(data))
        if end > len(data):
            raise unfinished("truncated", name=name, kind="PNG", got=len(data), wanted=end)
        (told,) = struct.unpack_from(">I", data, end - 4)
        if sums and zlib.crc32(memoryview(data)[at + 4 : end - 4]) != told:
            raise unfinished("damaged", name=name, kind="PNG", at=at)
        chunks.append((kind, at, end))
        if kind == b"IEND":
            return chunks
        at = end


def header(data: bytes, name: str) -> Header:
    """The file's header, the whole file checked by its sums. Raises BadFrame."""
    if len(data) < 33:
        raise unfinished("truncated", name=name, kind="PNG", got=len(data), wanted=33)
    length, kind, width, height, bits, colour = struct.unpack_from(">I4sIIBB", data, len(MAGIC))
    if kind != b"IHDR" or length != 13 or colour not in _CHANNELS or bits not in (1, 2, 4, 8, 16):
        raise unfinished("damaged", name=name, kind="PNG", at=len(MAGIC))
    check_size("PNG", name, width, height)
    for kind, start, end in _chunks(data, name):
        if kind == b"acTL" and end - start >= 20 and struct.unpack_from(">I", data, start + 8)[0] > 1:
            raise bad_frame("several-pictures", name=name, kind="PNG")
    return Header("PNG", width, height, _CHANNELS[colour], max(bits, 8))


def pixels(data: bytes, head: Header, name: str) -> Picture:
    """The picture as stored, (rows, columns) or (rows, columns, channels) in BGR order."""
    bare = MAGIC + b"".join(data[a:b] for kind, a, b in _chunks(data, name, sums=False) if kind in _KEEP)
    return by_opencv(bare, name, "PNG")
