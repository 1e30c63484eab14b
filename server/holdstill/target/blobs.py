"""Candidates for dots: small roundish spots that differ from their surroundings, at one scale.

One scale means one reduced picture; `levels` says which scales are worth trying and in what order.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture

from .compiled import compiled

Grey = NDArray[np.uint8]
_COARSE_SIDE_PX = 660
_WINDOW_PX = 41
_CONTRAST = 1.0
_LEAST_AREA_PX = 8
_MOST_BLOBS = 1600


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """A reduced picture: uint8 (h, w), and the factor by which it was reduced (>= 1)."""

    grey: Grey
    factor: int

    def to_full(self, points: FloatArray) -> FloatArray:
        """Picture coordinates of points given in this level's pixels."""
        return np.asarray(points * self.factor + (self.factor - 1) / 2)

    def from_full(self, points: FloatArray) -> FloatArray:
        """This level's pixels of points given in picture coordinates."""
        return np.asarray((points - (self.factor - 1) / 2) / self.factor)


@dataclass(frozen=True, slots=True, eq=False)
class Blobs:
    """Spots of one polarity. Level coordinates.

    centres (n, 2), areas (n,), covariances (n, 3) as xx, xy, yy of the spot's pixels.
    """

    centres: FloatArray
    areas: FloatArray
    covariances: FloatArray
    dark: bool

    def __len__(self) -> int:
        return len(self.centres)


def levels(size: tuple[int, int]) -> list[int]:
    """Reduction factors worth trying for a picture of (width, height), best first.

    The first brings the longer side to about 640 px; then finer ones down to the full picture (for
    small dots), then coarser ones (for dots that fill the picture).
    """
    longest = max(size)
    first = 1
    while longest / first > 1.5 * _COARSE_SIDE_PX:
        first *= 2
    finer = []
    factor = first
    while factor > 1:
        factor //= 2
        finer.append(factor)
    coarser = [first * m for m in (2, 4) if longest / (first * m) >= 120]
    return [first, *finer, *coarser]


