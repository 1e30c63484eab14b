"""Candidates for dots: small roundish spots that differ from their surroundings, at one scale.

One scale means one reduced picture; `levels` says which scales are worth trying and in what order.
"""
# ruff: noqa: PLR0912 - compiled loops are one piece

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Nothing, Picture

from .compiled import compiled

Grey = NDArray[np.uint8]
_COARSE_SIDE_PX = 660
_WINDOW_PX = 41
_CONTRAST = 1.0
_LEAST_AREA_PX = 8
_LEAST_SIDE_PX = 64
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


def too_small(image: Picture) -> Nothing | None:
    """Nothing ``"picture too small"`` for a picture of less than 64 px either way."""
    height, width = image.shape
    if min(height, width) >= _LEAST_SIDE_PX:
        return None
    return Nothing("picture too small", {"width_px": width, "height_px": height, "needed_px": _LEAST_SIDE_PX})


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
    """The picture reduced by a power of two (area mean), as 8 bits."""
    small, done = (_quartered(image), 4) if factor >= 4 else (image, 1)
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


@compiled
def _quartered(image: Picture) -> Picture:
    """Means of squares of four by four pixels."""
    height, width = image.shape[0] // 4, image.shape[1] // 4
    out = np.empty((height, width), image.dtype)
    line = np.empty(4 * width, np.uint32)
    for y in range(height):
        for x in range(4 * width):
            upper = np.uint32(image[4 * y, x]) + np.uint32(image[4 * y + 1, x])
            line[x] = upper + np.uint32(image[4 * y + 2, x]) + np.uint32(image[4 * y + 3, x])
        for x in range(width):
            total = line[4 * x] + line[4 * x + 1] + line[4 * x + 2] + line[4 * x + 3]
            out[y, x] = (total + np.uint32(8)) >> np.uint32(4)
    return out


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
    mean, spread = _surroundings(grey, window)
    floor = 2.0 + 2.5 * _noise(grey)
    sums = _spots(grey, mean, spread, floor, dark)
    n, wide, high = sums[:, 0], sums[:, 8] - sums[:, 6] + 1, sums[:, 9] - sums[:, 7] + 1
    fill, most = n / (wide * high), 2.2 * window
    centre = sums[:, 1:3] / n[:, None]
    cov = sums[:, 3:6] / n[:, None] - centre[:, [0, 0, 1]] * centre[:, [0, 1, 1]]
    cov[:, [0, 2]] += 1 / 12
    roundness = n / (4 * np.pi * np.sqrt(np.maximum(cov[:, 0] * cov[:, 2] - cov[:, 1] ** 2, 1e-6)))
    order = np.flatnonzero(
        (wide < most) & (high < most) & (wide < 3.5 * high) & (high < 3.5 * wide)
        & (fill > (0.3 if ring else 0.5)) & (roundness > (0.4 if ring else 0.82)) & (roundness < 1.2)
    )  # fmt: skip
    if len(order) > _MOST_BLOBS:
        order = order[np.argsort(-roundness[order])[:_MOST_BLOBS]]
    corner = sums[order, 6:8]
    return Blobs(centre[order] + corner, n[order], cov[order], dark)


