"""Grey levels of a frame: where it clips, what share does, how bright it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.errors import BadFrame
from holdstill.limits import limit
from holdstill.records import FloatArray, Picture

from .compiled import count_at_least, pile, summary
from .compiled import histogram as histogram_of

ROW_STEP = 20
"""Every twentieth row is enough for level statistics of a frame of megapixels."""

SHARE_STEP = 10
FIRST_ROW = 1
ENOUGH_PX = 500_000
"""Of larger frames only every k-th row is used, to about this many pixels. All measures use the same rows as
far as can be: fetching them is what costs."""


def row_step(image: Picture) -> int:
    """Which k-th rows (and the two below each) of a frame are read for gradients and noise."""
    return max(1, image.size // ENOUGH_PX)


@dataclass(frozen=True, slots=True)
class Levels:
    """Grey levels of one frame.

    step
        Distance between neighbouring codes (16 for 12 bits shifted left by four), grey values.
    clip_level
        Level at which the frame clips, grey values; `clip_seen`: a pile-up of pixels showed it,
        otherwise it is the largest code of the bit depth that the data use.
    clip_from
        Pixels at or above this level count as clipped (lower flank of the pile-up).
    mean, low, high
        Mean, 1st and 99th percentile, grey values.
    histogram
        Counts per code, ``histogram[k]`` for level ``k * step``, over a share of the rows (one in
        `ROW_STEP` for frames of megapixels).
    """

    step: int
    clip_level: float
    clip_from: float
    clip_seen: bool
    mean: float
    low: float
    high: float
    histogram: FloatArray


def checked(image: Picture, *, where: str) -> Picture:
    """`image` if it is a grey uint8 or uint16 picture of at least 32 x 32 px. Raises BadFrame."""
    if not isinstance(image, np.ndarray) or image.ndim != 2:
        got = getattr(image, "shape", type(image).__name__)
        raise BadFrame(
            f"The frame of {where} is {got}, wanted one grey plane (rows, columns); reduce it to grey first."
        )
    if image.dtype not in (np.uint8, np.uint16):
        raise BadFrame(f"The frame of {where} holds {image.dtype}, wanted uint8 or uint16; convert it first.")
    if min(image.shape) < 32:
        raise BadFrame(
            f"The frame of {where} is {image.shape[1]}x{image.shape[0]} px, wanted at least 32x32; "
            "check the file."
        )
    if image.strides[1] == image.itemsize and image.strides[0] > 0:
        return image
    return cast(Picture, np.ascontiguousarray(image))


def levels(image: Picture, *, full_scale: int) -> Levels:
    """Levels of a frame, the clipping level found from the data where they show one.

    image: uint8 or uint16 (rows, columns). `full_scale`: largest value of the format as declared
    (255, 4095, 65535), in grey values.

    A clipping level is believed where the upper end of the histogram piles up: the shot noise of
    a bright but unclipped surface spreads it over many codes and thins it out toward the top,
    while clipping gathers it in a few codes with nothing above (the variance collapses past the
    saturation point: EMVA 1288 R4.0 Linear, from memory). Without a pile-up the level is the
    largest code of the smallest usual bit depth (8, 10, 12, 14, 16) that holds the data. Means
    nothing for drawn pictures without noise, whose plateaus pile up unclipped.
    """
    every = ROW_STEP if image.shape[0] >= 1024 else 2 if image.shape[0] >= 256 else 1
    size = 256 if image.dtype == np.uint8 else _codes(image, full_scale)
    first = FIRST_ROW if image.shape[0] >= 1024 else 0
    counts = histogram_of(np.ascontiguousarray(image), first, every, size)
    step = _step(np.flatnonzero(counts)) if size > 256 else 1
    histogram = np.ascontiguousarray(counts[::step])
    total, mean, low, high, top = summary(histogram).tolist()
    top_code = _top_of_depth(int(top) * step, full_scale, step)
    spike = _pile_up(histogram, total, top_code // step)
    if spike is None:
        clip, start, seen = top_code, top_code, False
    else:
        clip, start, seen = spike[0] * step, spike[1] * step, True
    return Levels(step, float(clip), float(start), seen, mean * step, low * step, high * step, histogram)


def level_shares(level: Levels, bins: int) -> tuple[float, ...]:
    """Shares of the pixels by level, `bins` equal steps up to the clipping level and beyond."""
    values = np.arange(level.histogram.size) * level.step / max(level.clip_level, 1.0)
    counts, _ = np.histogram(np.minimum(values, 1.0), bins=bins, range=(0.0, 1.0), weights=level.histogram)
    shares = counts / max(float(counts.sum()), 1.0)
    return tuple(round(float(v), 5) for v in shares)


def _codes(image: Picture, full_scale: int) -> int:
    """Length of the histogram: a power of two above the declared full scale and every value seen."""
    top = max(int(image[::ROW_STEP].max()), full_scale, 1023)
    return min(1 << top.bit_length(), 65536)


def saturated_share(image: Picture, clip_from: float) -> float:
    """Share of pixels at or above `clip_from` grey values, 0..1; image uint8 or uint16 (rows, columns).

    Of frames of megapixels every tenth row is counted.
    """
    first, every = (FIRST_ROW, SHARE_STEP) if image.shape[0] >= 1024 else (0, 1)
    count: int = count_at_least(np.ascontiguousarray(image), max(math.ceil(clip_from), 1), first, every)
    rows = len(range(first, image.shape[0], every))
    return float(count / (rows * image.shape[1]))


def at_least(image: NDArray[Any], level: float) -> NDArray[np.uint8]:
    """Mask, uint8 (rows, columns), 255 where `image` is `level` or more."""
    return cast("NDArray[np.uint8]", cv2.compare(image, level, cv2.CMP_GE))  # type: ignore[call-overload]


def _step(used: NDArray[np.int64]) -> int:
    """Distance between codes: the largest power of two (at most 256) that divides every level."""
    bits = int(np.bitwise_or.reduce(used))
    return 1 if bits == 0 else min(bits & -bits, 256)


def _top_of_depth(top: int, full_scale: int, step: int) -> int:
    """Largest code of the bit depth in use, grey values."""
    if step > 1:
        return 65536 - step if full_scale > 32767 else min(full_scale // step * step, 65536 - step)
    for bits in (8, 10, 12, 14, 16):
        code = (1 << bits) - 1
        if code >= full_scale:
            return max(full_scale, top)
        if top <= code and full_scale == 65535 and bits >= 10:
            return code
    return max(full_scale, top)


def _pile_up(histogram: FloatArray, total: float, top_code: int) -> tuple[int, int] | None:
    """Mode and lower flank (codes) of a pile-up at the upper end of the histogram, or None."""
    width = max(1, round(limit("clip_pile_width") * top_code))
    least = limit("clip_least_share_of_full_scale") * top_code
    mode, flank, height, below = pile(histogram, total, width, limit("clip_stray_share"), least)
    if mode < 0 or below < 0 or histogram[mode] < limit("clip_least_pixels_share") * total:
        return None
    if height < limit("clip_pile_ratio") * max(below, 1e-6 * total):
        return None
    return mode, flank