def reduced(image: Picture, factor: int, full_scale: int) -> Level:
    """The picture reduced by a power of two (area mean, by halves), as 8 bits."""
    small = image
    done = 1
    while done < factor:
        height, width = small.shape
        small = cv2.resize(  # type: ignore[assignment]
            small[: height // 2 * 2, : width // 2 * 2],
            (width // 2, height // 2),
            interpolation=cv2.INTER_AREA,
        )
        done *= 2
    if small.dtype == np.uint8:
        return Level(small.astype(np.uint8, copy=False), factor)
    return Level(to_8_bits(small, full_scale), factor)


def to_8_bits(image: Picture, full_scale: int) -> Grey:
    """An 8-bit rendering for searching: stretched between the 0.2 and 99.8 % levels."""
    if image.dtype == np.uint8:
        return image.astype(np.uint8, copy=False)
    step = max(1, int(np.sqrt(image.size / 40000)))
    low, high = np.percentile(image[::step, ::step], (0.2, 99.8))
    high = min(max(high, low + 1), full_scale if full_scale > 0 else high)
    scale = 250.0 / max(float(high - low), 1.0)
    stretched = cv2.convertScaleAbs(np.maximum(image, np.uint16(low)), alpha=scale, beta=-float(low) * scale)
    return np.asarray(stretched, dtype=np.uint8)


def find_blobs(level: Level, *, dark: bool, ring: bool = False) -> Blobs:
    """Roundish spots darker (or brighter) than the mean around them by their own local contrast.

    ring: keep spots with a hole as well.
    """
    grey = level.grey
    window = min(_WINDOW_PX, min(grey.shape) // 2 * 2 - 1)
    mean = cv2.blur(grey, (window, window), borderType=cv2.BORDER_REFLECT)
    spread = cv2.blur(cv2.absdiff(grey, mean), (window, window), borderType=cv2.BORDER_REFLECT)
    floor = 2.0 + 2.5 * _noise(grey)
    height = cv2.subtract(mean, grey) if dark else cv2.subtract(grey, mean)
    threshold = cv2.convertScaleAbs(spread, alpha=_CONTRAST, beta=0.0)
    mask = cv2.compare(height, cv2.max(threshold, np.array([floor], dtype=np.float64)), cv2.CMP_GT)
    count, label_image, table, _ = cv2.connectedComponentsWithStats(mask, connectivity=4, ltype=cv2.CV_32S)
    labels, stats = np.asarray(label_image, np.int32), np.asarray(table, np.int32)
    wide, high, area = stats[:, 2], stats[:, 3], stats[:, 4]
    x0, y0 = stats[:, 0], stats[:, 1]
    inside = (x0 > 0) & (y0 > 0) & (x0 + wide < grey.shape[1]) & (y0 + high < grey.shape[0])
    fill = area / (wide * high)
    most = 2.2 * window
    keep = (
        inside & (area >= _LEAST_AREA_PX) & (wide < most) & (high < most)
        & (wide < 3.5 * high) & (high < 3.5 * wide) & (fill > (0.3 if ring else 0.5))
    )  # fmt: skip
    keep[0] = False
    numbers = np.full(count, -1, np.int32)
    chosen = np.flatnonzero(keep)
    numbers[chosen] = np.arange(len(chosen))
    sums = _moments(labels, numbers, x0, y0, wide, high, chosen.astype(np.int32))
    if len(chosen) == 0:
        return Blobs(np.empty((0, 2)), np.empty(0), np.empty((0, 3)), dark)
    n = sums[:, 0]
    centre = sums[:, 1:3] / n[:, None]
    cov = sums[:, 3:6] / n[:, None] - np.stack(
        [centre[:, 0] ** 2, centre[:, 0] * centre[:, 1], centre[:, 1] ** 2], axis=1
    )
    cov[:, 0] += 1 / 12
    cov[:, 2] += 1 / 12
    det = np.maximum(cov[:, 0] * cov[:, 2] - cov[:, 1] ** 2, 1e-6)
    roundness = n / (4 * np.pi * np.sqrt(det))
    good = (roundness > (0.4 if ring else 0.82)) & (roundness < 1.2)
    order = np.flatnonzero(good)
    if len(order) > _MOST_BLOBS:
        order = order[np.argsort(-roundness[order])[:_MOST_BLOBS]]
    return Blobs(
        centre[order] + np.stack([x0[chosen[order]], y0[chosen[order]]], axis=1), n[order], cov[order], dark
    )


def _noise(grey: Grey) -> float:
    """Noise of the reduced picture: a quarter of the differences of neighbours are below it."""
    step = max(1, grey.shape[0] // 64)
    rows = grey[::step].astype(np.int16)
    steps = np.abs(np.diff(rows, axis=1)).ravel()
    return float(np.partition(steps, int(0.35 * len(steps)))[int(0.35 * len(steps))]) / 0.64


@compiled
def _moments(
    labels: NDArray[np.int32],
    numbers: NDArray[np.int32],
    x0: NDArray[np.int32],
    y0: NDArray[np.int32],
    wide: NDArray[np.int32],
    high: NDArray[np.int32],
    chosen: NDArray[np.int32],
) -> FloatArray:
    """Sums 1, x, y, xx, xy, yy of each chosen component, coordinates from its box's corner."""
    sums = np.zeros((len(chosen), 6))
    for k in range(len(chosen)):
        c = chosen[k]
        for y in range(high[c]):
            for x in range(wide[c]):
                if numbers[labels[y0[c] + y, x0[c] + x]] == k:
                    sums[k, 0] += 1
                    sums[k, 1] += x
                    sums[k, 2] += y
                    sums[k, 3] += x * x
                    sums[k, 4] += x * y
                    sums[k, 5] += y * y
    return sums
