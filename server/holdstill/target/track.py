"""From the last picture to this one: dots looked for where they were, in small windows only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture, Plate, Sighting

from .compiled import compiled, median
from .tables import tables_of
from .viewmap import ViewMap, fit_view_map

_LEAST_SHARE = 0.97
_GUIDES = 24
_SAMPLES_ACROSS = 9.0


def follow(
    image: Picture, plate: Plate, hint: Sighting
) -> tuple[NDArray[np.int64], FloatArray, ViewMap] | None:
    """The last sighting's dots in this picture, or None when they can't be followed.

    Returns point numbers (n,), their rough centres (n, 2), px, and the map (plate mm -> picture)
    through them.  The plate may have moved by about a third of the pitch and turned a little.  Gives up
    (so that a full search follows) when less than 97 % of the dots that should still be in the picture
    are where the map through the others puts them: a plate that slipped by a whole pitch shows that way.
    """
    if len(hint.point_ids) < 12 or hint.dark_dots is None or not hint.dot_diameter_px:
        return None
    xy = tables_of(plate).xy
    ids = hint.point_ids.astype(np.int64)
    last = np.ascontiguousarray(hint.points_px)
    size = (image.shape[1], image.shape[0])
    view, _ = fit_view_map(xy[ids], last, size, iterations=4)
    jac = view.jacobians(xy[ids]) * plate.pitch_mm
    reach = 0.5 * np.sqrt(np.minimum((jac[:, :, 0] ** 2).sum(axis=1), (jac[:, :, 1] ** 2).sum(axis=1)))
    radius = 0.5 * hint.dot_diameter_px
    step = int(max(1, 2 * radius // _SAMPLES_ACROSS))
    sign = -1.0 if hint.dark_dots else 1.0
    guides = np.arange(0, len(ids), max(1, len(ids) // _GUIDES))
    centres, _ = _centroids(image, last[guides], reach[guides], sign, 1 << 30, step)
    jumps = (centres - last[guides])[np.isfinite(centres[:, 0])]
    if len(jumps) < 0.7 * len(guides):
        return None
    jump = np.array([median(jumps[:, 0]), median(jumps[:, 1])])
    centres, mass = _centroids(image, last + jump, 0.9 * reach, sign, 2, step)
    usual = np.pi * radius**2
    dots = np.isfinite(centres[:, 0]) & (mass > 0.4 * usual) & (mass < 2.0 * usual)
    good = dots
    for _ in range(2):
        if good.sum() < max(12, 0.6 * len(ids)):
            return None
        view, _ = fit_view_map(xy[ids[good]], centres[good], size, start=_shifted(view, jump))
        jump = np.zeros(2)
        at = view(xy[ids])
        off = np.hypot(at[:, 0] - centres[:, 0], at[:, 1] - centres[:, 1])
        before, good = good, dots & (off < 0.2 * reach)
        if np.array_equal(before, good):
            break
    inside = ((at > 1.5 * radius) & (at < np.array(size) - 1 - 1.5 * radius)).all(axis=1)
    if not inside.any() or good[inside].mean() < _LEAST_SHARE:
        return None
    return ids[good], centres[good], view


def _shifted(view: ViewMap, by: FloatArray) -> ViewMap:
    """The map moved by some pixels: a start for a fit."""
    move = np.eye(3)
    move[:2, 2] = by / view.scale_px
    return ViewMap(move @ view.homography, view.centre_px, view.scale_px, view.k1, view.k2)


@compiled
def _centroids(
    image: Picture, at: FloatArray, reach: FloatArray, sign: float, most_rim: int, step: int
) -> tuple[FloatArray, FloatArray]:
    """Centroid (n, 2) and area (n,), px, of what stands out by more than half in each round window,
    from every step-th pixel of every step-th row; far outside the picture where it touches the window's
    rim or does not stand out (told by an area of 0 and NaN)."""
    n = len(at)
    height, width = image.shape
    out = np.empty((n, 2))
    mass = np.zeros(n)
    for k in range(n):
        out[k, 0], out[k, 1] = np.nan, np.nan
        r = max(int(reach[k]) // step, 2)
        cx, cy = int(np.rint(at[k, 0])), int(np.rint(at[k, 1]))
        x0, y0 = cx - r * step, cy - r * step
        if x0 < 0 or y0 < 0 or cx + r * step >= width or cy + r * step >= height:
            continue
        low, high = 1e9, -1e9
        for j in range(2 * r + 1):
            for i in range(2 * r + 1):
                v = float(image[y0 + j * step, x0 + i * step])
                low, high = min(low, v), max(high, v)
        if high - low < 8.0:
            continue
        middle, rim_at = 0.5 * (low + high), (reach[k] - step) ** 2
        sx, sy, count, rim = 0.0, 0.0, 0.0, 0
        for j in range(2 * r + 1):
            for i in range(2 * r + 1):
                x, y = x0 + i * step, y0 + j * step
                far = (x - at[k, 0]) ** 2 + (y - at[k, 1]) ** 2
                if sign * (float(image[y, x]) - middle) > 0.0 and far <= reach[k] * reach[k]:
                    sx += x
                    sy += y
                    count += 1.0
                    rim += 1 if far > rim_at else 0
        if count < 4.0 or rim > most_rim:
            continue
        out[k, 0], out[k, 1] = sx / count, sy / count
        mass[k] = count * step * step
    return out, mass
