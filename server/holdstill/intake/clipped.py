"""Where a stored picture clips, at full size, for the pages' hatching."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from holdstill.records import FrameFile

from .decode import decode


def clipped_of_file(path: Path, clip_level: float) -> bytes:
    """PNG of a picture file's size, 255 where it reaches `clip_level` (grey values), 0 elsewhere; empty
    bytes where nothing does. Raises BadFrame."""
    frame = decode(FrameFile(camera="", path=path, name=path.name, taken_at_ms=0.0))
    mask = (frame.image >= np.floor(clip_level)).astype(np.uint8) * 255
    if not mask.any():
        return b""
    done, data = cv2.imencode(".png", mask, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return bytes(data) if done else b""
