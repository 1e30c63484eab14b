"""Solve: the calibration with its uncertainty, its proof, and whether it still holds."""

from .drift import recheck
from .fitted import (
    place_of,
    plane_map,
    point_numbers,
    view_residuals,
    with_residuals,
    without_residuals,
)
from .live import agree, live_pose
from .plausible import plausibility as checks
from .proof import prove
from .solver import solve

__all__ = [
    "agree",
    "checks",
    "live_pose",
    "place_of",
    "plane_map",
    "point_numbers",
    "prove",
    "recheck",
    "solve",
    "view_residuals",
    "with_residuals",
    "without_residuals",
]
