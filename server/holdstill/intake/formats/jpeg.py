"""JPEG: markers walked to the end of the picture; pixels by OpenCV.

Source: ITU-T T.81 (1992), annex B (marker segments, frame and scan headers).
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.limits import limit
from holdstill.records import Picture

from .header import Header, by_opencv, check_size

MAGIC = b"\xff\xd8\xff"
_FRAMES = set(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def _markers(data: bytes) -> NDArray[np.intp]:
    """Where every marker that can end a scan stands: 0xFF, then neither 0, 0xFF nor a restart."""
    stream = np.frombuffer(data, np.uint8)
    at = np.flatnonzero(stream[:-1] == 0xFF)
    kind = stream[at + 1]
    return np.asarray(at[(kind != 0) & (kind != 0xFF) & ((kind < 0xD0) | (kind > 0xD7))])


def header(data: bytes, name: str) -> Header:
    """The frame header, every marker walked to the end of image. Raises BadFrame."""
    frame: tuple[int, int, int, int] | None = None
    at, scans = 2, 0
    markers = _markers(data)
    while True:
        if at + 4 > len(data) and not data.startswith(b"\xff\xd9", at):
            raise unfinished("truncated", name=name, kind="JPEG", got=len(data), wanted=at + 4)
        marker = data[at + 1]
        if data[at] != 0xFF:
            raise unfinished("damaged", name=name, kind="JPEG", at=at)
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xD9:
            break
        (length,) = struct.unpack_from(">H", data, at + 2)
        if length < 2 or at + 2 + length > len(data):
            wanted = at + 2 + max(length, 2)
            raise unfinished("truncated", name=name, kind="JPEG", got=len(data), wanted=wanted)
        if marker in _FRAMES and length >= 8:
            bits, height, width, channels = struct.unpack_from(">BHHB", data, at + 4)
            frame = (bits, height, width, channels)
            check_size("JPEG", name, width, height)
            if bits != 8:
                raise bad_frame("bit-depth", name=name, kind="JPEG", bits=bits)
        at += 2 + length
        if marker == 0xDA:
            scans += 1
            if scans > limit("intake_jpeg_scans_max"):
                raise bad_frame("too-many-scans", name=name, scans=int(limit("intake_jpeg_scans_max")))
            following = int(np.searchsorted(markers, at))
            if following == len(markers):
                raise unfinished("truncated", name=name, kind="JPEG", got=len(data), wanted=len(data) + 2)
            at = int(markers[following])
    if frame is None or scans == 0:
        raise unfinished("damaged", name=name, kind="JPEG", at=at)
    return Header("JPEG", frame[2], frame[1], frame[3], 8, 255, notes=("JPEG loses detail",))


def pixels(data: bytes, head: Header, name: str) -> Picture:
    """The picture as stored (its orientation tag is not applied), grey or BGR."""
    return by_opencv(data, name, "JPEG")
