"""Small pictures for the phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FrameFile, Picture

from .decode import decode

WIDEST_PX = 960
"""A preview is at most this wide: two side by side fill a phone at three pixels per point."""
QUALITY = 75
"""JPEG quality of a preview: about 60 kB, artefacts smaller than a dot's edge."""
MASK_PX = 240
"""Width of the small picture of clipped areas: fine enough for hatching."""


def _eight_bits(image: Picture, full_scale: int) -> NDArray[np.uint8]:
    if image.dtype == np.uint8:
        return image.astype(np.uint8, copy=False)
    return cv2.convertScaleAbs(image, alpha=255.0 / full_scale).astype(np.uint8, copy=False)


def small(image: Picture, full_scale: int, widest_px: int = WIDEST_PX) -> NDArray[np.uint8]:
    """`image` as uint8, halved by area until less than twice `widest_px` wide, then linearly."""
    out: NDArray[Any] = image
    while out.shape[1] >= 2 * widest_px:
        out = cv2.resize(out, (out.shape[1] // 2, out.shape[0] // 2), interpolation=cv2.INTER_AREA)
    if out.shape[1] > widest_px:
        height = round(out.shape[0] * widest_px / out.shape[1])
        out = cv2.resize(out, (widest_px, height), interpolation=cv2.INTER_LINEAR)
    return _eight_bits(cast(Picture, out), full_scale)


def preview_jpeg(image: Picture, full_scale: int) -> bytes:
    """JPEG bytes of `image` at most `WIDEST_PX` wide, 8-bit."""
    done, data = cv2.imencode(".jpg", small(image, full_scale), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise ValueError(f"a picture of {image.shape} could not be made small")
    return bytes(data)


def preview_of_file(path: Path) -> bytes:
    """JPEG bytes of a picture file, as `preview_jpeg`. Raises BadFrame."""
    frame = decode(FrameFile(camera="", path=path, name=path.name, taken_at_ms=0.0))
    return preview_jpeg(frame.image, frame.full_scale)


def png_of_file(path: Path) -> bytes:
    """Full-size 8-bit PNG of a picture file, its full scale made white. Raises BadFrame."""
    frame = decode(FrameFile(camera="", path=path, name=path.name, taken_at_ms=0.0))
    done, data = cv2.imencode(".png", _eight_bits(frame.image, frame.full_scale))
    if not done:
        raise ValueError(f"a picture of {frame.image.shape} could not be written as PNG")
    return bytes(data)


def saturated_png(image: Picture, clip_level: float) -> bytes:
    """Small grey PNG, 255 where `image` reaches `clip_level`; empty bytes where nothing does."""
    level = float(np.floor(clip_level))
    step = max(1, image.shape[1] // (2 * MASK_PX))
    clipped = (image[::step, ::step] >= level).astype(np.uint8) * 255
    if not clipped.any():
        return b""
    height = max(1, round(clipped.shape[0] * MASK_PX / clipped.shape[1]))
    mask = cv2.resize(clipped, (MASK_PX, height), interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".png", ((mask > 63) * 255).astype(np.uint8))
    return bytes(data) if done else b""
