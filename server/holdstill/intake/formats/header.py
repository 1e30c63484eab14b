"""What a picture file says about itself before any pixel is decoded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np

from holdstill.intake.refusals import bad_frame, unfinished
from holdstill.limits import limit
from holdstill.records import Picture

# OpenCV writes its own complaints to the terminal; ours say the same to the person, in words
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


@dataclass(frozen=True, slots=True)
class Header:
    """A picture file's own account of itself.

    kind
        ``"TIFF"``, ``"PNG"``, ``"BMP"``, ``"PGM"`` or ``"JPEG"``.
    bits
        Bits per sample as stored (8, 16, or 10/12/14 packed).
    full_scale
        Largest value that can occur when the file declares it, else None.
    raw
        (offset, bytes) of the pixels when they are stored plainly, else None.
    """

    kind: str
    width_px: int
    height_px: int
    channels: int
    bits: int
    full_scale: int | None = None
    raw: tuple[int, int] | None = None
    notes: tuple[str, ...] = ()


def check_size(kind: str, name: str, width_px: int, height_px: int) -> None:
    """Refuse empty and giant pictures by the size their header gives, before memory is taken.

    Raises BadFrame.
    """
    if width_px <= 0 or height_px <= 0:
        raise bad_frame("no-pixels", name=name, kind=kind, width_px=width_px, height_px=height_px)
    side, pixels = int(limit("intake_side_px_max")), int(limit("intake_pixels_max"))
    if max(width_px, height_px) > side or width_px * height_px > pixels:
        numbers = {
            "width_px": width_px,
            "height_px": height_px,
            "side_px": side,
            "megapixels": pixels // 10**6,
        }
        raise bad_frame("giant", name=name, **numbers)


def need_bytes(data: bytes, wanted: int, *, name: str, kind: str) -> None:
    """Refuse a file that ends before `wanted` bytes. Raises Unfinished."""
    if len(data) < wanted:
        raise unfinished("truncated", name=name, kind=kind, got=len(data), wanted=wanted)


def by_opencv(data: bytes, name: str, kind: str) -> Picture:
    """The stored samples as OpenCV decodes them, never scaled, turned or made grey. Raises BadFrame."""
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None:
        raise bad_frame("undecodable", name=name, kind=kind)
    return cast(Picture, image)
