"""The line around a plate in the picture, for drawing."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from holdstill.records import FloatArray, Plate, PlateKind

from .viewmap import ViewMap

_STEPS = 8


def outline_of(plate: Plate, view: ViewMap) -> FloatArray:
    """Polygon (4 * 8, 2), px, half a pitch (a square side for boards) outside the outer points."""
    return np.asarray(view(_ring(plate)))


@lru_cache(maxsize=16)
def _ring(plate: Plate) -> FloatArray:
    """The polygon on the plate, mm."""
    xy = plate.points_mm()[:, :2]
    margin = plate.pitch_mm * (1.0 if plate.kind in (PlateKind.CHESSBOARD, PlateKind.CHARUCO) else 0.5)
    (x0, y0), (x1, y1) = xy.min(axis=0) - margin, xy.max(axis=0) + margin
    t = np.arange(_STEPS) / _STEPS
    one = np.ones(_STEPS)
    return np.concatenate(
        [
            np.column_stack([x0 + (x1 - x0) * t, y0 * one]),
            np.column_stack([x1 * one, y0 + (y1 - y0) * t]),
            np.column_stack([x1 - (x1 - x0) * t, y1 * one]),
            np.column_stack([x0 * one, y1 - (y1 - y0) * t]),
        ]
    )
