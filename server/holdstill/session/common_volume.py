"""What several converging cameras see together and sharp: outline from above, volume, largest box.

Frame "bench", used here: origin where the optical axes cross, x to the right as the cameras look,
y down, z away from the cameras along the middle of their axes; millimetres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holdstill.records import FloatArray

_CAP = 50.0
"""Where a depth of field without a far end is cut, in stand-offs."""
_GRID = 161


@dataclass(frozen=True, slots=True)
class Sight:
    """One camera on the bench, focused at the crossing point.

    angle_deg
        How far it stands to the right of the middle, seen from the crossing point.
    half_width, half_height
        Tangents of half the picture's angle of view.
    near_mm, far_mm
        Depth of field along its axis; `far_mm` may be infinite.
    """

    angle_deg: float
    stand_off_mm: float
    half_width: float
    half_height: float
    near_mm: float
    far_mm: float

    @property
    def axis(self) -> FloatArray:
        """Direction of view, (x, z), unit length."""
        angle = math.radians(self.angle_deg)
        return np.array([-math.sin(angle), math.cos(angle)])

    @property
    def right(self) -> FloatArray:
        """The picture's right, (x, z), unit length."""
        angle = math.radians(self.angle_deg)
        return np.array([math.cos(angle), math.sin(angle)])

    @property
    def centre_mm(self) -> FloatArray:
        """Entrance pupil, (x, z)."""
        return -self.stand_off_mm * self.axis

    def sides(self) -> list[tuple[FloatArray, float]]:
        """The two sides of the picture as half planes ``n . p <= e`` in (x, z)."""
        reach = self.half_width * self.stand_off_mm
        return [(sign * self.right - self.half_width * self.axis, reach) for sign in (1.0, -1.0)]

    def ends(self) -> list[tuple[FloatArray, float]]:
        """Where it is sharp, as half planes; a missing far end is cut at 50 stand-offs."""
        far = min(self.far_mm, _CAP * self.stand_off_mm)
        return [(-self.axis, self.stand_off_mm - self.near_mm), (self.axis, far - self.stand_off_mm)]


@dataclass(frozen=True, slots=True)
class CommonVolume:
    """What all cameras see sharp.

    outline_mm
        From above, counter-clockwise (x, z) corners, bench frame; cut at 50 stand-offs where endless.
    litres
        Its volume, heights included; None where it has no far end.
    box_mm
        Width x height x depth of the largest box about the crossing point that lies inside.
    """

    outline_mm: tuple[tuple[float, float], ...]
    litres: float | None
    box_mm: tuple[float, float, float]


def common_volume(sights: Sequence[Sight]) -> CommonVolume:
    """Intersection of the cameras' pyramids of view, each cut to its depth of field.

    Exact for pinholes in one plane (their heights and rolls alike): half planes clip the outline,
    and over the part where one camera's picture is the lowest the height is linear, so its mean
    is the value at the centroid (geometry).  The box is searched on a grid, good to about 1 %.
    """
    start = 2.0 * _CAP * max(sight.stand_off_mm for sight in sights)
    outline: FloatArray = np.array([[-start, -start], [start, -start], [start, start], [-start, start]])
    for sight in sights:
        for normal, end in sight.sides() + sight.ends():
            outline = clipped(outline, normal, end)
    endless = any(
        float(((outline - s.centre_mm) @ s.axis).max()) > 0.999 * _CAP * s.stand_off_mm for s in sights
    )
    litres = None if endless else _litres(outline, sights)
    return CommonVolume(tuple((float(x), float(z)) for x, z in outline), litres, _box(sights))


def common_field_mm(sights: Sequence[Sight]) -> tuple[float, float]:
    """Width and height of the rectangle about the crossing point, square to the middle of the axes,
    that lies wholly inside every picture (mm)."""
    half_width = min(e / abs(float(n[0])) for s in sights for n, e in s.sides())
    half_height = min(s.half_height * (s.stand_off_mm - abs(float(s.axis[0])) * half_width) for s in sights)
    return 2.0 * half_width, 2.0 * half_height


def clipped(polygon: FloatArray, normal: FloatArray, end: float) -> FloatArray:
    """Part of a convex polygon (N, 2) where ``normal . p <= end``; (0, 2) when nothing is left.

    Sutherland & Hodgman, Comm. ACM 17 (1974) 32-42 (from memory).
    """
    over = polygon @ normal - end
    kept: list[FloatArray] = []
    for k in range(len(polygon)):
        here, there = over[k], over[(k + 1) % len(polygon)]
        if here <= 0:
            kept.append(polygon[k])
        if here * there < 0:
            kept.append(polygon[k] + (polygon[(k + 1) % len(polygon)] - polygon[k]) * here / (here - there))
    return np.array(kept, dtype=np.float64).reshape(-1, 2)


def _litres(outline: FloatArray, sights: Sequence[Sight]) -> float:
    total = 0.0
    for lowest in sights:
        part = outline
        for other in sights:
            if other is not lowest:
                slope = lowest.half_height * lowest.axis - other.half_height * other.axis
                gap = other.half_height * other.stand_off_mm - lowest.half_height * lowest.stand_off_mm
                part = clipped(part, slope, gap) if len(part) else part
        area, middle = _area_and_middle(part)
        height = 2.0 * lowest.half_height * float((middle - lowest.centre_mm) @ lowest.axis)
        total += area * height
    return total / 1e6


def _area_and_middle(polygon: FloatArray) -> tuple[float, FloatArray]:
    """Area and centroid of a polygon (shoelace formula)."""
    if len(polygon) < 3:
        return 0.0, np.zeros(2)
    after = np.roll(polygon, -1, axis=0)
    cross = polygon[:, 0] * after[:, 1] - polygon[:, 1] * after[:, 0]
    area = 0.5 * float(cross.sum())
    if area == 0.0:
        return 0.0, np.zeros(2)
    return abs(area), np.asarray(((polygon + after) * cross[:, None]).sum(axis=0) / (6.0 * area))


def _box(sights: Sequence[Sight]) -> tuple[float, float, float]:
    bounds = [bound for s in sights for bound in s.sides() + s.ends()]
    across = np.array([[max(abs(float(n[0])), 1e-12), max(abs(float(n[1])), 1e-12), e] for n, e in bounds])
    deepest = float((across[:, 2] / across[:, 1]).min())
    c = np.linspace(0.0, deepest, _GRID)[:, None]
    left = np.maximum(across[:, 2] - across[:, 1] * c, 0.0)
    widest = (left / across[:, 0]).min(axis=1, keepdims=True)
    a = widest * np.linspace(0.0, 1.0, _GRID)[None, :]
    heights = [
        s.half_height * (s.stand_off_mm - abs(float(s.axis[0])) * a - abs(float(s.axis[1])) * c)
        for s in sights
    ]
    b = np.min(heights, axis=0)
    best = np.unravel_index(int(np.argmax(a * b * c)), a.shape)
    depth = float(c[best[0], 0])
    return 2.0 * float(a[best]), 2.0 * float(b[best]), 2.0 * depth
