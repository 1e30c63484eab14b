"""Grey pixels as cameras pack them, to whole numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import Picture

FULL_SCALES = {"Mono8": 255, "Mono10": 1023, "Mono12": 4095, "Mono14": 16383, "Mono16": 65535}
"""Largest value of each kind of grey pixel (GenICam Pixel Format Naming Convention 2.4, section 3)."""


def full_scale_of(pixel_format: str) -> int | None:
    """The largest value of a grey pixel format (``Mono12p``, ``Mono12Packed``); None for others."""
    return FULL_SCALES.get(pixel_format.removesuffix("Packed").removesuffix("p"))


def bytes_of(pixel_format: str, pixels: int) -> int:
    """Bytes that so many pixels take, without padding. Raises ValueError for an unknown format."""
    full = full_scale_of(pixel_format)
    if full is None:
        raise ValueError(f"{pixel_format} is no grey pixel format")
    bits = full.bit_length()
    if pixel_format.endswith("Packed"):
        return -(-pixels * 3 // 2)
    if pixel_format.endswith("p"):
        return -(-pixels * bits // 8)
    return pixels * (1 if bits == 8 else 2)


def unpack(data: bytes | NDArray[np.uint8], pixel_format: str, width: int, height: int) -> Picture:
    """Rows and columns of uint8 or uint16 from a camera's bytes, values as they are.

    ``Mono8``; ``Mono10``, ``12``, ``14``, ``16`` in two bytes, little-endian; ``Mono10p`` and
    ``Mono12p`` (a stream of bits, lowest first, PFNC 2.4 section 5); ``Mono10Packed`` and
    ``Mono12Packed`` (GigE Vision 1.x: high bits of two pixels in bytes 0 and 2, their low bits
    together in byte 1; from memory).  Raises ValueError for another format or too few bytes.
    """
    raw = np.frombuffer(data, np.uint8) if isinstance(data, bytes) else data.reshape(-1)
    pixels = width * height
    need = bytes_of(pixel_format, pixels)
    if raw.size < need:
        raise ValueError(f"{raw.size} bytes, {need} wanted for {width} x {height} of {pixel_format}")
    raw = raw[:need]
    if pixel_format == "Mono8":
        return raw.reshape(height, width).copy()
    if pixel_format.endswith("Packed"):
        values = _packed(raw, pixels, 4 if pixel_format.startswith("Mono12") else 2)
    elif pixel_format == "Mono12p":
        values = _twelve(raw, pixels)
    elif pixel_format == "Mono10p":
        values = _ten(raw, pixels)
    else:
        values = raw.view("<u2").astype(np.uint16)
    return values[:pixels].reshape(height, width)


def _padded(raw: NDArray[np.uint8], group: int) -> NDArray[np.uint16]:
    """Bytes in whole groups, as 16-bit numbers: (groups, group)."""
    short = -raw.size % group
    whole = np.concatenate([raw, np.zeros(short, np.uint8)]) if short else raw
    return whole.reshape(-1, group).astype(np.uint16)


def _twelve(raw: NDArray[np.uint8], pixels: int) -> NDArray[np.uint16]:
    b = _padded(raw, 3)
    out = np.empty((len(b), 2), np.uint16)
    out[:, 0] = b[:, 0] | (b[:, 1] & 0x0F) << 8
    out[:, 1] = b[:, 1] >> 4 | b[:, 2] << 4
    return out.reshape(-1)[:pixels]


def _ten(raw: NDArray[np.uint8], pixels: int) -> NDArray[np.uint16]:
    b = _padded(raw, 5)
    out = np.empty((len(b), 4), np.uint16)
    for i in range(4):
        out[:, i] = (b[:, i] >> 2 * i | b[:, i + 1] << (8 - 2 * i)) & 0x3FF
    return out.reshape(-1)[:pixels]


def _packed(raw: NDArray[np.uint8], pixels: int, low_bits: int) -> NDArray[np.uint16]:
    b = _padded(raw, 3)
    mask = (1 << low_bits) - 1
    out = np.empty((len(b), 2), np.uint16)
    out[:, 0] = b[:, 0] << low_bits | b[:, 1] & mask
    out[:, 1] = b[:, 2] << low_bits | b[:, 1] >> 4 & mask
    return out.reshape(-1)[:pixels]
