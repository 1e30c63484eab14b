"""BMP: plain 8-, 24- and 32-bit pictures, read in place.

Source: the bitmap file header (14 bytes) and BITMAPINFOHEADER as common practice reads them:
offset of the pixels at byte 10, rows padded to four bytes, bottom row first unless the height is
negative.
"""

from __future__ import annotations

import struct

import numpy as np

from holdstill.intake.refusals import bad_frame
from holdstill.records import Picture

from .header import Header, check_size, need_bytes

MAGIC = b"BM"


def header(data: bytes, name: str) -> Header:
    """The file's header; its pixels must be there in full. Raises BadFrame."""
    need_bytes(data, 54, name=name, kind="BMP")
    offset, info, width, height, _planes, bits, packing = struct.unpack_from("<IIiiHHI", data, 10)
    if info < 40:
        raise bad_frame("flavour", name=name, kind="BMP", flavour=f"a {info}-byte header")
    check_size("BMP", name, width, abs(height))
    if bits not in (8, 24, 32) or packing not in ((0, 3) if bits == 32 else (0,)):
        raise bad_frame("flavour", name=name, kind="BMP", flavour=f"{bits} bits a pixel, packing {packing}")
    size = (width * bits // 8 + 3) // 4 * 4 * abs(height)
    need_bytes(data, offset + size, name=name, kind="BMP")
    return Header("BMP", width, abs(height), bits // 8, 8, 255, raw=(offset, size))


def pixels(data: bytes, head: Header, name: str) -> Picture:
    """The picture, uint8 (rows, columns) or (rows, columns, channels) in BGR order, top row first."""
    assert head.raw is not None
    offset, size = head.raw
    height = struct.unpack_from("<i", data, 22)[0]
    rows = np.frombuffer(data, np.uint8, size, offset).reshape(head.height_px, -1)
    rows = rows[:, : head.width_px * head.channels]
    if height > 0:
        rows = rows[::-1]
    if head.channels > 1:
        return np.ascontiguousarray(rows).reshape(head.height_px, head.width_px, head.channels)
    palette = _palette(data, offset)
    if palette is None:
        return np.ascontiguousarray(rows)
    return palette[rows]


def _palette(data: bytes, offset: int) -> Picture | None:
    """uint8 (256,) or (256, 3): what each index stands for; None for the plain grey ramp."""
    info, used = struct.unpack_from("<I", data, 14)[0], struct.unpack_from("<I", data, 46)[0]
    start = 14 + info
    count = min(used or 256, 256, max((offset - start) // 4, 0))
    table = np.zeros((256, 3), np.uint8)
    table[:count] = np.frombuffer(data, np.uint8, count * 4, start).reshape(-1, 4)[:, :3]
    grey = bool((table[:, :1] == table).all())
    if not grey:
        return table
    if count == 0 or bool((table[:count, 0] == np.arange(count)).all()):
        return None
    return table[:, 0].copy()
