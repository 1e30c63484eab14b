"""What the picture shows at the lattice's cells: a dot, bare ground, or neither."""
# ruff: noqa: PLR0912 - compiled loops are one piece

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray

from .blobs import Grey, Level
from .compiled import compiled, median
from .lattice import Lattice
from .viewmap import mapped

_DIAGONALS = np.array([(0.0, 0.0), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)])
_MARGIN_PX = 1.0
_WHITE = 254.0
"""Grey value (8 bits, searching picture) from which a place is full white."""


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """What the picture shows at every lattice cell around the found ones.

    low: cell of the first entry. dot, bare, inside: bool (rows, columns).
    """

    low: IntArray
    dot: NDArray[np.bool_]
    bare: NDArray[np.bool_]
    inside: NDArray[np.bool_]


def look_at_sites(level: Level, lattice: Lattice, reach: int) -> Sites:
    """Classify cells up to `reach` outside the lattice: dot found, bare ground, or unknown.

    Bare: as bright as the ground half a step away on all four sides, and those alike; measured
    against the contrast of the dots found (a share below 0.25 of it).  Not bare where the picture is
    full white and the ground of the dots found is not: that is glare, which hides dots.
    """
    cells, view = lattice.cells, lattice.view
    low, high = cells.min(axis=0) - reach, cells.max(axis=0) + reach
    dot = np.zeros((high - low + 1)[::-1], bool)
    dot[cells[:, 1] - low[1], cells[:, 0] - low[0]] = True
    bare, inside = _looked_at(
        level.grey, low.astype(np.int64), dot, view.homography, view.centre_px, view.scale_px,
        view.k1, view.k2, _DIAGONALS,
    )  # fmt: skip
    return Sites(low.astype(np.int32), dot, bare, inside)


@compiled
def _looked_at(
    grey: Grey,
    low: NDArray[np.int64],
    dot: NDArray[np.bool_],
    h: FloatArray,
    centre: FloatArray,
    scale: float,
    k1: float,
    k2: float,
    offsets: FloatArray,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each cell shows bare ground, and whether it is in the picture."""
    rows, columns = dot.shape
    height, width = grey.shape
    every, there = np.empty((rows * columns, 2)), np.empty((rows * columns, 2))
    for v in range(rows):
        for u in range(columns):
            every[v * columns + u, 0], every[v * columns + u, 1] = u + low[0], v + low[1]
    seen = np.empty((5, rows * columns))
    inside = np.zeros((rows, columns), np.bool_)
    for k in range(5):
        for i in range(rows * columns):
            there[i, 0], there[i, 1] = every[i, 0] + offsets[k, 0], every[i, 1] + offsets[k, 1]
        at, _ = mapped(there, h, centre, scale, k1, k2)
        for i in range(rows * columns):
            x, y = min(max(at[i, 0], -9.0), width + 9.0), min(max(at[i, 1], -9.0), height + 9.0)
            if k == 0:
                within = x >= _MARGIN_PX and y >= _MARGIN_PX and x < width - _MARGIN_PX
                inside[i // columns, i % columns] = within and y < height - _MARGIN_PX
            if inside[i // columns, i % columns]:
                px, py = int(np.rint(x)), int(np.rint(y))
                total = 0
                for dy in range(-1, 2):
                    for dx in range(-1, 2):
                        total += grey[min(max(py + dy, 0), height - 1), min(max(px + dx, 0), width - 1)]
                seen[k, i] = np.rint(total / 9.0)
    found = 0
    contrasts, signed = np.empty(rows * columns), np.empty(rows * columns)
    level, ground, spread = 0.0, np.zeros(rows * columns), np.zeros(rows * columns)
    for i in range(rows * columns):
        if not inside[i // columns, i % columns]:
            continue
        least = min(seen[1, i], seen[2, i], seen[3, i], seen[4, i])
        most = max(seen[1, i], seen[2, i], seen[3, i], seen[4, i])
        ground[i] = 0.5 * (seen[1, i] + seen[2, i] + seen[3, i] + seen[4, i] - least - most)
        spread[i] = most - least
        if dot[i // columns, i % columns]:
            contrasts[found], signed[found] = abs(ground[i] - seen[0, i]), seen[0, i] - ground[i]
            level += ground[i]
            found += 1
    bare = np.zeros((rows, columns), np.bool_)
    if found == 0:
        return bare, inside
    contrast, sign, level = median(contrasts[:found]), np.sign(median(signed[:found])), level / found
    for i in range(rows * columns):
        v, u = i // columns, i % columns
        if inside[v, u] and not dot[v, u]:
            bare[v, u] = (
                abs(seen[0, i] - ground[i]) < 0.25 * contrast
                and spread[i] < 0.3 * contrast
                and not (ground[i] >= _WHITE and level < _WHITE - 3.0)
                and sign * (level - ground[i]) < 0.5 * contrast + 0.25 * abs(level)
            )
    return bare, inside
