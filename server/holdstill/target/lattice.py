"""From spots to a lattice: growth from seeds, checked by the dots' own shape.

Dots are round on the plate, so the shape of their pictures (the covariance of a spot's pixels) is
the local map's: measured in units of that shape the lattice is square whatever the tilt.  That
fixes the basis; growth then follows the picture's own vectors, so distortion does not matter.
"""
# ruff: noqa: PLR0915, PLR0912 - compiled loops take their arrays by position and are one piece

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray

from .blobs import Blobs
from .compiled import compiled, median
from .viewmap import ViewMap, fit_view_map

_SEEDS = 24
_FIRST_LOOK = 40
"""About as many spots are looked at as seeds first; all only where none of them leads to a large lattice."""
_REACH = 0.3
_SIZE_RATIO = 1.9
_EXTEND_ROUNDS = 6


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Spots with lattice coordinates.

    cells
        int32 (n, 2), whole-number coordinates (u, v) in a square basis, right-handed in the picture.
    spots
        int32 (n,), which spot of the `Blobs`.
    view
        map from (u, v) to level pixels.
    """

    cells: IntArray
    spots: IntArray
    view: ViewMap
    residual_px: float

    def __len__(self) -> int:
        return len(self.cells)


def grow(blobs: Blobs, size: tuple[int, int], *, enough: int, at_least: int) -> Lattice | None:
    """The largest lattice among the spots, or None when none reaches `at_least`.

    enough: stop trying seeds once a lattice has this many points. size: (width, height) of the level.
    """
    if len(blobs) < at_least:
        return None
    white = _whitening(blobs.covariances)
    some = max(1, len(blobs) // _FIRST_LOOK)
    best = _largest(blobs, white, enough, some)
    if some > 1 and (best is None or len(best[1]) < enough):
        best = _largest(blobs, white, enough, 1)
    if best is None or len(best[1]) < min(at_least, 6):
        return None
    lattice = _settle(blobs, best[0], best[1], size)
    return lattice if lattice is not None and len(lattice) >= at_least else None


def _largest(blobs: Blobs, white: FloatArray, enough: int, every: int) -> tuple[IntArray, IntArray] | None:
    """Cells and spots of the largest lattice grown from every `every`-th spot, or the first large enough."""
    seeds, bases = _seeds(blobs.centres, blobs.areas, white, every)
    best: tuple[IntArray, IntArray] | None = None
    used = np.zeros(len(blobs), bool)
    tried = 0
    for seed, basis in zip(seeds, bases, strict=True):
        if used[seed] or tried >= _SEEDS:
            continue
        tried += 1
        cells, spots = _grow_from(blobs.centres, np.sqrt(blobs.areas), int(seed), basis, _REACH, _SIZE_RATIO)
        used[spots] = True
        if best is None or len(spots) > len(best[1]):
            best = (cells, spots)
            if len(spots) >= enough:
                break
    return best


def _whitening(cov: FloatArray) -> FloatArray:
    """Inverse square roots (n, 2, 2) of the covariances: picture vectors -> units of the dot's shape.

    Closed form by Cayley and Hamilton: with s = sqrt(det C) and t = sqrt(trace C + 2 s), the root of C
    is (C + s I)/t.
    """
    s = np.sqrt(np.maximum(cov[:, 0] * cov[:, 2] - cov[:, 1] ** 2, 1e-12))
    over = 1.0 / (s * np.sqrt(cov[:, 0] + cov[:, 2] + 2 * s))
    out = np.empty((len(cov), 2, 2))
    out[:, 0, 0], out[:, 1, 1] = (cov[:, 2] + s) * over, (cov[:, 0] + s) * over
    out[:, 0, 1] = out[:, 1, 0] = -cov[:, 1] * over
    return out


@compiled
def _neighbour_frames(
    centres: FloatArray, areas: FloatArray, white: FloatArray, every: int
) -> tuple[FloatArray, FloatArray]:
    """For every `every`-th spot the best pair of neighbour vectors and its score (0 = none, up to 4).

    A pair is nearly square and equal in the whitened frame; the score counts how many of the four
    places +-e1, +-e2 hold a spot of like size.
    """
    n = len(centres)
    frames = np.zeros((n, 2, 2))
    scores = np.zeros(n)
    near = np.zeros(8, np.int64)
    dist = np.zeros(8)
    wx = np.zeros(8)
    wy = np.zeros(8)
    for i in range(0, n, every):
        count = 0
        tight = white[i, 0, 0] * white[i, 1, 1] - white[i, 0, 1] * white[i, 1, 0]
        reach = 40.0 * max(white[i, 0, 0], white[i, 1, 1]) / max(tight, 1e-12)
        for j in range(n):
            dx = centres[j, 0] - centres[i, 0]
            if dx > reach or dx < -reach:
                continue
            if j == i or areas[j] > 3.2 * areas[i] or areas[i] > 3.2 * areas[j]:
                continue
            dy = centres[j, 1] - centres[i, 1]
            ax = white[i, 0, 0] * dx + white[i, 0, 1] * dy
            ay = white[i, 1, 0] * dx + white[i, 1, 1] * dy
            d = ax * ax + ay * ay
            if d > 1600.0 or (count == 8 and d >= dist[7]):
                continue
            k = count if count < 8 else 7
            while k > 0 and dist[k - 1] > d:
                dist[k], near[k], wx[k], wy[k] = dist[k - 1], near[k - 1], wx[k - 1], wy[k - 1]
                k -= 1
            dist[k], near[k], wx[k], wy[k] = d, j, ax, ay
            if count < 8:
                count += 1
        best = 0.0
        for a in range(min(count, 4)):
            la = np.sqrt(dist[a])
            for b in range(a + 1, count):
                lb = np.sqrt(dist[b])
                if lb > 1.45 * la:
                    break
                cosine = (wx[a] * wx[b] + wy[a] * wy[b]) / (la * lb)
                if abs(cosine) > 0.4:
                    continue
                score = 2.0 - abs(cosine) - 0.5 * (lb / la - 1.0) - 0.02 * la
                for sign in (-1.0, 1.0):
                    for m in range(count):
                        if m in (a, b):
                            continue
                        da = np.hypot(wx[m] + sign * wx[a], wy[m] + sign * wy[a])
                        db = np.hypot(wx[m] + sign * wx[b], wy[m] + sign * wy[b])
                        if da < 0.35 * la or db < 0.35 * la:
                            score += 1.0 if sign > 0 else 0.0
                if score > best:
                    best = score
                    cross = wx[a] * wy[b] - wy[a] * wx[b]
                    p, q = (near[a], near[b]) if cross > 0 else (near[b], near[a])
                    frames[i, 0, 0] = centres[p, 0] - centres[i, 0]
                    frames[i, 0, 1] = centres[p, 1] - centres[i, 1]
                    frames[i, 1, 0] = centres[q, 0] - centres[i, 0]
                    frames[i, 1, 1] = centres[q, 1] - centres[i, 1]
        scores[i] = best
    return frames, scores


def _seeds(
    centres: FloatArray, areas: FloatArray, white: FloatArray, every: int
) -> tuple[NDArray[np.int64], FloatArray]:
    """Spots to grow from, best first, with their basis vectors (n, 2, 2)."""
    frames, scores = _neighbour_frames(centres, areas, white, every)
    order = np.argsort(-scores, kind="stable")
    order = order[scores[order] > 1.0]
    return order, frames[order]


@compiled
def _grow_from(
    centres: FloatArray, sizes: FloatArray, seed: int, basis: FloatArray, reach: float, ratio: float
) -> tuple[IntArray, IntArray]:
    """Flood outward from `seed`: a neighbour is accepted where the last step points to."""
    n = len(centres)
    half = 128
    place = np.empty((2 * half + 1, 2 * half + 1), np.int32)
    for v in range(2 * half + 1):
        for u in range(2 * half + 1):
            place[v, u] = -1
    taken = np.zeros(n, np.bool_)
    queue = np.zeros(n, np.int32)
    cu = np.zeros(n, np.int32)
    cv = np.zeros(n, np.int32)
    step = np.zeros((n, 2, 2))
    queue[0] = seed
    taken[seed] = True
    place[half, half] = seed
    for m in range(2):
        for k in range(2):
            step[seed, m, k] = basis[m, k]
    head, tail = 0, 1
    while head < tail:
        i = queue[head]
        head += 1
        for direction in range(4):
            axis = direction // 2
            sign = 1 if direction % 2 == 0 else -1
            u = cu[i] + (sign if axis == 0 else 0)
            v = cv[i] + (sign if axis == 1 else 0)
            if abs(u) >= half or abs(v) >= half or place[v + half, u + half] >= 0:
                continue
            ex, ey = step[i, axis, 0], step[i, axis, 1]
            x, y = centres[i, 0] + sign * ex, centres[i, 1] + sign * ey
            short = min(np.hypot(step[i, 0, 0], step[i, 0, 1]), np.hypot(step[i, 1, 0], step[i, 1, 1]))
            limit = reach * short
            limit2 = limit * limit
            best = -1
            for j in range(n):
                dx = centres[j, 0] - x
                if dx > limit or dx < -limit:
                    continue
                dy = centres[j, 1] - y
                d2 = dx * dx + dy * dy
                if d2 < limit2 and not taken[j]:
                    r = sizes[j] / sizes[i]
                    if r < ratio and r * ratio > 1.0:
                        limit2 = d2
                        best = j
            if best < 0:
                continue
            taken[best] = True
            place[v + half, u + half] = best
            cu[best], cv[best] = u, v
            for m in range(2):
                for k in range(2):
                    step[best, m, k] = step[i, m, k]
            step[best, axis, 0] = sign * (centres[best, 0] - centres[i, 0])
            step[best, axis, 1] = sign * (centres[best, 1] - centres[i, 1])
            other = 1 - axis
            for back in (-1, 1):
                uu = u + (back if other == 0 else 0)
                vv = v + (back if other == 1 else 0)
                if abs(uu) < half and abs(vv) < half and place[vv + half, uu + half] >= 0:
                    k = place[vv + half, uu + half]
                    step[best, other, 0] = back * (centres[k, 0] - centres[best, 0])
                    step[best, other, 1] = back * (centres[k, 1] - centres[best, 1])
            queue[tail] = best
            tail += 1
    cells, spots = np.empty((tail, 2), np.int32), np.empty(tail, np.int32)
    for k in range(tail):
        cells[k, 0], cells[k, 1], spots[k] = cu[queue[k]], cv[queue[k]], queue[k]
    return cells, spots


def _settle(blobs: Blobs, cells: IntArray, spots: IntArray, size: tuple[int, int]) -> Lattice | None:
    """Fit the smooth map, drop what does not lie on it, take in what does, until nothing changes."""
    view = None
    for _ in range(_EXTEND_ROUNDS):
        if len(cells) < 6:
            return None
        view, residuals = fit_view_map(cells.astype(np.float64), blobs.centres[spots], size)
        pitch = _pitch_at(view, cells)
        off = np.sqrt((residuals**2).sum(axis=1))
        good = off < 0.22 * pitch
        if good.sum() < 6:
            return None
        cells, spots = cells[good], spots[good]
        more_cells, more_spots = _extend(blobs, cells, spots, view, size)
        if len(more_cells) == 0 and good.all():
            return Lattice(cells, spots, view, float(np.sqrt((residuals**2).mean())))
        cells = np.concatenate([cells, more_cells]).astype(np.int32)
        spots = np.concatenate([spots, more_spots]).astype(np.int32)
    view, residuals = fit_view_map(cells.astype(np.float64), blobs.centres[spots], size)
    return Lattice(cells, spots, view, float(np.sqrt((residuals**2).mean())))


def _pitch_at(view: ViewMap, cells: IntArray) -> FloatArray:
    """Length (px) of the shorter lattice step at each cell."""
    jac = view.jacobians(cells.astype(np.float64))
    return np.asarray(np.minimum(np.hypot(jac[:, 0, 0], jac[:, 1, 0]), np.hypot(jac[:, 0, 1], jac[:, 1, 1])))


def _extend(
    blobs: Blobs, cells: IntArray, spots: IntArray, view: ViewMap, size: tuple[int, int]
) -> tuple[IntArray, IntArray]:
    """Spots that lie where the map puts an empty cell, up to two cells outside the lattice."""
    low, high = cells.min(axis=0) - 2, cells.max(axis=0) + 2
    u, v = np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1))
    every = np.stack([u.ravel(), v.ravel()], axis=1).astype(np.int32)
    taken = np.zeros(u.shape, bool)
    taken[cells[:, 1] - low[1], cells[:, 0] - low[0]] = True
    every = every[~taken.ravel()]
    at = view(every.astype(np.float64))
    inside = (at > 0).all(axis=1) & (at[:, 0] < size[0]) & (at[:, 1] < size[1])
    every, at = every[inside], at[inside]
    free = np.ones(len(blobs), bool)
    free[spots] = False
    candidates = np.flatnonzero(free)
    if len(every) == 0 or len(candidates) == 0:
        return np.empty((0, 2), np.int32), np.empty(0, np.int32)
    gap = np.hypot(
        blobs.centres[candidates, 0][None] - at[:, 0][:, None],
        blobs.centres[candidates, 1][None] - at[:, 1][:, None],
    )
    nearest = gap.argmin(axis=1)
    distance = gap[np.arange(len(every)), nearest]
    pitch = _pitch_at(view, every)
    expected = _expected_area(blobs, cells, spots, view, every)
    ratio = np.sqrt(blobs.areas[candidates[nearest]] / expected)
    ok = (distance < 0.18 * pitch) & (ratio < 1.6) & (ratio > 0.5)
    chosen = candidates[nearest[ok]]
    _, first = np.unique(chosen, return_index=True)
    return every[ok][first].astype(np.int32), chosen[first].astype(np.int32)


def _expected_area(blobs: Blobs, cells: IntArray, spots: IntArray, view: ViewMap, at: IntArray) -> FloatArray:
    """Dot area (px) that the map predicts at cells `at`, scaled from the dots seen."""
    seen = view.scales(cells.astype(np.float64)) ** 2
    share = median(blobs.areas[spots] / np.maximum(seen, 1e-9))
    return np.asarray(np.maximum(share * view.scales(at.astype(np.float64)) ** 2, 1.0))