def _surroundings(grey: Grey, window: int) -> tuple[Grey, Grey]:
    """Mean and mean absolute deviation in a window about each pixel; in a large picture worked out at half
    size (both change slowly) and brought back to the picture's."""
    if min(grey.shape) < 4 * window:
        mean = cv2.blur(grey, (window, window), borderType=cv2.BORDER_REFLECT)
        spread = cv2.blur(cv2.absdiff(grey, mean), (window, window), borderType=cv2.BORDER_REFLECT)
        return np.asarray(mean, np.uint8), np.asarray(spread, np.uint8)
    height, width = grey.shape
    size, across = ((width + 1) // 2, (height + 1) // 2), (window // 2 | 1, window // 2 | 1)
    half = cv2.blur(
        cv2.resize(grey, size, interpolation=cv2.INTER_AREA), across, borderType=cv2.BORDER_REFLECT
    )
    mean = cv2.resize(half, (width, height), interpolation=cv2.INTER_LINEAR)
    away = cv2.resize(cv2.absdiff(grey, mean), size, interpolation=cv2.INTER_AREA)
    half = cv2.blur(away, across, borderType=cv2.BORDER_REFLECT)
    spread = cv2.resize(half, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(mean, np.uint8), np.asarray(spread, np.uint8)


@compiled
def _noise(grey: Grey) -> float:
    """Noise of the reduced picture: 35 % of the differences of neighbours are below 0.64 of it."""
    step = max(1, grey.shape[0] // 64)
    counts = np.zeros(256, np.int64)
    total = 0
    for y in range(0, grey.shape[0], step):
        for x in range(grey.shape[1] - 1):
            counts[abs(np.int64(grey[y, x + 1]) - np.int64(grey[y, x]))] += 1
        total += grey.shape[1] - 1
    seen = 0
    for value in range(256):
        seen += counts[value]
        if seen > 0.35 * total:
            return value / 0.64
    return 255 / 0.64


@compiled
def _spots(grey: Grey, mean: Grey, spread: Grey, floor: float, dark: bool) -> FloatArray:
    """Connected regions (4 neighbours) that stand out, none of fewer than 8 pixels or at the border.

    Rows of sums 1, x, y, xx, xy, yy (coordinates from the box's corner) and the box x0, y0, x1, y1.
    """
    first, last, row, parent = _runs(grey, mean, spread, floor, dark)
    count = len(parent)
    number = np.empty(count, np.int32)
    found = 0
    for i in range(count):
        root = i
        while parent[root] != root:
            root = parent[root]
        parent[i] = root
        if root == i:
            number[i] = found
            found += 1
    box = np.empty((found, 4), np.int32)
    area = np.zeros(found, np.int64)
    for i in range(count):
        k = number[parent[i]]
        if area[k] == 0:
            box[k, 0], box[k, 1], box[k, 2], box[k, 3] = first[i], row[i], last[i], row[i]
        else:
            box[k, 0], box[k, 2] = min(box[k, 0], first[i]), max(box[k, 2], last[i])
            box[k, 1], box[k, 3] = min(box[k, 1], row[i]), max(box[k, 3], row[i])
        area[k] += last[i] - first[i] + 1
    kept = 0
    place = np.empty(found, np.int32)
    for k in range(found):
        inside = box[k, 0] > 0 and box[k, 1] > 0
        inside = inside and box[k, 2] < grey.shape[1] - 1 and box[k, 3] < grey.shape[0] - 1
        place[k] = -1
        if inside and area[k] >= _LEAST_AREA_PX:
            place[k] = kept
            kept += 1
    sums = np.zeros((kept, 10))
    for k in range(found):
        if place[k] >= 0:
            for q in range(4):
                sums[place[k], 6 + q] = box[k, q]
    for i in range(count):
        at = place[number[parent[i]]]
        if at < 0:
            continue
        a, b, y = float(first[i] - sums[at, 6]), float(last[i] - sums[at, 6]), float(row[i] - sums[at, 7])
        n = b - a + 1.0
        sx = 0.5 * n * (a + b)
        sums[at, 0] += n
        sums[at, 1] += sx
        sums[at, 2] += n * y
        sums[at, 3] += (b * (b + 1.0) * (2.0 * b + 1.0) - (a - 1.0) * a * (2.0 * a - 1.0)) / 6.0
        sums[at, 4] += sx * y
        sums[at, 5] += n * y * y
    return sums


@compiled
def _runs(
    grey: Grey, mean: Grey, spread: Grey, floor: float, dark: bool
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]:
    """Runs of pixels that stand out: first and last column, row, and a run of the same region (itself for
    one run of each region)."""
    height, width = grey.shape
    room = height * (width // 2 + 1)
    first, last = np.empty(room, np.int32), np.empty(room, np.int32)
    row, parent = np.empty(room, np.int32), np.empty(room, np.int32)
    padded = (width + 8) // 8 * 8
    mask = np.zeros(padded, np.uint8)
    eights = mask.view(np.uint64)
    sign = np.int16(-1 if dark else 1)
    least = np.int16(min(int(np.floor(floor)), 30000))
    count, above, here = 0, 0, 0
    for y in range(height):
        for x in range(width):
            step = sign * (np.int16(grey[y, x]) - np.int16(mean[y, x]))
            mask[x] = 1 if step > max(np.int16(spread[y, x]), least) else 0
        here = count
        upper = above
        x = 0
        while x < width:
            if x % 8 == 0 and eights[x // 8] == 0:
                x += 8
                continue
            if mask[x] == 0:
                x += 1
                continue
            first[count] = x
            while mask[x] != 0:
                x += 1
            last[count], row[count], parent[count] = x - 1, y, count
            while upper < here and last[upper] < first[count]:
                upper += 1
            other = upper
            while other < here and first[other] <= last[count]:
                a, b = other, count
                while parent[a] != a:
                    parent[a] = parent[parent[a]]
                    a = parent[a]
                while parent[b] != b:
                    b = parent[b]
                if a != b:
                    parent[max(a, b)] = min(a, b)
                other += 1
            count += 1
        above = here
    return first[:count], last[:count], row[:count], parent[:count]
