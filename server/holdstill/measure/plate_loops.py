"""Loops over a plate's points and raster, compiled: where its raster lies, its levels, how its light lies."""

# Inside compiled loops NumPy's scalars and Python's are one; the checker can't know that.
# mypy: disable-error-code="assignment, no-any-return, return-value"

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray

from .compiled import AnyPicture, compiled, with_nan

CUBIC = 10


@compiled
def _solved(square: FloatArray, right: FloatArray, ridge: float) -> FloatArray:
    """Solution of symmetric equations with a hair of ridge, so that none is ever singular."""
    return np.linalg.solve(square + ridge * np.eye(len(square)), right)


@compiled
def _homography_step(u: FloatArray, v: FloatArray, x: FloatArray, y: FloatArray, h: FloatArray) -> FloatArray:
    """Change of the eight terms of a homography that lowers its misfit: one Gauss-Newton step."""
    square, right = np.zeros((8, 8)), np.zeros(8)
    rows = np.zeros((2, 8))
    rest = np.zeros(2)
    for k in range(len(u)):
        over = 1.0 / (h[6] * u[k] + h[7] * v[k] + 1.0)
        px = (h[0] * u[k] + h[1] * v[k] + h[2]) * over
        py = (h[3] * u[k] + h[4] * v[k] + h[5]) * over
        rows[0, 0] = rows[1, 3] = u[k] * over
        rows[0, 1] = rows[1, 4] = v[k] * over
        rows[0, 2] = rows[1, 5] = over
        rows[0, 6], rows[0, 7] = -px * u[k] * over, -px * v[k] * over
        rows[1, 6], rows[1, 7] = -py * u[k] * over, -py * v[k] * over
        rest[0], rest[1] = x[k] - px, y[k] - py
        for e in range(2):
            for i in range(8):
                right[i] += rows[e, i] * rest[e]
                for j in range(8):
                    square[i, j] += rows[e, i] * rows[e, j]
    return _solved(square, right, 1e-15 * np.trace(square))


@compiled
def lattice_map(unit: FloatArray, px: FloatArray, cubic: bool) -> tuple[FloatArray, FloatArray, bool]:
    """Map of a plate's points to the picture: homography float64 (3, 3), least squares in px; cubic terms of
    what it leaves, float64 (10, 2), zero unless `cubic`; and whether the points carry one (not on one line).

    unit: float64 (n, 2), plate coordinates over the half size. px: float64 (n, 2).
    """
    n = len(unit)
    u, v = unit[:, 0].copy(), unit[:, 1].copy()
    homography, bend = np.eye(3), np.zeros((CUBIC, 2))
    mu, mv = u.mean(), v.mean()
    spread = ((u - mu) ** 2).sum() * ((v - mv) ** 2).sum() - ((u - mu) * (v - mv)).sum() ** 2
    if spread < 1e-8 * n * n:
        return homography, bend, False
    mx, my = px[:, 0].mean(), px[:, 1].mean()
    scale = math.sqrt(((px[:, 0] - mx) ** 2 + (px[:, 1] - my) ** 2).mean()) + 1e-9
    x, y = (px[:, 0] - mx) / scale, (px[:, 1] - my) / scale
    h = np.zeros(8)
    # The first step from a flat map is the affine one; from there a handful of steps is enough.
    for _ in range(12):
        change = _homography_step(u, v, x, y, h)
        h += change
        if np.abs(change).max() < 1e-10:
            break
    for i in range(2):
        middle = mx if i == 0 else my
        homography[i, 0] = h[3 * i] * scale + middle * h[6]
        homography[i, 1] = h[3 * i + 1] * scale + middle * h[7]
        homography[i, 2] = h[3 * i + 2] * scale + middle
    homography[2, 0], homography[2, 1] = h[6], h[7]
    if not cubic:
        return homography, bend, True
    square, right, terms = np.zeros((CUBIC, CUBIC)), np.zeros((CUBIC, 2)), np.zeros(CUBIC)
    for k in range(n):
        a, b = u[k], v[k]
        over = 1.0 / (h[6] * a + h[7] * b + 1.0)
        dx = px[k, 0] - (homography[0, 0] * a + homography[0, 1] * b + homography[0, 2]) * over
        dy = px[k, 1] - (homography[1, 0] * a + homography[1, 1] * b + homography[1, 2]) * over
        terms[:3] = 1.0, a, b
        terms[3:6] = a * a, a * b, b * b
        terms[6:] = a * a * a, a * a * b, a * b * b, b * b * b
        for i in range(CUBIC):
            right[i, 0] += terms[i] * dx
            right[i, 1] += terms[i] * dy
            for j in range(CUBIC):
                square[i, j] += terms[i] * terms[j]
    return homography, _solved(square, right, 1e-9 * n), True


