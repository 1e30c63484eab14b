"""Dots that differ from the others: seen as ring, larger or smaller, and compared with the plate's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, MarkKind, Plate

from .blobs import Blobs, Level
from .lattice import Lattice
from .placement import Placement, lattice_to_plate

_KINDS = (None, MarkKind.RING, MarkKind.LARGER, MarkKind.SMALLER)
_MISMATCH_COST = 1.5


def dot_looks(level: Level, blobs: Blobs, lattice: Lattice) -> NDArray[np.int64]:
    """Look of each dot of the lattice: 0 plain, 1 ring, 2 larger, 3 smaller.

    A ring's middle is nearer to the ground than to the dots; larger and smaller differ by more than
    a sixth in diameter from what the view's map predicts.
    """
    spots = lattice.spots
    scale = np.abs(np.linalg.det(lattice.view.jacobians(lattice.cells.astype(np.float64))))
    share = blobs.areas[spots] / np.maximum(scale, 1e-9)
    ratio = np.sqrt(share / np.median(share))
    at = np.round(blobs.centres[spots]).astype(int)
    height, width = level.grey.shape
    x, y = np.clip(at[:, 0], 0, width - 1), np.clip(at[:, 1], 0, height - 1)
    middle = level.grey[y, x].astype(np.float64)
    corners = lattice.view(lattice.cells + np.array([0.5, 0.5]))
    gx, gy = np.clip(np.round(corners), 0, [width - 1, height - 1]).astype(int).T
    ground = level.grey[gy, gx].astype(np.float64)
    contrast = float(np.median(middle - ground))
    ring = (middle - ground) * np.sign(contrast) < 0.45 * abs(contrast)
    looks = np.where(ratio > 1.17, 2, np.where(ratio < 0.83, 3, 0))
    return np.asarray(np.where(ring & (ratio > 0.7), 1, looks))


def marks_cost(plate: Plate, placement: Placement, lattice: Lattice, looks: NDArray[np.int64]) -> float:
    """How badly the looks of the dots fit the plate's marks under a numbering: 1.5 each."""
    ids = lattice_to_plate(plate, placement, lattice.cells)
    return _MISMATCH_COST * float((looks[ids >= 0] != expected_looks(plate)[ids[ids >= 0]]).sum())


def expected_looks(plate: Plate) -> NDArray[np.int64]:
    """Look of every point of a plate, as `dot_looks` numbers them."""
    out = np.zeros(plate.point_count, dtype=np.int64)
    for mark in plate.marks:
        out[mark.row * plate.columns + mark.column] = _KINDS.index(mark.kind)
    return out


def radius_factors(
    plate: Plate, ids: NDArray[np.int64], looks: NDArray[np.int64], radii: FloatArray
) -> FloatArray:
    """Radius of every point of the plate over the plain dot's, from the marked dots as seen.

    ids, looks, radii (n,): point numbers, looks, and radii of the dots seen (any one unit).
    """
    out = np.ones(plate.point_count)
    expected = expected_looks(plate)
    plain = (
        float(np.median(radii[expected[ids] == 0])) if (expected[ids] == 0).any() else float(np.median(radii))
    )
    for look, nominal in ((2, 1.4), (3, 0.6)):
        seen = radii[(expected[ids] == look) & (looks == look)]
        out[expected == look] = float(np.median(seen)) / plain if len(seen) else nominal
    return out
