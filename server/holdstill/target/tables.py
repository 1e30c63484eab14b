"""What a plate says of its points, worked out once per plate."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, IntArray, Plate, PlateKind


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Arrays of one plate; not to be written to.

    xy (points, 2): mm. present: numbers of the points that carry a dot. cells (points, 2): lattice
    coordinates in a square basis (`plate_cells`). low (2,), number (rows, columns): point number at
    lattice cell ``low + (u, v)``, -1 where there is none.
    """

    xy: FloatArray
    present: NDArray[np.int64]
    cells: IntArray
    low: IntArray
    number: IntArray


@lru_cache(maxsize=16)
def tables_of(plate: Plate) -> Tables:
    """The tables of a plate."""
    present = np.setdiff1d(np.arange(plate.point_count), np.array(plate.absent, dtype=np.int64))
    cells = plate_cells(plate)
    low, high = cells.min(axis=0), cells.max(axis=0)
    number = np.full((high - low + 1)[::-1], -1, dtype=np.int32)
    at = cells[present] - low
    number[at[:, 1], at[:, 0]] = present
    return Tables(
        np.ascontiguousarray(plate.points_mm()[:, :2]), present.astype(np.int64), cells, low, number
    )


def plate_cells(plate: Plate) -> IntArray:
    """Lattice coordinates (points, 2) of a plate's points in a square basis.

    For a staggered grid the basis is its two diagonals to the nearest dots.
    """
    row, column = np.divmod(np.arange(plate.point_count), plate.columns)
    if plate.kind is PlateKind.STAGGERED_DOTS:
        x, y = 2 * column + row % 2, row
        return np.stack([(x + y) // 2, (y - x) // 2], axis=1).astype(np.int32)
    return np.stack([column, row], axis=1).astype(np.int32)