@with_nan
def read_raster(
    image: AnyPicture, homography: FloatArray, bend: FloatArray, unit: NDArray[np.float32], reach: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The picture at a plate's raster: values float32 (n,), NaN outside; places float32 (n, 2), px.

    unit: float32 (n, 3), plate coordinates over the half size and a one. bend: float64 (10, 2), the
    cubic terms' px, followed to `reach` half sizes.
    """
    n = len(unit)
    values, px = np.empty(n, np.float32), np.empty((n, 2), np.float32)
    height, width = image.shape
    h = homography
    c, d = bend[:, 0].copy(), bend[:, 1].copy()
    at_x, at_y = np.empty(n), np.empty(n)
    for k in range(n):
        u, v = float(unit[k, 0]), float(unit[k, 1])
        over = 1.0 / (h[2, 0] * u + h[2, 1] * v + h[2, 2])
        a, b = min(max(u, -reach), reach), min(max(v, -reach), reach)
        x = (h[0, 0] * u + h[0, 1] * v + h[0, 2]) * over
        y = (h[1, 0] * u + h[1, 1] * v + h[1, 2]) * over
        x += c[0] + a * (c[1] + a * (c[3] + a * c[6])) + b * (c[2] + b * (c[5] + b * c[9]))
        x += a * b * (c[4] + a * c[7] + b * c[8])
        y += d[0] + a * (d[1] + a * (d[3] + a * d[6])) + b * (d[2] + b * (d[5] + b * d[9]))
        y += a * b * (d[4] + a * d[7] + b * d[8])
        at_x[k], at_y[k] = x, y
        px[k, 0], px[k, 1] = x, y
    # Apart from the places, so that many pixels are fetched at a time.
    for k in range(n):
        x, y = at_x[k], at_y[k]
        if not (x >= 0 and y >= 0 and x <= width - 1 and y <= height - 1):
            values[k] = np.nan
            continue
        x0, y0 = min(np.uint64(x), np.uint64(width - 2)), min(np.uint64(y), np.uint64(height - 2))
        x1, y1 = x0 + np.uint64(1), y0 + np.uint64(1)
        fx, fy = x - x0, y - y0
        upper = (1 - fx) * image[y0, x0] + fx * image[y0, x1]
        lower = (1 - fx) * image[y1, x0] + fx * image[y1, x1]
        values[k] = (1 - fy) * upper + fy * lower
    return values, px


@with_nan
def _median_seen(values: FloatArray, which: IntArray) -> float:
    """Median of the chosen values that are not NaN; NaN without any."""
    seen, n = np.empty(len(which)), 0
    for k in which:
        if not np.isnan(values[k]):
            seen[n] = values[k]
            n += 1
    return np.median(seen[:n]) if n > 0 else np.nan


@with_nan
def part_levels(
    values: NDArray[np.float32],
    part: NDArray[np.int8],
    point_of: NDArray[np.int32],
    count: int,
    found: IntArray,
) -> tuple[FloatArray, float, float]:
    """Mean level of each point's two parts, float64 (2, count), NaN where none was seen; and the medians of
    both over the points found."""
    total, n = np.zeros((2, count)), np.zeros((2, count))
    for k in range(len(values)):
        which = part[k] - 1
        value = values[k]
        if which >= 0 and not np.isnan(value):
            total[which, point_of[k]] += value
            n[which, point_of[k]] += 1
    out = np.empty((2, count))
    for which in range(2):
        for p in range(count):
            out[which, p] = total[which, p] / n[which, p] if n[which, p] > 0 else np.nan
    return out, _median_seen(out[0], found), _median_seen(out[1], found)


@with_nan
def clipped_in_part(
    values: NDArray[np.float32], part: NDArray[np.int8], wanted: int, clip_from: float
) -> tuple[int, int, int]:
    """Samples of one part that were seen, how many of them clip, and samples of any part that were seen."""
    seen, clipped, whole = 0, 0, 0
    for k in range(len(values)):
        if np.isnan(values[k]):
            continue
        whole += 1
        if part[k] == wanted:
            seen += 1
            clipped += values[k] >= clip_from - 0.5
    return seen, clipped, whole


@compiled
def mean_cell_px(px: NDArray[np.float32], rows: int, columns: int) -> float:
    """Mean area in the picture of a raster's cell, px: of every fourth one, four times as wide and high."""
    total, n = 0.0, 0
    for i in range(0, rows - 4, 4):
        for j in range(0, columns - 4, 4):
            here, right, under = i * columns + j, i * columns + j + 4, (i + 4) * columns + j
            across_x, across_y = float(px[right, 0]) - px[here, 0], float(px[right, 1]) - px[here, 1]
            down_x, down_y = float(px[under, 0]) - px[here, 0], float(px[under, 1]) - px[here, 1]
            total += abs(across_x * down_y - across_y * down_x)
            n += 1
    return total / max(n, 1) / 16.0


@compiled
def quadratic_surface(x: FloatArray, y: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least-squares surface in 1, x, y, x2, xy, y2, outliers beyond three robust sigmas dropped once: its
    values at the points, and the six coefficients. A hair of ridge serves where points lie on lines."""
    n = len(x)
    surface, rest, fit = np.zeros(n), np.zeros(n), np.zeros(6)
    terms = np.ones(6)
    most, kept = np.inf, n
    for turn in range(2):
        square, right = np.zeros((6, 6)), np.zeros(6)
        for k in range(n):
            if turn == 0 or rest[k] <= most:
                terms[1], terms[2] = x[k], y[k]
                terms[3], terms[4], terms[5] = x[k] * x[k], x[k] * y[k], y[k] * y[k]
                for i in range(6):
                    right[i] += terms[i] * values[k]
                    for j in range(6):
                        square[i, j] += terms[i] * terms[j]
        fit = _solved(square, right, 1e-9 * np.trace(square))
        for k in range(n):
            surface[k] = surface_at(fit, x[k], y[k])
            rest[k] = abs(values[k] - surface[k])
        if turn == 0:
            most = 3 * 1.4826 * np.median(rest) + 1e-9
            kept = (rest <= most).sum()
            if kept < 8:
                break
    return surface, fit


@compiled
def surface_at(c: FloatArray, x: float, y: float) -> float:
    """A quadratic surface's value at one place."""
    return c[0] + c[1] * x + c[2] * y + c[3] * x * x + c[4] * x * y + c[5] * y * y


@compiled
def lie_of_light(c: FloatArray) -> FloatArray:
    """Of a quadratic surface over -1..1: where it is highest (x, y), its slopes over its mean, and how far
    its highest place stands above the border's, over it."""
    top, at_x, at_y, total = -np.inf, 0.0, 0.0, 0.0
    for j in range(21):
        for i in range(21):
            x, y = -1.0 + 0.1 * i, -1.0 + 0.1 * j
            value = surface_at(c, x, y)
            total += value
            if value > top:
                top, at_x, at_y = value, x, y
    edge = -np.inf
    for i in range(5):
        along = -1.0 + 0.5 * i
        for side in (-1.0, 1.0):
            edge = max(edge, surface_at(c, along, side), surface_at(c, side, along))
    mean, top = max(total / 441.0, 1e-9), max(top, 1e-9)
    return np.array([at_x, at_y, c[1] / mean, c[2] / mean, max(0.0, (top - edge) / top)])


@with_nan
def light_over_plate(
    bright: FloatArray, dark: FloatArray, found: IntArray, px: FloatArray, clip_from: float
) -> tuple[float, FloatArray, bool]:
    """Lowest over highest light over the points found and how it lies (see `lie_of_light`); False with
    fewer than 12 of them. Of the dark part where more than a third of the bright one clips."""
    seen, clipped = 0, 0
    for k in found:
        if not np.isnan(bright[k]):
            seen += 1
            clipped += bright[k] >= 0.97 * clip_from
    levels = dark if seen > 0 and clipped > seen / 3 else bright
    n = 0
    x, y, values = np.empty(len(found)), np.empty(len(found)), np.empty(len(found))
    for i in range(len(found)):
        level = levels[found[i]]
        if level > 0:
            x[n], y[n], values[n] = px[i, 0], px[i, 1], level
            n += 1
    if n < 12:
        return 0.0, np.zeros(5), False
    x, y, values = x[:n].copy(), y[:n].copy(), values[:n].copy()
    x = 2.0 * (x - x.min()) / max(x.max() - x.min(), 1e-9) - 1.0
    y = 2.0 * (y - y.min()) / max(y.max() - y.min(), 1e-9) - 1.0
    surface, fit = quadratic_surface(x, y, values)
    return spread_of(surface), lie_of_light(fit), True


@compiled
def spread_of(surface: FloatArray) -> float:
    """Lowest over highest, 0..1."""
    top = surface.max()
    return min(max(surface.min() / top, 0.0), 1.0) if top > 0 else 0.0


@compiled
def outline_share(outline: FloatArray, width: int, height: int) -> float:
    """Share of a picture's area inside an outline, float64 (n, 2) px, cut at the border; 0..1."""
    twice = 0.0
    for k in range(len(outline)):
        x, y = _within(outline[k - 1, 0], width), _within(outline[k - 1, 1], height)
        next_x, next_y = _within(outline[k, 0], width), _within(outline[k, 1], height)
        twice += x * next_y - next_x * y
    return min(abs(twice) / (2.0 * width * height), 1.0) if len(outline) > 2 else 0.0


@compiled
def _within(place: float, size: int) -> float:
    return min(max(place, 0.0), size - 1.0)
