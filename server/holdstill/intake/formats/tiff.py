"""TIFF: the first directory read within bounds; plain pixels in place, packed ones by OpenCV.

Source: TIFF revision 6.0 (1992), sections 2 (file header, directories, field types) and 8
(baseline fields); BigTIFF as common practice reads it (magic 43, 8-byte offsets).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import cast

import numpy as np

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.limits import limit
from holdstill.records import Picture

from .header import Header, by_opencv, check_size, need_bytes

MAGICS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_WIDTH, _HEIGHT, _BITS, _PACKING, _MEANING, _OFFSETS, _SAMPLES = 256, 257, 258, 259, 262, 273, 277
_COUNTS, _PLANAR, _SUBFILE = 279, 284, 254
_TILE_WIDTH, _TILE_HEIGHT, _TILE_OFFSETS, _TILE_COUNTS = 322, 323, 324, 325
_SAMPLE_FORMAT, _LARGEST = 339, 281
_TYPES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 16: "Q", 13: "I"}
_PACKINGS = {1: "none", 5: "LZW", 8: "deflate", 32946: "deflate", 32773: "PackBits"}
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Directory:
    """The fields of one directory, field number -> values, and where the next one stands (0: none)."""

    order: str
    fields: dict[int, tuple[int, ...]]
    next_at: int

    def one(self, field: int, otherwise: int) -> int:
        """First value of a field, or `otherwise`."""
        values = self.fields.get(field)
        return values[0] if values else otherwise


def _directory(data: bytes, at: int, order: str, big: bool, name: str) -> Directory:
    """The directory at byte `at`: whole-number fields only, none longer than the strips allowed."""
    count_format, entry, offset_format = ("Q", 20, "Q") if big else ("H", 12, "I")
    head = struct.calcsize("<" + count_format)
    if at < 8 or at + head > len(data):
        raise unfinished("truncated", name=name, kind="TIFF", got=len(data), wanted=at + head)
    (count,) = struct.unpack_from(order + count_format, data, at)
    end = at + head + entry * count
    if count == 0 or count > 4096:
        raise unfinished("damaged", name=name, kind="TIFF", at=at)
    need_bytes(data, end + struct.calcsize("<" + offset_format), name=name, kind="TIFF")
    fields: dict[int, tuple[int, ...]] = {}
    wanted = {_WIDTH, _HEIGHT, _BITS, _PACKING, _MEANING, _OFFSETS, _SAMPLES, _COUNTS, _PLANAR, _SUBFILE,
              _TILE_WIDTH, _TILE_HEIGHT, _TILE_OFFSETS, _TILE_COUNTS, _SAMPLE_FORMAT, _LARGEST}  # fmt: skip
    for start in range(at + head, end, entry):
        field, kind = struct.unpack_from(order + "HH", data, start)
        (items,) = struct.unpack_from(order + offset_format, data, start + 4)
        letter = _TYPES.get(kind)
        if field not in wanted or letter is None:
            continue
        if items > limit("intake_tiff_strips_max"):
            raise bad_frame("flavour", name=name, kind="TIFF", flavour=f"{items} strips")
        size = struct.calcsize("<" + letter) * items
        value_at = start + entry - struct.calcsize("<" + offset_format)
        if size > struct.calcsize("<" + offset_format):
            (value_at,) = struct.unpack_from(order + offset_format, data, value_at)
        need_bytes(data, value_at + size, name=name, kind="TIFF")
        fields[field] = struct.unpack_from(f"{order}{items}{letter}", data, value_at)
    (next_at,) = struct.unpack_from(order + offset_format, data, end)
    return Directory(order, fields, next_at)


def _first(data: bytes, name: str) -> Directory:
    """The first directory; a second full picture is refused."""
    order = "<" if data[:2] == b"II" else ">"
    big = 43 in (data[2], data[3])
    need_bytes(data, 16, name=name, kind="TIFF")
    (at,) = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)
    first = _directory(data, at, order, big, name)
    if first.next_at:
        second = _directory(data, first.next_at, order, big, name)
        if not second.one(_SUBFILE, 0) & 1:  # bit 0: a reduced copy of the first, harmless
            raise bad_frame("several-pictures", name=name, kind="TIFF")
    return first


def header(data: bytes, name: str) -> Header:
    """The file's header; every strip must lie inside the file. Raises BadFrame."""
    first = _first(data, name)
    width, height = first.one(_WIDTH, 0), first.one(_HEIGHT, 0)
    check_size("TIFF", name, width, height)
    if _TILE_OFFSETS in first.fields:
        check_size("TIFF", name, first.one(_TILE_WIDTH, 0), first.one(_TILE_HEIGHT, 0))
    samples, packing, meaning = first.one(_SAMPLES, 1), first.one(_PACKING, 1), first.one(_MEANING, 1)
    bits = set(first.fields.get(_BITS, (1,)))
    sample_format = first.one(_SAMPLE_FORMAT, 1)
    if sample_format != 1 or len(bits) != 1 or not bits <= {8, 10, 12, 14, 16}:
        told = "/".join(str(b) for b in sorted(bits)) + "-bit" + " floating point" * (sample_format == 3)
        raise bad_frame("flavour", name=name, kind="TIFF", flavour=told)
    if packing not in _PACKINGS:
        raise bad_frame("flavour", name=name, kind="TIFF", flavour=f"compression number {packing}")
    if meaning not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB) or samples not in (1, 2, 3, 4):
        flavour = f"colour meaning {meaning}, {samples} samples"
        raise bad_frame("flavour", name=name, kind="TIFF", flavour=flavour)
    depth = bits.pop()
    raw = _extent(data, first, name, (width * samples * depth + 7) // 8 * height)
    declared = first.one(_LARGEST, 0)
    whole = depth == 16 and 255 < declared < 65535 and (declared + 1) & declared == 0
    full_scale = (1 << depth) - 1 if depth < 16 else declared if whole else None
    plain = raw is not None and depth in (8, 16) and (samples == 1 or first.one(_PLANAR, 1) == 1)
    notes = ("white is zero: turned",) if meaning == _WHITE_IS_ZERO else ()
    return Header("TIFF", width, height, samples, depth, full_scale, raw=raw if plain else None, notes=notes)


def _extent(data: bytes, first: Directory, name: str, plain_size: int) -> tuple[int, int] | None:
    """(offset, bytes) of the pixels when the strips follow one another plainly; strips checked."""
    tiled = _TILE_OFFSETS in first.fields
    offsets = first.fields.get(_TILE_OFFSETS if tiled else _OFFSETS, ())
    counts = first.fields.get(_TILE_COUNTS if tiled else _COUNTS, ())
    packing = first.one(_PACKING, 1)
    if not offsets:
        raise unfinished("damaged", name=name, kind="TIFF", at=8)
    if not counts and len(offsets) == 1 and packing == 1:
        counts = (plain_size,)
    if len(counts) != len(offsets):
        raise unfinished("damaged", name=name, kind="TIFF", at=8)
    for offset, count in zip(offsets, counts, strict=True):
        if count == 0 or offset < 8:
            raise unfinished("zero-tail", name=name, kind="TIFF", got=offset, wanted=len(data))
        need_bytes(data, offset + count, name=name, kind="TIFF")
        if packing in (5, 8, 32946):
            _look_written(data, offset, count, name)
    if tiled or packing != 1:
        return None
    for a, n, b in zip(offsets, counts, offsets[1:], strict=False):
        if a + n != b:
            return None
    if sum(counts) < plain_size:
        raise unfinished("truncated", name=name, kind="TIFF", got=sum(counts), wanted=plain_size)
    return offsets[0], plain_size


def _look_written(data: bytes, offset: int, count: int, name: str) -> None:
    """Refuse an LZW or deflate strip that starts or ends in zeros: neither coder writes such."""
    head, tail = data[offset : offset + 2], data[offset + max(count - 24, 0) : offset + count]
    if head == b"\0\0" or (count >= 24 and not any(tail)):
        raise unfinished("zero-tail", name=name, kind="TIFF", got=offset, wanted=len(data))


def pixels(data: bytes, head: Header, name: str) -> Picture:
    """The picture as stored, (rows, columns) or (rows, columns, channels) in BGR order."""
    first = _first(data, name)
    if head.raw is None:
        image = by_opencv(data, name, "TIFF")  # which turns white-is-zero itself
        if head.bits in (10, 12, 14):  # OpenCV puts packed samples at the top of 16 bits
            return cast(Picture, image >> np.uint16(16 - head.bits))
        return image
    offset, size = head.raw
    if head.bits == 8:
        image = np.frombuffer(data, np.uint8, size, offset)
    else:
        image = np.frombuffer(data, np.dtype(first.order + "u2"), size // 2, offset).astype(np.uint16)
    if head.channels == 1:
        image = image.reshape(head.height_px, head.width_px)
    else:
        image = image.reshape(head.height_px, head.width_px, head.channels)
        image = image[:, :, 2::-1] if head.channels >= 3 else image[:, :, 0]
    if first.one(_MEANING, 1) == _WHITE_IS_ZERO:
        return ~image
    return image
