"""From the last picture to this one: dots looked for where they were, in small windows only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Plate, Sighting

from .blobs import Grey, Level
from .compiled import compiled
from .viewmap import ViewMap, fit_view_map

_LEAST_SHARE = 0.97
_SMALL_PX = 5.0


def tracking_factor(hint: Sighting) -> int:
    """Reduction (a power of two) at which the last picture's dots were still about 8 px wide."""
    diameter = hint.dot_diameter_px or 0.0
    factor = 1
    while diameter / (2 * factor) >= 8.0 and factor < 8:
        factor *= 2
    return factor


def follow(
    level: Level, plate: Plate, hint: Sighting
) -> tuple[NDArray[np.int64], FloatArray, ViewMap] | None:
    """Rough centres of the last sighting's dots in this picture, or None when they can't be followed.

    Returns point numbers (n,), centres (n, 2) in picture px, and the map through them.  The plate
    may have moved by about a third of the pitch and turned a little.  Gives up (so that a full search
    follows) when less than 97 % of the dots that should still be in the picture are where the map
    through the others puts them: a plate that slipped by a whole pitch shows up that way.
    """
    if len(hint.point_ids) < 12 or hint.dark_dots is None or not hint.dot_diameter_px:
        return None
    mm = plate.points_mm()[:, :2]
    ids = hint.point_ids.astype(np.int64)
    last = level.from_full(hint.points_px)
    size = (level.grey.shape[1], level.grey.shape[0])
    radius = 0.5 * hint.dot_diameter_px / level.factor
    view, _ = fit_view_map(mm[ids], last, size, iterations=4)
    jac = view.jacobians(mm[ids]) * plate.pitch_mm
    reach = 0.5 * np.minimum(np.hypot(jac[:, 0, 0], jac[:, 1, 0]), np.hypot(jac[:, 0, 1], jac[:, 1, 1]))
    sign = -1.0 if hint.dark_dots else 1.0
    centres, mass = _centroids(level.grey, last, reach, sign, 1 << 30)
    near = np.isfinite(centres).all(axis=1)
    if near.sum() < 0.7 * len(ids):
        return None
    jump = np.median((centres - last)[near], axis=0)
    centres, mass = _centroids(level.grey, last + jump, 0.9 * reach, sign, 2)
    usual = np.pi * radius**2
    good = np.isfinite(centres).all(axis=1) & (mass > 0.4 * usual) & (mass < 2.0 * usual)
    if good.sum() < max(12, 0.6 * len(ids)):
        return None
    for _ in range(2):
        view, _ = fit_view_map(mm[ids[good]], centres[good], size, iterations=5)
        off = np.hypot(*(view(mm[ids]) - centres).T)
        good = np.isfinite(off) & (off < 0.2 * reach) & (mass > 0.4 * usual) & (mass < 2.0 * usual)
        if good.sum() < 12:
            return None
    at = view(mm[ids])
    inside = ((at > 1.5 * radius) & (at < np.array(size) - 1 - 1.5 * radius)).all(axis=1)
    if good[inside].mean() < _LEAST_SHARE:
        return None
    return ids[good], level.to_full(centres[good]), view.enlarged(level.factor)


@compiled
def _centroids(
    grey: Grey, at: FloatArray, reach: FloatArray, sign: float, most_rim: int
) -> tuple[FloatArray, FloatArray]:
    """Centroid (n, 2) and area (n,) of what stands out by more than half in each square window; NaN
    where it touches the window's rim or does not stand out."""
    n = len(at)
    height, width = grey.shape
    out = np.full((n, 2), np.nan)
    mass = np.zeros(n)
    for k in range(n):
        r = max(int(reach[k]), 2)
        cx, cy = int(np.round(at[k, 0])), int(np.round(at[k, 1]))
        x0, x1, y0, y1 = cx - r, cx + r, cy - r, cy + r
        if x0 < 0 or y0 < 0 or x1 >= width or y1 >= height:
            continue
        low, high = 255, 0
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                v = int(grey[y, x])
                low, high = min(low, v), max(high, v)
        if high - low < 8:
            continue
        middle = 0.5 * (low + high)
        sx, sy, count = 0.0, 0.0, 0.0
        rim = 0
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                far = (x - at[k, 0]) ** 2 + (y - at[k, 1]) ** 2
                w = sign * (float(grey[y, x]) - middle)
                if w > 0.0 and far <= reach[k] * reach[k]:
                    sx += x
                    sy += y
                    count += 1.0
                    if far > (reach[k] - 1.0) ** 2:
                        rim += 1
        if count < 4.0 or rim > most_rim:
            continue
        out[k, 0], out[k, 1] = sx / count, sy / count
        mass[k] = count
    return out, mass
