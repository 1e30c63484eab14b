"""Exact share of each pixel that a polygon covers.

Green's theorem per pixel: every edge is cut where it crosses a pixel border; each piece then adds
its height to the pixels to its right and the trapezoid beside it to its own pixel.  Own derivation
(the method is that of any scan converter with area coverage).
"""

from __future__ import annotations

import numpy as np

from holdstill.records import FloatArray


def polygon_coverage(vertices_px: FloatArray, width: int, height: int) -> FloatArray:
    """Covered share 0..1 of each pixel, float64 (height, width).

    vertices_px: float64 (n, 2), x right and y down, pixel centres at whole numbers (pixel (0, 0)
    spans -0.5..0.5); may leave the picture on any side; either sense of rotation.  Exact for simple
    polygons to rounding; self-crossing ones count winding.
    """
    return polygons_coverage([vertices_px], width, height)


def polygons_coverage(polygons: list[FloatArray], width: int, height: int) -> FloatArray:
    """Sum of the polygons' covered shares, float64 (height, width); each is counted positive."""
    starts: list[FloatArray] = []
    ends: list[FloatArray] = []
    for vertices in polygons:
        v = np.asarray(vertices, dtype=np.float64) + 0.5
        following = np.roll(v, -1, axis=0)
        area = float(np.sum(v[:, 0] * following[:, 1] - following[:, 0] * v[:, 1]))
        if area < 0:
            v, following = following, v
        starts.append(v)
        ends.append(following)
    if not starts:
        return np.zeros((height, width))
    return _accumulated(np.concatenate(starts), np.concatenate(ends), width, height)


def _accumulated(a: FloatArray, b: FloatArray, width: int, height: int) -> FloatArray:
    a, b = _pieces(a, b, axis=1)
    a, b = _pieces(a, b, axis=0)
    middle = 0.5 * (a + b)
    rise = a[:, 1] - b[:, 1]  # positive areas turn clockwise on screen: left edges go up
    row = np.floor(middle[:, 1]).astype(np.int64)
    column = np.floor(middle[:, 0]).astype(np.int64)
    inside = (row >= 0) & (row < height) & (column < width) & (rise != 0)
    row, column, rise, x = row[inside], column[inside], rise[inside], middle[inside, 0]
    left_of_picture = column < 0
    column = np.where(left_of_picture, 0, column)
    share_right = np.where(left_of_picture, 1.0, column + 1 - x)
    index = row * (width + 1) + column
    total = np.bincount(index, rise * share_right, minlength=height * (width + 1))
    total += np.bincount(index + 1, rise * (1 - share_right), minlength=height * (width + 1))[: total.size]
    return np.asarray(np.cumsum(total.reshape(height, width + 1), axis=1)[:, :width])


def _pieces(a: FloatArray, b: FloatArray, axis: int) -> tuple[FloatArray, FloatArray]:
    """Edges cut at every whole number along `axis`; pieces in no particular order."""
    low = np.minimum(a[:, axis], b[:, axis])
    high = np.maximum(a[:, axis], b[:, axis])
    first = np.floor(low).astype(np.int64) + 1
    cuts = np.maximum(np.ceil(high).astype(np.int64) - first, 0)
    owner = np.repeat(np.arange(len(a)), cuts + 1)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(cuts + 1) - (cuts + 1), cuts + 1)
    span = (b - a)[:, axis]
    safe = np.where(span == 0, 1.0, span)
    # the k-th cut along the edge's own direction
    up = span > 0
    last = first + cuts - 1

    def at(k: FloatArray) -> FloatArray:
        line = np.where(up[owner], first[owner] + k, last[owner] - k)
        t = (line - a[owner, axis]) / safe[owner]
        point = a[owner] + t[:, None] * (b - a)[owner]
        point[:, axis] = line
        return np.asarray(point)

    begin = np.where((place == 0)[:, None], a[owner], at(place - 1.0))
    finish = np.where((place == cuts[owner])[:, None], b[owner], at(place + 0.0))
    return begin, finish
