"""PGM and PPM: plain grey and colour pictures, read in place.

Source: the Netpbm format pages for PGM and PPM (P5, P6): ASCII header, one white space, samples
row by row, two bytes big-endian when the largest value is above 255.
"""

from __future__ import annotations

import re

import numpy as np

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.records import Picture

from .header import Header, check_size, need_bytes

MAGICS = (b"P5", b"P6")
_GAP = rb"(?:\s|#[^\n]*\n)+"
_HEAD = re.compile(rb"P([56])" + _GAP + rb"(\d{1,9})" + _GAP + rb"(\d{1,9})" + _GAP + rb"(\d{1,9})\s")


def header(data: bytes, name: str) -> Header:
    """The file's header; its pixels must be there in full. Raises BadFrame."""
    found = _HEAD.match(data[:4096])
    if found is None:
        raise unfinished("damaged", name=name, kind="PGM", at=0)
    letter, width, height, largest = (int(v) for v in found.groups())
    check_size("PGM", name, width, height)
    if not 0 < largest < 65536:
        raise bad_frame("flavour", name=name, kind="PGM", flavour=f"largest value {largest}")
    channels, depth = (3 if letter == 6 else 1), (2 if largest > 255 else 1)
    size = width * height * channels * depth
    need_bytes(data, found.end() + size, name=name, kind="PGM")
    if len(data) > found.end() + size and data[found.end() + size :].lstrip()[:2] in MAGICS:
        raise bad_frame("several-pictures", name=name, kind="PGM")
    # 65535 is what writers put for any 16-bit array: not a declaration
    return Header("PGM", width, height, channels, 8 * depth, None if largest == 65535 else largest,
                  raw=(found.end(), size))  # fmt: skip


def pixels(data: bytes, head: Header, name: str) -> Picture:
    """The picture, uint8 or uint16 (rows, columns) or (rows, columns, 3) in BGR order."""
    assert head.raw is not None
    offset, size = head.raw
    kind = np.dtype(">u2") if head.bits == 16 else np.dtype(np.uint8)
    flat = np.frombuffer(data, kind, size // kind.itemsize, offset)
    native: Picture = flat.astype(np.uint16) if head.bits == 16 else flat.astype(np.uint8)
    if head.channels == 1:
        return native.reshape(head.height_px, head.width_px)
    return native.reshape(head.height_px, head.width_px, 3)[:, :, ::-1]
